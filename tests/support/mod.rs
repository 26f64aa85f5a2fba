//! What several behaviour tests share: captures read and run through a decoder.

use dropwise::profile::{Decoded, Decoder, Profile};
use dropwise::reading::Stamp;
use std::path::Path;
use std::sync::Arc;

/// One chunk of a capture: seconds, direction (true = from the instrument), bytes.
pub type Chunk = (f64, bool, Vec<u8>);

/// The chunks of a capture file.
pub fn capture(path: &Path) -> Vec<Chunk> {
    let text = std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let mut chunks = Vec::new();
    for line in text.lines().skip(1) {
        let chunk: serde_json::Value = serde_json::from_str(line).unwrap();
        let bytes = |key: &str| {
            let text = chunk.get(key)?.as_str()?;
            Some(text.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect::<Vec<u8>>())
        };
        let t = chunk["t"].as_f64().unwrap();
        match bytes("in") {
            Some(data) => chunks.push((t, true, data)),
            None => chunks.push((t, false, bytes("out").unwrap())),
        }
    }
    chunks
}

/// A profile of a file.
pub fn profile(path: &Path) -> Arc<Profile> {
    let text = std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let profile = Profile::parse(&path.display().to_string(), &text).unwrap_or_else(|mistakes| {
        panic!("{}", mistakes.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
    });
    Arc::new(profile)
}

/// Everything that a capture gives.
pub fn decode(profile: &Arc<Profile>, chunks: &[Chunk]) -> Vec<Decoded> {
    let mut decoder = Decoder::new(Arc::clone(profile));
    let mut out = Vec::new();
    for (t, from_instrument, bytes) in chunks {
        let at = Stamp::from_seconds(*t, 0);
        if *from_instrument {
            decoder.feed(at, bytes, &mut out);
        } else {
            decoder.sent(at, bytes);
        }
    }
    decoder.finish(&mut out);
    out
}
