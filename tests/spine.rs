//! The main job through the public binary: from a wire to a found end-point, kept on disk.

mod program;
mod words;

use program::dropwise;
use rusqlite::Connection;
use words::{stderr, stdout};

#[test]
fn the_demonstration_finds_its_end_point_without_a_terminal_and_keeps_everything() {
    let home = tempfile::tempdir().unwrap();
    let output = dropwise(home.path()).args(["demo", "--plain", "--speed", "200"]).output().unwrap();
    let text = stdout(&output);
    assert!(output.status.success(), "{}\n{text}", stderr(&output));
    assert!(text.contains("SIMULATED"), "{text}");
    assert!(text.contains("caution   Sodium hydroxide"), "{text}");
    let found = text.lines().find(|line| line.starts_with("end-point ")).unwrap();
    let volume_ml: f64 = found.split_whitespace().nth(1).unwrap().parse().unwrap();
    let record = home.path().join("demo/record.db");
    let connection = Connection::open(&record).unwrap();
    let count = |sql: &str| connection.query_row(sql, [], |row| row.get::<_, i64>(0)).unwrap();
    assert_eq!(count("SELECT count(*) FROM run JOIN run_end USING (run_id) WHERE origin = 'simulator'"), 1);
    assert!(count("SELECT count(*) FROM wire") > 50);
    assert!(count("SELECT count(*) FROM point") > 20);
    assert_eq!(count("SELECT count(*) FROM watch_change WHERE state = 'found'"), 1);
    let kept: f64 = connection.query_row("SELECT titrant FROM finding", [], |row| row.get(0)).unwrap();
    assert!((kept - volume_ml).abs() < 1e-3, "printed {volume_ml}, kept {kept}");
    let integrity: String = connection.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(integrity, "ok");

    let list = dropwise(home.path()).arg("--record").arg(&record).args(["list", "--json"]).output().unwrap();
    let row: serde_json::Value = serde_json::from_str(stdout(&list).trim()).unwrap();
    assert_eq!(row["origin"], "simulator");
    let show = dropwise(home.path()).arg("--record").arg(&record).args(["show", "1"]).output().unwrap();
    assert!(stdout(&show).contains("not the result of a sample"), "{}", stdout(&show));
}

/// The wire of the demonstration, played again as two portions of one sample, the second said to weigh a tenth less: it is
/// expected a tenth earlier than the first one ended.
#[test]
fn an_earlier_portion_lets_the_next_one_be_expected() {
    let home = tempfile::tempdir().unwrap();
    let run = dropwise(home.path()).args(["demo", "--plain", "--speed", "500"]).output().unwrap();
    assert!(run.status.success(), "{}", stderr(&run));
    let wire = home.path().join("wire.jsonl");
    let demo = home.path().join("demo/record.db");
    let mut show = dropwise(home.path());
    assert!(
        show.arg("--record").arg(&demo).args(["show", "1", "--wire"]).arg(&wire).status().unwrap().success()
    );
    let bench = home.path().join("bench.toml");
    let text = format!(
        "title = \"portions\"\nburette = 2.0\n[[instrument]]\nprofile = \"demo-bench\"\nport = \"capture:{}\"\n",
        wire.display()
    );
    std::fs::write(&bench, text).unwrap();
    for (sample, portion, mass) in
        [("vinegar 7", "1", "1.0"), ("vinegar 7", "2", "0.9"), ("another", "1", "0.9")]
    {
        let output = dropwise(home.path())
            .args([
                "run",
                "vinegar-acidity",
                "--plain",
                "--sample",
                sample,
                "--portion",
                portion,
                "--mass",
                mass,
            ])
            .arg("--bench")
            .arg(&bench)
            .output()
            .unwrap();
        assert!(output.status.success(), "{}\n{}", stdout(&output), stderr(&output));
    }
    let kept = Connection::open(home.path().join("record.db")).unwrap();
    let reasons = |run: i64| -> Vec<String> {
        let sql = "SELECT what FROM watch_change WHERE reckoning_id =
            (SELECT min(reckoning_id) FROM reckoning WHERE run_id = ?) ORDER BY n";
        let mut statement = kept.prepare(sql).unwrap();
        let rows = statement.query_map([run], |row| row.get::<_, String>(0)).unwrap();
        rows.map(Result::unwrap).collect()
    };
    let told = |run: i64| reasons(run).iter().any(|what| what.contains("to the expected end-point at 11.0"));
    assert!(told(2), "{:?}", reasons(2));
    assert!(!told(1), "nothing was known then: {:?}", reasons(1));
    assert_eq!(reasons(3), reasons(1), "another sample is not expected from this one");
}

#[test]
fn the_kept_wire_played_again_gives_the_same_curve() {
    let home = tempfile::tempdir().unwrap();
    let record = home.path().join("demo/record.db");
    let run =
        dropwise(home.path()).args(["demo", "--plain", "--speed", "500", "--seed", "7"]).output().unwrap();
    assert!(run.status.success(), "{}", stderr(&run));
    // The same profile over the stored wire gives the same points and the same end-point, beside the first.
    let reckoned =
        dropwise(home.path()).arg("--record").arg(&record).args(["reckon", "1", "--json"]).output().unwrap();
    assert!(reckoned.status.success(), "{}", stderr(&reckoned));
    let both: serde_json::Value = serde_json::from_str(stdout(&reckoned).trim()).unwrap();
    assert_eq!(both["points"], both["first"]["points"]);
    assert_eq!(both["end_points"], both["first"]["end_points"]);
    let kept = Connection::open(&record).unwrap();
    let count = |sql: &str| kept.query_row(sql, [], |row| row.get::<_, i64>(0)).unwrap();
    assert_eq!(count("SELECT count(*) FROM reckoning WHERE run_id = 1"), 2);
    drop(kept);
    let wire = home.path().join("wire.jsonl");
    let shown = dropwise(home.path())
        .arg("--record")
        .arg(&record)
        .args(["show", "1", "--wire"])
        .arg(&wire)
        .output()
        .unwrap();
    assert!(shown.status.success(), "{}", stderr(&shown));
    let again = dropwise(home.path())
        .arg("replay")
        .arg(&wire)
        .args(["--profile", "demo-bench", "--procedure", "vinegar-acidity"])
        .output()
        .unwrap();
    assert!(again.status.success(), "{}", stderr(&again));
    assert!(stdout(&again).contains("origin capture"), "{}", stdout(&again));
    let pick = |text: &str| -> Vec<String> {
        text.lines().filter(|l| l.starts_with("end-point")).map(str::to_owned).collect()
    };
    assert_eq!(pick(&stdout(&again)), pick(&stdout(&run)));
    let readings = dropwise(home.path())
        .arg("replay")
        .arg(&wire)
        .args(["--profile", "demo-bench", "--json"])
        .output()
        .unwrap();
    let first: serde_json::Value = serde_json::from_str(stdout(&readings).lines().next().unwrap()).unwrap();
    assert_eq!(first["quantity"], "volume");
    assert_eq!(first["unit"], "mL");
    assert_eq!(first["valid"], true);
}

#[test]
fn each_fault_says_what_where_and_how_to_mend_with_its_exit_code() {
    let home = tempfile::tempdir().unwrap();
    let wrong_unit = home.path().join("wrong.toml");
    std::fs::write(
        &wrong_unit,
        "title = \"x\"\nmeasures = [\"ph\"]\n[[line]]\nname = \"now\"\nlike = \"{ph:furlong}\"\n",
    )
    .unwrap();
    let blocked = home.path().join("blocked");
    std::fs::write(&blocked, "").unwrap();
    let wrong_unit = wrong_unit.to_str().unwrap();
    let blocked_record = blocked.join("record.db");
    let cases: &[(&[&str], i32, &[&str])] = &[
        (&["list"], 5, &["no record", "dropwise demo"]),
        (&["run", "--plain"], 2, &["--port PORT --profile PROFILE"]),
        (
            &["run", "--plain", "--port", "nonsense:", "--profile", "demo-bench"],
            2,
            &["nonsense:", "device path"],
        ),
        (&["run", "--plain", "--port", "stdin", "--profile", "no-such"], 3, &["no-such", "ph-stream-comma"]),
        (&["run", "--plain", "--port", "stdin", "--profile", wrong_unit], 3, &["wrong.toml", "furlong", "5"]),
        (
            &["run", "no-such", "--plain", "--port", "stdin", "--profile", "demo-bench"],
            3,
            &["no-such", "vinegar-acidity"],
        ),
        (
            &["run", "--plain", "--port", "/dev/no-such-port", "--profile", "demo-bench"],
            4,
            &["/dev/no-such-port"],
        ),
        (&["demo", "--plain", "--record", blocked_record.to_str().unwrap()], 5, &["blocked", "--home DIR"]),
        (&["demo"], 2, &["needs a terminal", "--plain"]),
        (&["replay", "/no/such/capture", "--profile", "demo-bench", "--json"], 2, &["/no/such/capture"]),
        (&["demo", "--plain", "--speed", "0"], 2, &["0.1 to 10000"]),
    ];
    for (args, code, words) in cases {
        let output = dropwise(home.path()).args(*args).output().unwrap();
        let text = stderr(&output);
        assert_eq!(output.status.code(), Some(*code), "{args:?}: {text}");
        for word in *words {
            assert!(text.contains(word), "{args:?} does not say {word}: {text}");
        }
        assert!(!text.contains("panicked"), "{args:?}: {text}");
    }
}

#[test]
fn an_unknown_run_is_told_with_the_way_to_the_known_ones() {
    let home = tempfile::tempdir().unwrap();
    let run = dropwise(home.path()).args(["demo", "--plain", "--speed", "2000"]).output().unwrap();
    assert!(run.status.success(), "{}", stderr(&run));
    let record = home.path().join("demo/record.db");
    let output = dropwise(home.path()).arg("--record").arg(record).args(["show", "99"]).output().unwrap();
    assert_eq!(output.status.code(), Some(5));
    assert!(stderr(&output).contains("no run 99") && stderr(&output).contains("dropwise list"));
}

#[test]
fn completions_and_the_manual_page_are_printed() {
    let home = tempfile::tempdir().unwrap();
    for shell in ["bash", "zsh", "fish"] {
        let output = dropwise(home.path()).args(["completions", shell]).output().unwrap();
        assert!(output.status.success() && stdout(&output).contains("dropwise"), "{shell}");
    }
    let page = dropwise(home.path()).arg("man").output().unwrap();
    assert!(stdout(&page).contains(".TH dropwise"), "{}", stdout(&page));
}
