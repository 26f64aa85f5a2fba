//! The screens as people see them, and what keys and bar codes do to a run.

mod frames;
mod hands;
mod scenario;
