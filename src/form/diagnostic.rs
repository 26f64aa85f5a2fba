//! A mistake in a written file, with its place and what would be right.

use std::borrow::Cow;
use std::fmt;
use std::ops::Range;

/// How bad it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Severity {
    /// The file cannot be used.
    Error,
    /// It can be used, but hardly means this.
    Warning,
}

/// One mistake.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Diagnostic {
    /// Stable word for programs, such as `profile.unknown-key`.
    pub code: Cow<'static, str>,
    /// How bad it is.
    pub severity: Severity,
    /// The file as the caller named it.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// The whole source line.
    pub source_line: String,
    /// Length of the marked part in characters, at least 1.
    pub marked: usize,
    /// What is wrong.
    pub message: String,
    /// What would be right.
    pub remedy: Option<String>,
}

impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = match self.severity {
            Severity::Error => "error",
            Severity::Warning => "warning",
        };
        writeln!(f, "{word}: {} [{}]", self.message, self.code)?;
        let number = self.line.to_string();
        let gutter = " ".repeat(number.len());
        writeln!(f, "{gutter}--> {}:{}:{}", self.file, self.line, self.column)?;
        // Tabs would shift the marker, other control characters would reach the terminal.
        let shown: String = self.source_line.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
        writeln!(f, "{number} | {shown}")?;
        write!(f, "{gutter} | {}{}", " ".repeat(self.column - 1), "^".repeat(self.marked))?;
        if let Some(remedy) = &self.remedy {
            write!(f, "\n{gutter} = {remedy}")?;
        }
        Ok(())
    }
}

/// The text of one file, and the mistakes found in it so far.
pub(crate) struct Mistakes<'a> {
    file: &'a str,
    text: &'a str,
    found: Vec<Diagnostic>,
}

impl<'a> Mistakes<'a> {
    pub(crate) const fn new(file: &'a str, text: &'a str) -> Self {
        Self { file, text, found: Vec::new() }
    }

    /// Adds an error at a span of the text.
    pub(crate) fn error(
        &mut self,
        code: impl Into<Cow<'static, str>>,
        span: Range<usize>,
        message: String,
        remedy: Option<String>,
    ) {
        let diagnostic = self.located(Severity::Error, code, span, message, remedy);
        if !self.found.contains(&diagnostic) {
            self.found.push(diagnostic);
        }
    }

    /// A diagnostic at a span of the text.
    pub(crate) fn located(
        &self,
        severity: Severity,
        code: impl Into<Cow<'static, str>>,
        span: Range<usize>,
        message: String,
        remedy: Option<String>,
    ) -> Diagnostic {
        let text = self.text;
        let start = floor_char(text, span.start);
        let end = floor_char(text, span.end.max(start));
        let line_start = text[..start].rfind('\n').map_or(0, |at| at + 1);
        let line_end = text[start..].find('\n').map_or(text.len(), |at| start + at);
        let source_line = text[line_start..line_end].trim_end_matches('\r').to_owned();
        let marked = text[start..end.min(line_end)].chars().count().max(1);
        Diagnostic {
            code: code.into(),
            severity,
            file: self.file.to_owned(),
            line: text[..start].bytes().filter(|byte| *byte == b'\n').count() + 1,
            column: text[line_start..start].chars().count() + 1,
            source_line,
            marked,
            message,
            remedy,
        }
    }

    /// The place of character `offset` (bytes into the value) of a TOML string whose whole token is `span`.
    pub(crate) fn within(
        &self,
        span: &Range<usize>,
        value: &str,
        offset: usize,
        length: usize,
    ) -> Range<usize> {
        let token = self.text.get(span.clone()).unwrap_or_default();
        match token.find(value) {
            Some(at) if !value.is_empty() => {
                let start = span.start + at + offset.min(value.len());
                start..start + length
            }
            _ => span.clone(),
        }
    }

    pub(crate) const fn is_empty(&self) -> bool {
        self.found.is_empty()
    }

    /// The mistakes in the order of the file.
    pub(crate) fn into_sorted(self) -> Vec<Diagnostic> {
        let mut found = self.found;
        found.sort_by_key(|d| (d.line, d.column));
        found
    }
}

fn floor_char(text: &str, at: usize) -> usize {
    text.floor_char_boundary(at.min(text.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_marker_counts_characters_not_bytes() {
        let text = "title = \"µ\"\nbaud = 1";
        let at = text.find("µ").unwrap();
        let d = Mistakes::new("f", text).located(Severity::Error, "c", at..at + 2, "m".into(), None);
        assert_eq!((d.line, d.column, d.marked), (1, 10, 1));
    }
}
