//! The report of a series of six portions: gathering, evidence, PDF, HTML and text.
//!
//!     cargo bench --bench report -- [TIMES]
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a study that cannot go on stops here, and prints"
)]

use dropwise::report::{Evidence, Header, Paper, Subject, gather, html, pdf, text};
use dropwise::store::Reader;
use std::path::Path;
use std::process::Command;
use std::time::Instant;

/// Portions of the series.
const PORTIONS: u32 = 6;

fn titrate(home: &Path, what: &[&str], beaker: &str, more: &[&str]) {
    let port = format!("simulator@2000:11:{beaker}");
    let done = Command::new(env!("CARGO_BIN_EXE_dropwise"))
        .env("DROPWISE_HOME", home)
        .env_remove("DROPWISE_RECORD")
        .args(what)
        .args(["--plain", "--profile", "demo-bench", "--port", &port, "--series", "monday"])
        .args(more)
        .output()
        .unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
}

fn main() {
    let times = std::env::args().skip(1).find_map(|text| text.parse::<usize>().ok()).unwrap_or(15);
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    for n in 1..=PORTIONS {
        let (number, mass) = (n.to_string(), format!("1.6{n}21"));
        let more = [
            "--sample",
            "jar A",
            "--mass",
            &mass,
            "--portion",
            &number,
            "--value",
            "V_blank=0.25 mL +- 0.01",
        ];
        titrate(home, &["run", "vinegar-acidity"], &format!("vinegar-a={mass}/{n}"), &more);
    }
    let record = home.join("record.db");
    let mut all = Vec::new();
    let mut size = (0, 0, 0);
    for _ in 0..times {
        let started = Instant::now();
        let reader = Reader::open(&record).unwrap();
        let subject = Subject::Series("monday".to_owned());
        let gathered =
            gather(&reader, &subject, Header::default(), (1_790_000_000_000_000, "bench")).unwrap();
        let gathering = started.elapsed();
        let evidence = Evidence::of(&reader, &gathered).unwrap();
        let evident = started.elapsed();
        let file = pdf(&gathered.document, &evidence.attachments, Paper::A4).unwrap();
        let written = started.elapsed();
        let page = html(&gathered.document, &evidence.attachments).unwrap();
        let lines = text(&gathered.document);
        size = (file.len(), page.len(), lines.len());
        let ms = |d: std::time::Duration| 1e3 * d.as_secs_f64();
        all.push((
            ms(written),
            ms(gathering),
            ms(evident - gathering),
            ms(written - evident),
            ms(started.elapsed() - written),
        ));
    }
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    for (name, row) in [("fastest", all.first()), ("median", all.get(all.len() / 2)), ("slowest", all.last())]
    {
        let (pdf, gathering, evidence, writing, other) = row.unwrap();
        println!(
            "{name:>8}: PDF {pdf:.1} ms (gathering {gathering:.1}, evidence {evidence:.1}, writing {writing:.1}); HTML and text {other:.1} ms more"
        );
    }
    println!("{PORTIONS} portions; PDF {} bytes, HTML {} bytes, text {} bytes", size.0, size.1, size.2);
}
