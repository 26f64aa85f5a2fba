//! The recorder: joins the stages, takes commands, gives events.
//!
//! One task per source, one lane task per bench, one hub ([`Recorder`]) that owns the state, one
//! writer thread. Channels are bounded; each stage ends when its input closes, so that every byte
//! received is stored. Screens, the plain printer and the socket all use the same [`Session`].

mod again;
mod hand;
mod hub;
mod inputs;
mod lane;
mod line;
mod opening;
mod outcome;
mod reckon;
mod recorder;
mod session;

pub use again::{Counted, ReadLine, Repeated, compare, evaluate_again, read_line};
pub use inputs::{OtherInput, inputs_again};
pub use reckon::{ReckonError, ReckonSettings, Reckoner};
pub use recorder::{Recorder, RecorderOptions};
pub use session::Session;
