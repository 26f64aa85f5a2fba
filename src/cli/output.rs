//! The one way to standard output.

use std::io::{self, ErrorKind, Write};

/// Standard output, buffered; a reader that went away is a normal end.
#[derive(Debug)]
pub struct Output {
    to: io::BufWriter<io::Stdout>,
    closed: bool,
}

impl Default for Output {
    fn default() -> Self {
        Self { to: io::BufWriter::new(io::stdout()), closed: false }
    }
}

impl Output {
    /// Writes one line. Nothing is written once the reader has gone.
    ///
    /// # Errors
    /// Any failure but a broken pipe, such as a full disk.
    pub fn line(&mut self, text: &str) -> io::Result<()> {
        self.pass(|to| writeln!(to, "{text}"))
    }

    /// Passes everything on.
    ///
    /// # Errors
    /// As `line`.
    pub fn flush(&mut self) -> io::Result<()> {
        self.pass(Write::flush)
    }

    /// Whether the reader has gone, so that work for it may stop.
    #[must_use]
    pub const fn is_closed(&self) -> bool {
        self.closed
    }

    fn pass(
        &mut self,
        write: impl FnOnce(&mut io::BufWriter<io::Stdout>) -> io::Result<()>,
    ) -> io::Result<()> {
        if self.closed {
            return Ok(());
        }
        match write(&mut self.to) {
            Err(e) if e.kind() == ErrorKind::BrokenPipe => {
                self.closed = true;
                Ok(())
            }
            other => other,
        }
    }
}

impl Write for Output {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.pass(|to| to.write_all(bytes))?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.pass(Write::flush)
    }
}

/// Writes a line to standard error; there is nobody left to tell if that fails.
pub(crate) fn complain(text: &str) {
    drop(writeln!(io::stderr(), "{text}"));
}

impl From<std::io::Error> for crate::cli::Fault {
    fn from(error: std::io::Error) -> Self {
        Self { text: format!("the output cannot be written: {error}"), exit: crate::cli::Exit::OwnFault }
    }
}
