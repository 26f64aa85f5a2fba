//! Finding out how a line is set by listening: nothing is sent, settings are tried, and what comes is
//! judged by how much it looks like text.
//!
//! One trial for each baud rate with eight bits and no parity shows seven-bit lines too: a character of
//! seven bits and parity is as long as one of eight bits, so the parity bit arrives as the eighth and can
//! be recognised. Only lines of eight bits and parity need trials of their own.

use super::{Opening, Port, SourceError, SourceEvent, open};
use crate::reading::{DataBits, LineSettings, Parity};
use serde::Serialize;
use std::time::Duration;
use tokio::time::{Instant, timeout_at};
use tokio_util::sync::CancellationToken;

/// Rates that are tried, the most common first (common practice, no source).
pub const RATES: [u32; 10] = [9600, 19_200, 4800, 2400, 1200, 38_400, 57_600, 115_200, 600, 300];
/// A trial ends early after this many bytes: more would not change the judgement.
const ENOUGH_BYTES: usize = 400;
/// Fewer bytes than this prove nothing about parity.
const FEW_BYTES: usize = 12;
/// Share of bytes that must fit for parity to be recognised.
const PARITY_SHARE: f64 = 0.98;
/// Share of text above which a setting is convincing.
pub const CONVINCING: f64 = 0.9;
/// Characters of a sample.
const SAMPLE: usize = 60;

/// What one setting gave.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trial {
    /// The setting that fits what came best; parity may have been recognised in it.
    pub line: LineSettings,
    /// Bytes that came.
    pub bytes: usize,
    /// How much of it looks like text, 0 to 1; few bytes count less.
    pub text: f64,
    /// Complete lines that came.
    pub lines: usize,
    /// The beginning, with a dot for whatever is no plain character.
    pub sample: String,
}

/// Tries all settings on one port, each for `each` or until enough has come, and gives the trials with the
/// best one first. `tried` is called after each.
///
/// Opening a port raises its DTR and RTS wires; nothing else reaches the instrument.
///
/// # Errors
/// When the port cannot be opened.
pub async fn try_settings(
    port: &Port,
    each: Duration,
    cancel: &CancellationToken,
    mut tried: impl FnMut(&Trial),
) -> Result<Vec<Trial>, String> {
    let mut trials: Vec<Trial> = Vec::new();
    let mut one = async |trials: &mut Vec<Trial>, line| -> Result<(), String> {
        let bytes = listen_once(port, line, each, cancel).await?;
        let trial = judge(&bytes, line);
        tried(&trial);
        trials.push(trial);
        Ok(())
    };
    for baud in RATES {
        if !cancel.is_cancelled() {
            one(&mut trials, LineSettings { baud, ..LineSettings::default() }).await?;
        }
    }
    let heard = trials.iter().any(|trial| trial.bytes > 0);
    let convinced = trials.iter().any(|trial| trial.text >= CONVINCING);
    if heard && !convinced {
        for parity in [Parity::Even, Parity::Odd] {
            for baud in RATES {
                if !cancel.is_cancelled() {
                    one(&mut trials, LineSettings { baud, parity, ..LineSettings::default() }).await?;
                }
            }
        }
    }
    trials.sort_by(|a, b| b.text.total_cmp(&a.text).then(b.lines.cmp(&a.lines)));
    Ok(trials)
}

async fn listen_once(
    port: &Port,
    line: LineSettings,
    each: Duration,
    cancel: &CancellationToken,
) -> Result<Vec<u8>, String> {
    let token = cancel.child_token();
    let opening = Opening { line, must_exist: true, ..Opening::default() };
    let mut source = open(port.clone(), opening, token.clone());
    let end = Instant::now() + each;
    let mut heard = Vec::new();
    while heard.len() < ENOUGH_BYTES {
        match timeout_at(end, source.events.recv()).await {
            Ok(Some(SourceEvent::Bytes { bytes, .. })) => heard.extend(bytes),
            Ok(Some(SourceEvent::Failed { why, .. } | SourceEvent::Gone { why, .. })) => return Err(why),
            Ok(Some(_)) => {}
            Ok(None) | Err(_) => break,
        }
    }
    token.cancel();
    // The next trial needs the port: wait until it is closed.
    while source.events.recv().await.is_some() {}
    Ok(heard)
}

/// Judges what came with a setting.
#[must_use]
pub fn judge(bytes: &[u8], line: LineSettings) -> Trial {
    let seven_bits: Vec<u8> = bytes.iter().map(|byte| byte & 0x7f).collect();
    let as_it_is = share_of_text(bytes);
    let (line, text, shown) = match parity_in_eighth_bit(bytes) {
        Some(parity) if line.parity == Parity::None && share_of_text(&seven_bits) > as_it_is => {
            let line = LineSettings { data_bits: DataBits::Seven, parity, ..line };
            (line, share_of_text(&seven_bits), &seven_bits[..])
        }
        _ => (line, as_it_is, bytes),
    };
    let is_plain = |byte: &u8| *byte == b' ' || byte.is_ascii_graphic();
    Trial {
        line,
        bytes: bytes.len(),
        text,
        lines: count_lines(shown),
        sample: shown.iter().take(SAMPLE).map(|b| if is_plain(b) { char::from(*b) } else { '.' }).collect(),
    }
}

/// Share of bytes that instruments send as text, counted as if some that are none had come too, so that
/// two lucky bytes do not convince.
fn share_of_text(bytes: &[u8]) -> f64 {
    let is_text = |byte: &u8| match byte {
        b' '..=b'~' | b'\r' | b'\n' | b'\t' | 0x0c => true,
        // frame marks, acknowledgements and printer sequences
        0x02..=0x06 | 0x15 | 0x1b => true,
        // degree, plus-minus, superscript two and micro in Latin-1, degree in code page 437
        0xb0..=0xb2 | 0xb5 | 0xf8 => true,
        _ => false,
    };
    let text = bytes.iter().filter(|byte| is_text(byte)).count();
    text as f64 / (bytes.len() + 4) as f64
}

/// The parity that the eighth bit makes, if it is one and is not always off.
fn parity_in_eighth_bit(bytes: &[u8]) -> Option<Parity> {
    let high = bytes.iter().filter(|byte| **byte > 0x7f).count();
    if bytes.len() < FEW_BYTES || high == 0 {
        return None;
    }
    let even = bytes.iter().filter(|byte| byte.count_ones() % 2 == 0).count() as f64 / bytes.len() as f64;
    if even >= PARITY_SHARE {
        Some(Parity::Even)
    } else if even <= 1.0 - PARITY_SHARE {
        Some(Parity::Odd)
    } else {
        None
    }
}

fn count_lines(bytes: &[u8]) -> usize {
    let ends = |byte: u8| matches!(byte, b'\r' | b'\n');
    bytes.windows(2).filter(|pair| !ends(pair[0]) && ends(pair[1])).count()
}

/// The ports that may be listened to, as their names.
///
/// # Errors
/// When the system cannot list its ports.
pub fn candidates() -> Result<Vec<Port>, SourceError> {
    let ports = super::ports::list()?;
    Ok(ports.iter().filter_map(|port| port.name.parse().ok()).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    const LINE: &[u8] = b"  6.87 pH   12.4 mV   24.9 C  S\r\n  6.88 pH   12.3 mV   24.9 C  *\r\n";

    fn with_parity(bytes: &[u8], even: bool) -> Vec<u8> {
        bytes.iter().map(|b| if (b.count_ones() % 2 == 0) == even { *b } else { b | 0x80 }).collect()
    }

    /// What a receiver makes of a line at twice the rate of the sender: each bit is seen twice.
    fn at_twice_the_rate(bytes: &[u8]) -> Vec<u8> {
        let mut levels = Vec::new();
        for byte in bytes {
            let bits = (0..8).map(|bit| byte >> bit & 1 == 1);
            for level in [false].into_iter().chain(bits).chain([true]) {
                levels.extend([level, level]);
            }
        }
        levels.extend([true; 20]);
        let mut seen = Vec::new();
        let mut at = 0;
        while at + 10 < levels.len() {
            if levels[at] {
                at += 1;
                continue;
            }
            seen.push((0..8).map(|bit| u8::from(levels[at + 1 + bit]) << bit).sum());
            at += 10;
        }
        seen
    }

    #[test]
    fn plain_text_convinces_and_the_wrong_rate_does_not() {
        let right = judge(LINE, LineSettings::default());
        assert!(right.text > CONVINCING, "{right:?}");
        assert_eq!(right.lines, 2);
        assert!(right.sample.starts_with("  6.87 pH   12.4 mV"), "{}", right.sample);
        let wrong = judge(&at_twice_the_rate(LINE), LineSettings { baud: 19_200, ..LineSettings::default() });
        assert!(wrong.bytes > LINE.len() && wrong.text < 0.6, "{wrong:?}");
    }

    #[test]
    fn seven_bits_and_parity_are_recognised_in_eight() {
        for (even, parity) in [(true, Parity::Even), (false, Parity::Odd)] {
            let trial = judge(&with_parity(LINE, even), LineSettings::default());
            assert_eq!((trial.line.data_bits, trial.line.parity), (DataBits::Seven, parity));
            assert!(trial.text > CONVINCING, "{trial:?}");
            assert!(trial.sample.starts_with("  6.87 pH"), "{}", trial.sample);
        }
        let latin = b"  6.87 pH   24.9 \xb0C\r\n  6.88 pH   24.9 \xb0C\r\n";
        let trial = judge(latin, LineSettings::default());
        assert_eq!(trial.line, LineSettings::default());
    }

    #[test]
    fn silence_and_a_few_lucky_bytes_do_not_convince() {
        assert!(judge(b"", LineSettings::default()).text < 0.1);
        assert!(judge(b"ok", LineSettings::default()).text < 0.5);
        assert!(judge(&[0xff; 40], LineSettings::default()).text < 0.1);
    }
}
