//! A screen of a test: it follows what the recorder tells until something has happened.

use dropwise::live::Session;
use dropwise::work::{BenchState, Event};
use std::time::{Duration, Instant};

/// Applies events until the state satisfies `until`; panics when that takes longer than `limit`.
pub(crate) async fn follow_for(
    limit: Duration,
    session: &mut Session,
    state: &mut BenchState,
    mut until: impl FnMut(&BenchState) -> bool,
) {
    let deadline = Instant::now() + limit;
    while !until(state) {
        let left = deadline.saturating_duration_since(Instant::now());
        let event = tokio::time::timeout(left, session.events.recv())
            .await
            .unwrap_or_else(|_| panic!("nothing happened in time"));
        let event = event.unwrap_or_else(|| panic!("the recorder has gone"));
        if let Event::Answer { refused: Some(why), .. } = &event {
            panic!("refused: {why}");
        }
        state.apply(&event);
    }
}
