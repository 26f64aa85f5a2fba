//! What the recorder answered to a command.

use super::super::options::RunFate;
use super::super::state::State;
use super::super::{books, cover, electrode, fields, review, text};
use super::{Effect, tell, warn};
use crate::work::{Command, HandWish, VolumeMark, kind};

/// Takes the answer to a command in.
pub(super) fn answer(state: &mut State, id: u64, refused: Option<&str>) -> Option<Effect> {
    let at = state.asked.iter().position(|asked| asked.id == id)?;
    let asked = state.asked.remove(at);
    if let Command::Name { name, .. } = &asked.command {
        cover::answered(state, name, refused);
        return None;
    }
    match refused {
        Some(why) => {
            let effect = warn(state, format!("not done ({}): {}", asked.words(), text::visible(why)));
            state.books.kept_words = None;
            state.expects_lane = false;
            electrode::stays(state);
            state.setup.opens = false;
            fields::take_back(state, asked.command);
            Some(effect)
        }
        None => {
            match &asked.command {
                Command::Note { text: note, .. } => {
                    tell(state, format!("note kept: {}", text::visible(note)))
                }
                Command::Mark { lane, mark } => {
                    if let VolumeMark::Burette { reading_ml } = mark {
                        state.taken.insert(*lane, *reading_ml);
                    }
                    tell(state, "volume kept");
                }
                Command::Seen { what, .. } => tell(state, format!("seen and kept: {}", text::visible(what))),
                Command::Hand { wish, .. } => tell(
                    state,
                    match wish {
                        HandWish::Ask => "asked for the hand on this run",
                        HandWish::Grant => "the hand on this run is given",
                        HandWish::Keep => "the hand on this run is kept",
                        HandWish::Take { .. } => "the hand on this run is taken, with the reason",
                    },
                ),
                Command::SetAside { run, reason } => {
                    if let Some(stored) = state.options.runs.iter_mut().find(|stored| stored.run == *run) {
                        stored.fate = RunFate::SetAside(reason.clone());
                    }
                    books::decided(state);
                    tell(
                        state,
                        format!("run {run} is set aside; it stays in the record. space: the sample again"),
                    );
                }
                Command::Reread { profile_name, .. } => {
                    tell(state, format!("read again with {}", text::visible(profile_name)));
                }
                Command::Reckon { run, .. } => {
                    review::look_at_latest(state, *run);
                    books::kept(state, format!("run {run} is evaluated again; what was found before stays"));
                }
                Command::Enter { document } => {
                    if [kind::ACCEPTED, kind::FACTOR, kind::PRACTISED].contains(&document.kind.as_str()) {
                        state.remark.clear();
                    }
                    if document.kind == kind::CHECK {
                        state.electrode.kept = true;
                    }
                    books::kept(state, format!("kept: {} {}", document.kind, text::visible(&document.name)));
                }
                Command::Open { .. }
                | Command::Name { .. }
                | Command::Start { .. }
                | Command::Queue { .. }
                | Command::End { .. }
                | Command::Leave => {}
            }
            None
        }
    }
}
