//! The terminal screens: what happens at the bench, and what a person may do about it.
//!
//! [`State`] holds everything that is shown, [`update()`] changes it (pure: time comes with the input,
//! deeds come back as effects), [`view::draw`] shows it and reads only. [`show`] joins them to a
//! terminal and is the only part that waits.

mod alarm;
mod books;
mod charts;
mod cover;
mod decisions;
pub mod desk;
mod electrode;
mod entry;
mod equipment;
mod fields;
mod filing;
mod form;
mod hands;
mod holding;
mod keyboard;
mod keys;
mod lens;
mod meter;
mod needs;
mod options;
mod pages;
mod palette;
mod pointer;
mod review;
mod series;
mod setup;
mod sheet;
mod state;
mod steps;
mod terminal;
mod text;
mod theme;
mod titrant;
mod update;
pub mod view;

pub use options::{DeskHandle, Notify, Options, Procedure, ProfileReader, ReadProfile, RunFate, StoredRun};
pub use palette::{Palette, Screening, read_theme};
pub use state::State;
pub use terminal::{Error, Leave, show};
pub use text::visible;
pub use theme::Theme;
pub use update::{Effect, Input, ProfileWish, update};
