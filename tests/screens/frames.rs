//! Rendered frames: pictures of every moment, and what must hold in every one of them.

use super::files::FILES;
use super::pages::PAGES;
use super::scenario::{Bench, FULL, MOMENTS, Moment, running};
use dropwise::dashboard::{Palette, Theme, view};
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::buffer::Buffer;
use ratatui::style::Color;

const ASCII: Theme = Theme { colour: false, ascii: true, palette: Palette::DARK };
const GREY: Theme = Theme { colour: false, ascii: false, palette: Palette::DARK };

fn draw(bench: &Bench, columns: u16, rows: u16) -> Buffer {
    let mut terminal = Terminal::new(TestBackend::new(columns, rows)).unwrap();
    terminal.draw(|frame| view::draw(&bench.state, frame)).unwrap();
    terminal.backend().buffer().clone()
}

fn text(buffer: &Buffer) -> String {
    let mut out = String::new();
    for row in buffer.content.chunks(usize::from(buffer.area.width)) {
        let line: String = row.iter().map(|cell| cell.symbol()).collect();
        out.push_str(line.trim_end());
        out.push('\n');
    }
    out
}

/// Where colours and attributes stand: one letter for each cell.
fn tones(buffer: &Buffer) -> String {
    let mut out = String::new();
    for row in buffer.content.chunks(usize::from(buffer.area.width)) {
        let line: String = row
            .iter()
            .map(|cell| match (cell.fg, cell.modifier.bits()) {
                (Color::Reset, 0) => '.',
                (Color::Reset, _) => 'm',
                (Color::Cyan, _) => 'c',
                (Color::Magenta, _) => 'g',
                (Color::Yellow, bits) if bits & 0x40 != 0 => 'Y',
                (Color::Yellow, _) => 'y',
                _ => '?',
            })
            .collect();
        out.push_str(line.trim_end_matches('.'));
        out.push('\n');
    }
    out
}

/// Every moment.
pub(crate) fn all() -> impl Iterator<Item = &'static (&'static str, Moment)> {
    MOMENTS.iter().chain(PAGES).chain(FILES)
}

/// What is shown at this size.
pub(crate) fn shown(bench: &Bench, columns: u16, rows: u16) -> String {
    text(&draw(bench, columns, rows))
}

fn slug(name: &str) -> String {
    name.replace(' ', "_")
}

#[test]
fn every_moment_at_80_by_24() {
    for (name, moment) in all() {
        insta::assert_snapshot!(slug(name), text(&draw(&moment(FULL), 80, 24)));
    }
}

#[test]
fn every_moment_in_ascii() {
    for (name, moment) in all() {
        let shown = text(&draw(&moment(ASCII), 80, 24));
        assert!(shown.is_ascii(), "{name}:\n{shown}");
        insta::assert_snapshot!(format!("ascii_{}", slug(name)), shown);
    }
}

#[test]
fn larger_windows() {
    for (name, moment) in all() {
        if matches!(
            *name,
            "no run"
                | "closing"
                | "ended"
                | "ended with result"
                | "eight lanes"
                | "covered"
                | "keyed"
                | "help"
                | "wire"
                | "three benches"
                | "stored runs"
                | "electrode verdict"
                | "titrants"
                | "series"
                | "run looked through"
                | "form with checklist"
                | "cautions"
                | "practice bench"
                | "series of practice"
                | "a file of a run"
                | "a file of a chart"
        ) {
            insta::assert_snapshot!(format!("{}_100x30", slug(name)), text(&draw(&moment(FULL), 100, 30)));
        }
        if matches!(*name, "closing" | "keyed entry") {
            insta::assert_snapshot!(format!("{}_60x16", slug(name)), text(&draw(&moment(FULL), 60, 16)));
        }
        if matches!(
            *name,
            "closing"
                | "ended"
                | "eight lanes"
                | "series"
                | "curves laid over each other"
                | "a file of a run"
                | "cautions"
                | "practice bench"
                | "series of practice"
        ) {
            insta::assert_snapshot!(format!("{}_160x50", slug(name)), text(&draw(&moment(FULL), 160, 50)));
        }
    }
}

#[test]
fn tones_of_the_moments_that_warn() {
    for (name, moment) in all() {
        if matches!(*name, "far" | "closing" | "found" | "record in trouble" | "wire") {
            insta::assert_snapshot!(format!("tones_{}", slug(name)), tones(&draw(&moment(FULL), 80, 24)));
        }
    }
}

#[test]
fn hopelessly_small_windows_say_a_sentence() {
    for (name, moment) in all() {
        if matches!(*name, "closing" | "record in trouble" | "simulated") {
            insta::assert_snapshot!(format!("small_{}", slug(name)), text(&draw(&moment(FULL), 40, 8)));
        }
    }
}

#[test]
fn no_window_is_too_odd() {
    for (name, moment) in all() {
        for theme in [FULL, ASCII] {
            let bench = moment(theme);
            for columns in [1, 2, 7, 19, 59, 60, 61, 79, 80, 119, 120, 300] {
                for rows in [1, 2, 5, 15, 16, 17, 23, 33, 34, 120] {
                    let buffer = draw(&bench, columns, rows);
                    assert_eq!(buffer.area.width, columns, "{name}");
                }
            }
        }
    }
}

#[test]
fn colour_is_never_the_only_sign() {
    for (name, moment) in all() {
        for (columns, rows) in [(80, 24), (100, 30), (160, 50), (20, 5)] {
            let (with, without) = (draw(&moment(FULL), columns, rows), draw(&moment(GREY), columns, rows));
            assert_eq!(text(&with), text(&without), "{name}");
            assert!(without.content.iter().all(|c| c.fg == Color::Reset && c.bg == Color::Reset), "{name}");
        }
    }
}

#[test]
fn no_frame_holds_what_moves_a_terminal() {
    for (name, moment) in all() {
        for theme in [FULL, ASCII] {
            for (columns, rows) in [(80, 24), (160, 50)] {
                for cell in &draw(&moment(theme), columns, rows).content {
                    let odd = |c: char| {
                        c.is_control()
                            || matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{206f}')
                    };
                    let harmless = !cell.symbol().chars().any(odd);
                    assert!(harmless, "{name}: {:?}", cell.symbol());
                }
            }
        }
    }
}

#[test]
fn simulated_stands_on_every_page_and_in_every_window() {
    use ratatui::crossterm::event::KeyCode;
    let simulated = MOMENTS.iter().find(|(name, _)| *name == "simulated").unwrap().1;
    for (columns, rows) in [(80, 24), (100, 30), (160, 50), (60, 16), (40, 8), (14, 4)] {
        let mut bench = simulated(FULL);
        for key in [KeyCode::F(2), KeyCode::F(3), KeyCode::F(4), KeyCode::F(5), KeyCode::F(1)] {
            bench.press(key);
            let shown = text(&draw(&bench, columns, rows));
            assert!(shown.contains("SIMULATED"), "{columns}x{rows}:\n{shown}");
        }
    }
}

#[test]
fn the_keys_that_matter_are_in_sight() {
    let shown = text(&draw(&running(FULL, 6.0), 80, 24));
    assert!(shown.contains("F8 F8 end run") && shown.contains("? all keys"), "{shown}");
    for (name, moment) in all() {
        let shown = text(&draw(&moment(FULL), 80, 24));
        let last = shown.lines().nth(23).unwrap_or_default();
        let way_out = ["all keys", "Esc back", "Ctrl-C close"];
        assert!(way_out.iter().any(|words| last.contains(words)), "{name}: {last}");
    }
}

/// The budget of a slow line: under 600 bytes a second at 80x24 with one point a second.
#[test]
fn a_point_a_second_costs_little_to_draw() {
    use ratatui::backend::CrosstermBackend;
    use ratatui::layout::Rect;
    use ratatui::{TerminalOptions, Viewport};
    use std::sync::{Arc, Mutex};

    #[derive(Clone, Default)]
    struct Count(Arc<Mutex<usize>>);
    impl std::io::Write for Count {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            *self.0.lock().unwrap() += bytes.len();
            Ok(bytes.len())
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }
    let count = Count::default();
    let area = Rect::new(0, 0, 80, 24);
    let mut terminal = Terminal::with_options(
        CrosstermBackend::new(count.clone()),
        TerminalOptions { viewport: Viewport::Fixed(area) },
    )
    .unwrap();
    let mut bench = running(FULL, 0.2);
    let mut frame = |bench: &Bench| {
        terminal.draw(|frame| view::draw(&bench.state, frame)).unwrap();
    };
    frame(&bench);
    let first = std::mem::take(&mut *count.0.lock().unwrap());
    let mut most = 0;
    for second in 1_u32..=120 {
        let volume = 0.2 + f64::from(second) * 0.1;
        bench.line(u64::from(second), volume, super::scenario::ph(volume));
        bench.lane(dropwise::work::LaneEvent::Point {
            point: dropwise::reading::Point {
                titrant: volume,
                signal: super::scenario::ph(volume),
                temperature_c: None,
                t_s: None,
            },
        });
        bench.wait(1_000);
        let before = *count.0.lock().unwrap();
        frame(&bench);
        most = most.max(*count.0.lock().unwrap() - before);
    }
    let mean = *count.0.lock().unwrap() / 120;
    println!("first frame {first} bytes, then {mean} a second, at most {most}");
    assert!(mean < 600, "{mean} bytes a second");
}

/// The companion page of pictures; `INSTA_UPDATE=always` writes it anew.
#[test]
fn the_page_of_pictures_is_true() {
    const PICTURES: [(&str, &str); 22] = [
        ("closing", "A run, 0.6 mL before its end-point."),
        ("ended", "A run that has ended."),
        ("form with checklist", "The next portion: what is missing, and what the checklist says."),
        ("electrode check", "A check of an electrode: the second buffer."),
        ("electrode verdict", "The check with its verdict, and the checks before."),
        ("titrants", "Lots of titrant, the standardisation that goes on, factors so far."),
        ("series", "A series: portions side by side, by sample."),
        ("run looked through", "A stored run: curve, evaluations side by side, signatures."),
        (
            "a file of a run",
            "A report, a picture or tables of what is shown, to a file that is never replaced.",
        ),
        ("evaluate again", "Another evaluation of a stored run, with another look."),
        ("steps", "Steps of preparation and care: ticked, skipped, still open."),
        ("equipment as it is typed", "A piece of equipment as it is typed: what is wrong is said at once."),
        ("control chart", "A control chart; X asks for a look, @ is the point whose figures stand below."),
        ("trend", "A trend of what the fits found."),
        ("decisions", "The ledger since the last review."),
        ("curves laid over each other", "Stored runs with two curves over each other."),
        ("three benches", "The benches."),
        ("wire", "The wire."),
        ("cautions", "Cautions, read once for each series."),
        ("practice bench", "The practice bench: a day without an instrument."),
        ("guide places", "The guide from an empty home to a bench: where the instrument hangs."),
        ("guide question", "The guide: a question about what came in."),
    ];
    let mut page = String::from(
        "# The screens\n\nPictures at 80 x 24, drawn from a made-up morning by `tests/screens`; a test keeps them true.\n\
         How to move: every page shows its keys in the last line, `?` tells what the page is for and all keys, Esc goes back.\n",
    );
    for (name, words) in PICTURES {
        let moment = all().find(|(known, _)| *known == name).unwrap().1;
        page += &format!("\n{words}\n\n```text\n{}```\n", shown(&moment(FULL), 80, 24));
    }
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    kept_true(&root.join("src/dashboard/README.md"), &page);
    // The first picture that anybody sees.
    let closing = all().find(|(known, _)| *known == "closing").unwrap().1;
    let readme = std::fs::read_to_string(root.join("README.md")).unwrap();
    let (before, rest) = readme.split_once("```text\n").unwrap();
    let (_, after) = rest.split_once("```\n").unwrap();
    let picture = shown(&closing(FULL), 80, 24);
    kept_true(&root.join("README.md"), &format!("{before}```text\n{picture}```\n{after}"));
}

fn kept_true(path: &std::path::Path, page: &str) {
    if std::env::var("INSTA_UPDATE").is_ok_and(|v| v == "always") {
        std::fs::write(path, page).unwrap();
    }
    let there = std::fs::read_to_string(path).unwrap_or_default();
    assert_eq!(there, page, "INSTA_UPDATE=always writes it anew");
}
