//! The terminal as it was, put back whatever happens.

use crossterm::event::{DisableBracketedPaste, EnableBracketedPaste};
use crossterm::terminal::{EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode};
use std::io::{self, Write};
use std::sync::Arc;

/// Presses, drags and the wheel of the mouse, but not its every move.
const MOUSE_ON: &[u8] = b"\x1b[?1002h\x1b[?1006h";
const MOUSE_OFF: &[u8] = b"\x1b[?1006l\x1b[?1002l";
/// Puts the terminal back as it was, whatever happens.
pub(super) struct Guard {
    entered: bool,
    hook_before: Hook,
}

type Hook = Arc<dyn Fn(&std::panic::PanicHookInfo<'_>) + Send + Sync>;

impl Guard {
    /// Takes the terminal over.
    pub(super) fn enter(mouse: bool) -> io::Result<Self> {
        enable_raw_mode()?;
        let before: Hook = Arc::from(std::panic::take_hook());
        let guard = Self { entered: true, hook_before: Arc::clone(&before) };
        std::panic::set_hook(Box::new(move |panic| {
            restore();
            before(panic);
        }));
        crossterm::execute!(io::stdout(), EnterAlternateScreen, EnableBracketedPaste)?;
        if mouse {
            let mut out = io::stdout();
            out.write_all(MOUSE_ON)?;
            out.flush()?;
        }
        Ok(guard)
    }

    /// The terminal is gone or takes nothing any more: nothing is written to it, which would wait for ever.
    pub(super) fn abandon(&mut self) {
        self.entered = false;
        drop(disable_raw_mode());
    }
}

impl Drop for Guard {
    fn drop(&mut self) {
        if self.entered {
            restore();
        }
        // A hook cannot be changed while the thread panics, nor need it be.
        if !std::thread::panicking() {
            let before = Arc::clone(&self.hook_before);
            std::panic::set_hook(Box::new(move |panic| before(panic)));
        }
    }
}

/// Best effort: there is nobody to tell when it fails.
fn restore() {
    let written = crossterm::execute!(
        io::stdout(),
        DisableBracketedPaste,
        LeaveAlternateScreen,
        crossterm::cursor::Show
    );
    let mouse = io::stdout().write_all(MOUSE_OFF);
    let raw = disable_raw_mode();
    drop((mouse, written, raw));
}
