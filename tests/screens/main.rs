//! The screens as people see them, and what keys and bar codes do to a run.

#![expect(clippy::unwrap_used, reason = "helpers of tests stop the test")]

mod files;
mod frames;
mod hands;
mod pages;
mod people;
mod scenario;
mod told;
