//! 25 invented instruments, clean and damaged, with known truth (fixtures/wires): every sound reading is
//! found, and no wrong value gets in.
//!
//! DROPWISE_ANSWERS=FOLDER also writes the readings there, one file a capture.

mod support;

use dropwise::profile::Decoded;
use dropwise::reading::Validity;
use std::path::{Path, PathBuf};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/wires")
}

fn lines_of(frames: &[Decoded]) -> Vec<String> {
    let readings = frames.iter().flat_map(|frame| &frame.readings);
    readings
        .map(|r| {
            let mut line = serde_json::json!({
                "frame": r.frame, "t": r.at.seconds(), "quantity": r.quantity.name(), "value": r.value,
                "unit": r.unit.symbol(), "valid": r.validity == Validity::Valid,
            });
            if let Some(steady) = r.steady {
                line["steady"] = steady.into();
            }
            line.to_string()
        })
        .collect()
}

#[test]
fn write_answers() {
    let Ok(answers) = std::env::var("DROPWISE_ANSWERS") else { return };
    for entry in std::fs::read_dir(folder()).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let Some(name) = name.strip_suffix(".wire.jsonl") else { continue };
        let layout = name.strip_suffix("-damaged").unwrap_or(name);
        let profile = support::profile(&folder().join(format!("{layout}.toml")));
        let frames = support::decode(&profile, &support::capture(&path));
        if std::env::var("DROPWISE_FRAMES").is_ok_and(|wanted| wanted == name) {
            for frame in &frames {
                println!("{:4} {:?} {:?}", frame.frame.number, frame.frame.text, frame.frame.fate);
            }
        }
        let text = lines_of(&frames).join("\n") + "\n";
        std::fs::write(Path::new(&answers).join(format!("{name}.readings.jsonl")), text).unwrap();
    }
}
