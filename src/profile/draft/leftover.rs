//! What a drafted profile does not understand of its own capture, so that nobody has to find out by surprise.

use super::Heard;
use super::write::shown;
use crate::profile::{Decoded, Decoder, Profile};
use crate::reading::{FrameFate, Stamp};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Texts that are shown.
const SHOWN: usize = 3;
/// Different texts that are counted.
const KEPT: usize = 200;

/// The frames that fit nothing, as a comment; empty where there are none.
pub(super) fn note(heard: &Heard, profile: &Arc<Profile>, most_bytes: usize) -> String {
    let mut decoder = Decoder::new(Arc::clone(profile));
    let (mut frames, mut left): (Vec<Decoded>, usize) = (Vec::new(), most_bytes);
    let (mut all, mut texts): (usize, BTreeMap<String, usize>) = (0, BTreeMap::new());
    let mut count = |frames: &mut Vec<Decoded>| {
        for frame in frames.drain(..).filter(|frame| frame.frame.fate == FrameFate::NotUnderstood) {
            all += 1;
            if texts.len() < KEPT || texts.contains_key(&frame.frame.text) {
                *texts.entry(frame.frame.text).or_default() += 1;
            }
        }
    };
    for chunk in &heard.chunks {
        let at = Stamp::from_seconds(chunk.at_s, 0);
        if chunk.sent {
            decoder.sent(at, &chunk.bytes);
            continue;
        }
        let bytes = &chunk.bytes[..chunk.bytes.len().min(left)];
        left -= bytes.len();
        decoder.feed(at, bytes, &mut frames);
        count(&mut frames);
    }
    decoder.finish(&mut frames);
    count(&mut frames);
    if all == 0 {
        return String::new();
    }
    let mut texts: Vec<(String, usize)> = texts.into_iter().collect();
    texts.sort_by_key(|(_, times)| std::cmp::Reverse(*times));
    let mut note = format!("\n# {all} frames fit nothing above; where one matters, give it a [[line]]:\n");
    for (text, times) in texts.iter().take(SHOWN) {
        note.push_str(&format!("#   {times} x {}\n", shown(text)));
    }
    note
}
