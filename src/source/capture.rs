//! The capture file: raw bytes of a line with their times, both directions, readable by people.
//!
//! JSON Lines: a header, then one object for each chunk as it came. One character U+0000..U+00FF stands
//! for each byte, so that any byte survives and a person can read and compare files.
//!
//! ```text
//! {"capture":1,"title":"pH meter","line":{"baud":9600},"started":"2026-03-02T08:14:00Z"}
//! {"t":1.004,"in":"  6.87 pH\r\n"}
//! {"t":2.0,"out":"READ\r"}
//! {"t":3.5,"note":"/dev/ttyUSB0 hung up"}
//! ```
//!
//! A file without such a header is taken as plain bytes without times. Reading and writing go line by
//! line, in bounded memory.

use super::SourceError;
use crate::reading::{LineSettings, Stamp};
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io::{self, BufRead, BufReader, Cursor, Read, Write};
use std::path::Path;

/// The version that this program writes.
const VERSION: u32 = 1;
/// A longer line is refused: it would have to be held in memory whole.
const LONGEST_LINE: u64 = 4 * 1024 * 1024;
/// Bytes in one chunk of a file of plain bytes.
const PLAIN_CHUNK: usize = super::CHUNK_BYTES;
/// No capture goes on for longer than this (about thirty years): beyond it a time is a mistake.
const LONGEST_S: f64 = 1e9;

/// The first line of a capture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CaptureHeader {
    /// Version of the format.
    pub capture: u32,
    /// What was captured, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// Where the bytes came from, as people name it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub port: Option<String>,
    /// How the serial line was set.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<LineSettings>,
    /// When `t` was zero.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub started: Option<jiff::Timestamp>,
}

impl Default for CaptureHeader {
    fn default() -> Self {
        Self { capture: VERSION, title: None, port: None, line: None, started: None }
    }
}

impl CaptureHeader {
    /// The stamp of a moment of this capture; without a date where the header has none.
    #[must_use]
    pub fn stamp(&self, t_s: f64) -> Stamp {
        Stamp::from_seconds(t_s, self.started.map_or(0, jiff::Timestamp::as_microsecond))
    }
}

/// One line of a capture after its header.
#[derive(Debug, Clone, PartialEq)]
pub struct CaptureEntry {
    /// Seconds since the start; finite and not negative.
    pub t_s: f64,
    /// What happened.
    pub what: Captured,
}

/// What happened on a captured line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Captured {
    /// Bytes from the instrument.
    In(Vec<u8>),
    /// Bytes to the instrument.
    Out(Vec<u8>),
    /// Something that people should know: the port was gone, it came back.
    Note(String),
}

/// Writes a capture; each entry is handed to the system at once, so that a crash loses nothing.
#[derive(Debug)]
pub struct CaptureWriter<W: Write> {
    output: W,
}

impl<W: Write> CaptureWriter<W> {
    /// Begins a capture with its header.
    ///
    /// # Errors
    /// When the output cannot be written.
    pub fn new(output: W, header: &CaptureHeader) -> io::Result<Self> {
        let mut line = serde_json::to_vec(header)?;
        line.push(b'\n');
        let mut writer = Self { output };
        writer.put(&line)?;
        Ok(writer)
    }

    /// Writes one entry.
    ///
    /// # Errors
    /// When the output cannot be written.
    pub fn write(&mut self, t_s: f64, what: &Captured) -> io::Result<()> {
        let t_s = if t_s.is_finite() { t_s.clamp(0.0, LONGEST_S) } else { 0.0 };
        // Microseconds are finer than any arrival time; more digits would only be in the way.
        let mut line = format!("{{\"t\":{},", (t_s * 1e6).round() / 1e6);
        match what {
            Captured::In(bytes) => push_bytes(&mut line, "in", bytes),
            Captured::Out(bytes) => push_bytes(&mut line, "out", bytes),
            Captured::Note(text) => {
                line.push_str("\"note\":");
                line.push_str(&serde_json::to_string(text)?);
            }
        }
        line.push_str("}\n");
        self.put(line.as_bytes())
    }

    fn put(&mut self, line: &[u8]) -> io::Result<()> {
        self.output.write_all(line)?;
        self.output.flush()
    }

    /// Gives the output back.
    pub fn into_inner(self) -> W {
        self.output
    }
}

/// Appends a key and a string of one character a byte. Control characters are always escaped, those
/// above 127 too: a capture may be shown on a terminal.
fn push_bytes(line: &mut String, key: &str, bytes: &[u8]) {
    line.push('"');
    line.push_str(key);
    line.push_str("\":\"");
    for &byte in bytes {
        match byte {
            b'"' => line.push_str("\\\""),
            b'\\' => line.push_str("\\\\"),
            b'\n' => line.push_str("\\n"),
            b'\r' => line.push_str("\\r"),
            b'\t' => line.push_str("\\t"),
            // 0xad is a soft hyphen: it would not be seen
            0x00..=0x1f | 0x7f..=0x9f | 0xad => line.push_str(&format!("\\u{byte:04x}")),
            _ => line.push(char::from(byte)),
        }
    }
    line.push('"');
}

/// Reads a capture line by line; iterates over its entries, and ends after the first error.
#[derive(Debug)]
pub struct CaptureReader<R> {
    input: io::Chain<Cursor<Vec<u8>>, R>,
    name: String,
    /// `None` for plain bytes.
    header: Option<CaptureHeader>,
    line: u64,
    over: bool,
}

impl CaptureReader<BufReader<File>> {
    /// Opens a capture file.
    ///
    /// # Errors
    /// When the file cannot be read, or its header is not that of a capture.
    pub fn open(path: &Path) -> Result<Self, SourceError> {
        let failed = |source| SourceError::File { path: path.to_owned(), source };
        let file = File::open(path).map_err(failed)?;
        if file.metadata().map_err(failed)?.is_dir() {
            return Err(SourceError::NotAFile { path: path.to_owned() });
        }
        Self::new(BufReader::new(file), &path.display().to_string())
    }
}

impl<R: BufRead> CaptureReader<R> {
    /// Begins to read; `name` is what error texts call the input.
    ///
    /// # Errors
    /// When the input cannot be read, or its first line is a damaged header.
    pub fn new(mut input: R, name: &str) -> Result<Self, SourceError> {
        let mut first = Vec::new();
        (&mut input)
            .take(LONGEST_LINE)
            .read_until(b'\n', &mut first)
            .map_err(|source| SourceError::File { path: name.into(), source })?;
        let header = parse_header(&first, name)?;
        let rest = if header.is_some() { Vec::new() } else { first };
        Ok(Self {
            input: Cursor::new(rest).chain(input),
            name: name.to_owned(),
            line: u64::from(header.is_some()),
            header,
            over: false,
        })
    }

    /// The header; `None` for plain bytes.
    #[must_use]
    pub fn header(&self) -> Option<&CaptureHeader> {
        self.header.as_ref()
    }

    fn next_plain(&mut self) -> Result<Option<CaptureEntry>, SourceError> {
        let mut bytes = vec![0; PLAIN_CHUNK];
        let count = loop {
            match self.input.read(&mut bytes) {
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                read => break read.map_err(|source| self.unreadable(source))?,
            }
        };
        bytes.truncate(count);
        Ok((count > 0).then_some(CaptureEntry { t_s: 0.0, what: Captured::In(bytes) }))
    }

    fn next_line(&mut self) -> Result<Option<CaptureEntry>, SourceError> {
        loop {
            let mut line = Vec::new();
            let count = (&mut self.input).take(LONGEST_LINE).read_until(b'\n', &mut line);
            let count = count.map_err(|source| self.unreadable(source))?;
            if count == 0 {
                return Ok(None);
            }
            self.line += 1;
            let ended = line.ends_with(b"\n");
            if !ended && count as u64 == LONGEST_LINE {
                let what = format!("longer than {} MiB", LONGEST_LINE >> 20);
                return Err(self.mistake(what, "each line holds one chunk; break it up"));
            }
            if line.trim_ascii().is_empty() {
                continue;
            }
            return match parse_entry(&line) {
                Ok(entry) => Ok(Some(entry)),
                // The program that wrote was stopped in the middle of a line.
                Err(_) if !ended => {
                    let note = format!("the last line of {} is cut short and is left out", self.name);
                    self.over = true;
                    Ok(Some(CaptureEntry { t_s: 0.0, what: Captured::Note(note) }))
                }
                Err((what, mend)) => Err(self.mistake(what, mend)),
            };
        }
    }

    fn unreadable(&self, source: io::Error) -> SourceError {
        SourceError::File { path: self.name.as_str().into(), source }
    }

    fn mistake(&self, what: String, mend: &str) -> SourceError {
        SourceError::Capture { name: self.name.clone(), line: self.line, what, mend: mend.to_owned() }
    }
}

impl<R: BufRead> Iterator for CaptureReader<R> {
    type Item = Result<CaptureEntry, SourceError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.over {
            return None;
        }
        let next = if self.header.is_some() { self.next_line() } else { self.next_plain() };
        let next = next.transpose();
        self.over |= !matches!(next, Some(Ok(_)));
        next
    }
}

/// The header, or `None` where the first line is none: then the file is plain bytes.
fn parse_header(line: &[u8], name: &str) -> Result<Option<CaptureHeader>, SourceError> {
    let mistake = |what: String, mend: &str| SourceError::Capture {
        name: name.to_owned(),
        line: 1,
        what,
        mend: mend.to_owned(),
    };
    // Some editors put a byte order mark first.
    let line = line.strip_prefix(b"\xef\xbb\xbf").unwrap_or(line);
    if !line.starts_with(b"{") {
        return Ok(None);
    }
    if parse_entry(line).is_ok() {
        let mend = "put a first line {\"capture\":1} before it";
        return Err(mistake("a chunk stands where the header should be".to_owned(), mend));
    }
    let is_capture = line.windows(9).any(|part| part == b"\"capture\"");
    match serde_json::from_slice::<CaptureHeader>(line) {
        Ok(header) if header.capture == VERSION => Ok(Some(header)),
        Ok(header) => Err(mistake(
            format!("version {} of the capture format", header.capture),
            "this program reads version 1; a newer one is needed",
        )),
        Err(error) if is_capture => Err(mistake(
            format!("the header is damaged: {error}"),
            "it looks like {\"capture\":1,\"title\":\"...\",\"line\":{\"baud\":9600},\"started\":\"2026-03-02T08:14:00Z\"}",
        )),
        Err(_) => Ok(None),
    }
}

#[derive(Deserialize)]
struct EntryLine {
    t: f64,
    #[serde(rename = "in")]
    input: Option<String>,
    out: Option<String>,
    note: Option<String>,
}

fn parse_entry(line: &[u8]) -> Result<CaptureEntry, (String, &'static str)> {
    const LOOKS_LIKE: &str = "a line looks like {\"t\":1.004,\"in\":\"6.87 pH\\r\\n\"}";
    let entry: EntryLine = serde_json::from_slice(line).map_err(|error| (error.to_string(), LOOKS_LIKE))?;
    if !(0.0..=LONGEST_S).contains(&entry.t) {
        return Err((format!("the time t = {} is out of range", entry.t), "t counts seconds from the start"));
    }
    let what = match (entry.input, entry.out, entry.note) {
        (Some(text), None, None) => Captured::In(bytes_of(&text)?),
        (None, Some(text), None) => Captured::Out(bytes_of(&text)?),
        (None, None, Some(text)) => Captured::Note(text),
        _ => return Err(("it holds not exactly one of in, out, note".to_owned(), LOOKS_LIKE)),
    };
    Ok(CaptureEntry { t_s: entry.t, what })
}

fn bytes_of(text: &str) -> Result<Vec<u8>, (String, &'static str)> {
    text.chars()
        .map(|c| {
            u8::try_from(c).map_err(|_| {
                let what = format!("the character U+{:04X} stands for no byte", u32::from(c));
                (what, "write one character U+0000 to U+00FF for each byte that was on the line")
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn read(text: &[u8]) -> Result<Vec<CaptureEntry>, SourceError> {
        CaptureReader::new(text, "test.capture")?.collect()
    }

    fn error(text: &str) -> String {
        read(text.as_bytes()).unwrap_err().to_string()
    }

    #[test]
    fn what_is_written_can_be_read_by_a_person() {
        let started = "2026-03-02T09:14:00+01:00".parse().unwrap();
        let header = CaptureHeader {
            title: Some("pH meter".to_owned()),
            line: Some(LineSettings::default()),
            started: Some(started),
            ..CaptureHeader::default()
        };
        let mut writer = CaptureWriter::new(Vec::new(), &header).unwrap();
        let line = b"\x02 6,87 \"pH\" 24\xb0C \\\t\x7f\x9b2J\xad\r\n".to_vec();
        writer.write(1.004, &Captured::In(line)).unwrap();
        writer.write(2.0, &Captured::Out(b"READ\r".to_vec())).unwrap();
        writer.write(2.123_456_789, &Captured::Note("the port hung up".to_owned())).unwrap();
        let text = String::from_utf8(writer.into_inner()).unwrap();
        insta::assert_snapshot!(text, @r#"
        {"capture":1,"title":"pH meter","line":{"baud":9600,"data_bits":8,"parity":"none","stop_bits":1,"flow":"none","dtr":true,"rts":true},"started":"2026-03-02T08:14:00Z"}
        {"t":1.004,"in":"\u0002 6,87 \"pH\" 24°C \\\t\u007f\u009b2J\u00ad\r\n"}
        {"t":2,"out":"READ\r"}
        {"t":2.123457,"note":"the port hung up"}
        "#);
        let mut reader = CaptureReader::new(text.as_bytes(), "x").unwrap();
        assert_eq!(reader.header(), Some(&header));
        assert_eq!(header.stamp(0.5).utc_us, started.as_microsecond() + 500_000);
        assert!(reader.all(|entry| entry.is_ok()));
    }

    #[test]
    fn plain_bytes_are_taken_as_they_are() {
        for plain in [&b""[..], b"6.87 pH\r\n6.88 pH\r\n", b"\x00\xff{\n", b"{not json\n", b"{\"ph\":6.87}\n"]
        {
            let entries = read(plain).unwrap();
            let bytes: Vec<u8> = entries
                .iter()
                .flat_map(|entry| match &entry.what {
                    Captured::In(bytes) => bytes.clone(),
                    other => panic!("{other:?}"),
                })
                .collect();
            assert_eq!(bytes, plain);
        }
    }

    #[test]
    fn mistakes_are_named_with_file_line_and_how_to_mend() {
        let head = "{\"capture\":1}\n\n";
        for (body, says) in [
            (
                "{\"t\":1,\"in\":\"a\"}\n{\"t\":1,\"in\":\"\u{20ac}\"}\n",
                "test.capture:4: the character U+20AC",
            ),
            ("{\"t\":-1,\"in\":\"a\"}\n", "test.capture:3: the time t = -1 is out of range"),
            ("{\"t\":1e300,\"in\":\"a\"}\n", "out of range"),
            ("{\"t\":1}\n", "not exactly one of in, out, note"),
            ("{\"t\":1,\"in\":\"a\",\"out\":\"b\"}\n", "not exactly one of in, out, note"),
            ("{\"t\":1,\"in\":7}\n", "a line looks like"),
            ("rubbish\n{\"t\":1,\"in\":\"a\"}\n", "test.capture:3: expected value"),
        ] {
            let error = error(&format!("{head}{body}"));
            assert!(error.contains(says), "{error}");
        }
        assert!(error("{\"capture\":2}\n").contains("a newer one is needed"));
        assert!(error("{\"capture\":\"x\"}\n").contains("test.capture:1: the header is damaged"));
        assert!(error("{\"capture\":1,\"line\":{\"data_bits\":9}}\n").contains("5, 6, 7, 8, not 9"));
        assert!(
            error("{\"capture\":1,\"started\":\"2026-03-02T09:14:00\"}\n").contains("the header is damaged")
        );
        assert!(error("{\"t\":1,\"in\":\"a\"}\n").contains("put a first line"));
        let long = format!("{head}{{\"t\":1,\"in\":\"{}\"}}\n", "a".repeat(5 * 1024 * 1024));
        assert!(error(&long).contains("test.capture:3: longer than 4 MiB"));
    }

    #[test]
    fn a_capture_that_was_stopped_in_the_middle_of_a_line_is_read_up_to_there() {
        let whole = "\u{feff}{\"capture\":1}\n{\"t\":1,\"in\":\"abc\"}\n{\"t\":2,\"in\":\"de";
        let entries = read(whole.as_bytes()).unwrap();
        assert_eq!(entries[0].what, Captured::In(b"abc".to_vec()));
        assert!(matches!(&entries[1].what, Captured::Note(text) if text.contains("cut short")));
        assert_eq!(entries.len(), 2);
        let without_last_line_end = read(b"{\"capture\":1}\n{\"t\":1,\"in\":\"abc\"}").unwrap();
        assert_eq!(without_last_line_end.len(), 1);
    }

    fn any_captured() -> impl Strategy<Value = Captured> {
        let bytes = || proptest::collection::vec(any::<u8>(), 0..40);
        prop_oneof![
            bytes().prop_map(Captured::In),
            bytes().prop_map(Captured::Out),
            ".{0,20}".prop_map(Captured::Note)
        ]
    }

    proptest! {
        #[test]
        fn any_bytes_survive_a_round_trip(
            entries in proptest::collection::vec((0.0..1e6f64, any_captured()), 0..8)
        ) {
            let mut writer = CaptureWriter::new(Vec::new(), &CaptureHeader::default()).unwrap();
            for (t_s, what) in &entries {
                writer.write(*t_s, what).unwrap();
            }
            let text = writer.into_inner();
            prop_assert_eq!(text.iter().filter(|byte| **byte == b'\n').count(), entries.len() + 1);
            let back = read(&text).unwrap();
            prop_assert_eq!(back.len(), entries.len());
            for (entry, (t_s, what)) in back.iter().zip(&entries) {
                prop_assert_eq!(&entry.what, what);
                prop_assert!((entry.t_s - t_s).abs() <= 0.6e-6);
            }
        }

        #[test]
        fn any_input_is_read_or_refused_without_panic(
            head in prop_oneof![Just("{\"capture\":1}\n"), Just("")],
            body in proptest::collection::vec(any::<u8>(), 0..200)
        ) {
            let mut input = head.as_bytes().to_vec();
            input.extend(body);
            let _outcome = read(&input);
        }
    }
}
