//! The process group of the recorder is killed at any moment.

use super::{Chance, Recorder, complete_lines, open_and_run, rounds};
use dropwise::store::verify;
use dropwise::work::BenchState;
use std::time::Duration;

#[tokio::test(flavor = "multi_thread")]
async fn eight_instruments_record_at_once_and_no_kill_loses_a_line_that_was_called_saved() {
    let home = tempfile::tempdir().unwrap();
    let record = home.path().join("record.db");
    let mut chance = Chance(0x5851_f42d_4c95_7f2d);
    let (mut kept_before, mut called_saved_in_all, mut since) = (0, 0, None);
    let rounds = rounds("DROPWISE_KILLS", 5);
    for round in 1..=rounds {
        let mut recorder = Recorder::start(home.path(), &[]);
        let mut session = recorder.attach().await;
        for seed in 1..=8 {
            open_and_run(&session, seed, 60).await;
        }
        let mut state = BenchState::default();
        let mut called_saved = 0;
        // From before the first byte to well into the runs.
        let moment = Duration::from_millis(50 + chance.below(2_500));
        let deadline = tokio::time::Instant::now() + moment;
        while let Ok(Some(event)) = tokio::time::timeout_at(deadline, session.events.recv()).await {
            state.apply(&event);
            called_saved = called_saved.max(state.store.saved_lines);
        }
        recorder.kill();
        // Events that were on their way when it died count too: the screen would have shown them.
        while let Some(event) = session.events.recv().await {
            state.apply(&event);
            called_saved = called_saved.max(state.store.saved_lines);
        }
        let kept = complete_lines(&record);
        assert!(
            kept - kept_before >= called_saved,
            "round {round}: {} lines kept, {called_saved} were called saved",
            kept - kept_before
        );
        let report = verify(&record, since.as_ref(), &[], &|_, _| {}).unwrap();
        assert_eq!(report.faults, [], "round {round}, killed after {moment:?}");
        since = report.verified;
        kept_before = kept;
        called_saved_in_all += called_saved;
    }
    let whole = verify(&record, None, &[], &|_, _| {}).unwrap();
    assert_eq!(whole.faults, []);
    assert!(called_saved_in_all > 0, "nothing was ever called saved");
    println!(
        "{rounds} kills: {kept_before} lines kept, {called_saved_in_all} were called saved, none lost; {} rows verified",
        whole.rows
    );
}
