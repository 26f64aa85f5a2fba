//! Colours of the screen: three sets that ship, and a theme file that changes them.
//!
//! No set tells anything by colour alone, and none sets red against green: yellow, cyan, blue and
//! magenta differ in brightness for every kind of colour vision.

use super::options::Notify;
use super::theme::Tone;
use crate::form::{Diagnostic, Form, Mistakes};
use ratatui::style::{Color, Modifier, Style};
use schemars::JsonSchema;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::sync::LazyLock;
use toml::Spanned;

/// Colour and attributes of one tone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Ink {
    ink: Color,
    paper: Color,
    modifier: Modifier,
}

/// How each tone looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Palette([Ink; Tone::COUNT]);

const fn ink(ink: Color, modifier: Modifier) -> Ink {
    Ink { ink, paper: Color::Reset, modifier }
}

const NONE: Modifier = Modifier::empty();
const BOLD: Modifier = Modifier::BOLD;
const ALERT: Modifier = Modifier::BOLD.union(Modifier::REVERSED);

impl Palette {
    /// For a dark terminal: its own colours.
    pub const DARK: Self = Self([
        ink(Color::Reset, NONE),
        ink(Color::Reset, Modifier::DIM),
        ink(Color::Reset, BOLD),
        ink(Color::Cyan, NONE),
        ink(Color::Magenta, BOLD),
        ink(Color::Cyan, NONE),
        ink(Color::Yellow, BOLD),
        ink(Color::Yellow, ALERT),
        ink(Color::Reset, Modifier::REVERSED),
        ink(Color::DarkGray, Modifier::DIM),
    ]);
    /// For a light terminal, on which yellow and cyan cannot be read.
    pub const LIGHT: Self = Self([
        ink(Color::Black, NONE),
        ink(Color::DarkGray, NONE),
        ink(Color::Black, BOLD),
        ink(Color::Blue, NONE),
        ink(Color::Magenta, BOLD),
        ink(Color::Blue, NONE),
        ink(Color::Indexed(94), BOLD),
        ink(Color::Indexed(94), ALERT),
        ink(Color::Black, Modifier::REVERSED),
        ink(Color::Gray, NONE),
    ]);
    /// For bright rooms and tired eyes: white on black, nothing dimmed.
    pub const HIGH_CONTRAST: Self = Self([
        on_black(Color::White, NONE),
        on_black(Color::White, NONE),
        on_black(Color::White, BOLD),
        on_black(Color::White, BOLD),
        on_black(Color::LightCyan, BOLD),
        on_black(Color::White, NONE),
        on_black(Color::LightYellow, BOLD),
        on_black(Color::LightYellow, ALERT),
        on_black(Color::White, ALERT),
        on_black(Color::Gray, NONE),
    ]);

    fn named(name: &str) -> Option<Self> {
        match name {
            "dark" => Some(Self::DARK),
            "light" => Some(Self::LIGHT),
            "high-contrast" => Some(Self::HIGH_CONTRAST),
            _ => None,
        }
    }

    /// The style of a tone; without colour its attributes alone.
    pub(super) fn style(&self, tone: Tone, colour: bool) -> Style {
        let Ink { ink, paper, modifier } = self.0[tone as usize];
        let mut style = Style::new().add_modifier(modifier);
        if colour && ink != Color::Reset {
            style = style.fg(ink);
        }
        if colour && paper != Color::Reset {
            style = style.bg(paper);
        }
        style
    }
}

const fn on_black(ink: Color, modifier: Modifier) -> Ink {
    Ink { ink, paper: Color::Black, modifier }
}

/// What a theme file says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Screening {
    /// The colours.
    pub palette: Palette,
    /// Whether alarms are told to the desktop, and how.
    pub notify: Notify,
    /// Whether the bell rings.
    pub bell: bool,
    /// Whether the mouse moves the cursor on the curve.
    pub mouse: bool,
}

impl Default for Screening {
    fn default() -> Self {
        Self { palette: Palette::DARK, notify: Notify::Never, bell: true, mouse: true }
    }
}

/// A theme file as written.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct ThemeForm {
    /// The set that is changed: dark, light or high-contrast.
    #[schemars(with = "Option<String>")]
    base: Option<Spanned<String>>,
    /// What a tone looks like, by its name.
    #[serde(default)]
    #[schemars(with = "BTreeMap<String, ToneForm>")]
    tone: BTreeMap<Spanned<String>, ToneForm>,
    /// How alarms are told.
    alarm: Option<AlarmForm>,
    /// Whether the mouse moves the cursor on the curve; without it the terminal selects text as usual.
    mouse: Option<bool>,
}

/// One tone.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct ToneForm {
    /// Colour of the characters.
    #[schemars(with = "Option<String>")]
    ink: Option<Spanned<String>>,
    /// Colour behind them.
    #[schemars(with = "Option<String>")]
    paper: Option<Spanned<String>>,
    bold: Option<bool>,
    dim: Option<bool>,
    reversed: Option<bool>,
    underlined: Option<bool>,
}

/// How alarms are told.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct AlarmForm {
    /// Whether the bell rings.
    bell: Option<bool>,
    /// The sequence by which the terminal tells the desktop: never, osc9 or osc777.
    #[schemars(with = "Option<String>")]
    desktop: Option<Spanned<String>>,
}

static SCHEMA: LazyLock<serde_json::Value> = LazyLock::new(|| schemars::schema_for!(ThemeForm).to_value());

fn form() -> Form {
    Form { noun: "theme", schema: &SCHEMA }
}

/// Reads a theme file.
///
/// # Errors
/// Every mistake of the file at once, with its place.
pub fn read_theme(file: &str, text: &str) -> Result<Screening, Vec<Diagnostic>> {
    let mut mistakes = Mistakes::new(file, text);
    let mut screening = Screening::default();
    let Some(theme) = form().read::<ThemeForm>(text, &[], &mut mistakes) else {
        return Err(mistakes.into_sorted());
    };
    let mut wrong = |what: &str, at: &Spanned<String>, remedy: String| {
        let message = format!("there is no {what} \"{}\"", at.get_ref());
        mistakes.error(form().code("unknown-word"), at.span(), message, Some(remedy));
    };
    if let Some(base) = &theme.base {
        match Palette::named(base.get_ref()) {
            Some(palette) => screening.palette = palette,
            None => wrong("set of colours", base, "write dark, light or high-contrast".to_owned()),
        }
    }
    for (name, tone) in &theme.tone {
        let Some(which) = Tone::ALL.into_iter().find(|tone| tone.name() == name.get_ref()) else {
            let names: Vec<_> = Tone::ALL.iter().map(|tone| tone.name()).collect();
            wrong("tone", name, format!("the tones are {}", names.join(", ")));
            continue;
        };
        let slot = &mut screening.palette.0[which as usize];
        for (given, place) in [(&tone.ink, &mut slot.ink), (&tone.paper, &mut slot.paper)] {
            match given.as_ref().map(|word| (word, colour(word.get_ref()))) {
                Some((_, Some(colour))) => *place = colour,
                Some((word, None)) => wrong(
                    "colour",
                    word,
                    "write one of black, red, green, yellow, blue, magenta, cyan, white, grey, bright-COLOUR, none, or #RRGGBB"
                        .to_owned(),
                ),
                None => {}
            }
        }
        let attributes = [
            (tone.bold, Modifier::BOLD),
            (tone.dim, Modifier::DIM),
            (tone.reversed, Modifier::REVERSED),
            (tone.underlined, Modifier::UNDERLINED),
        ];
        for (given, modifier) in attributes {
            if let Some(on) = given {
                slot.modifier.set(modifier, on);
            }
        }
    }
    if let Some(alarm) = &theme.alarm {
        screening.bell = alarm.bell.unwrap_or(true);
        match alarm.desktop.as_ref().map(|word| (word, word.get_ref().as_str())) {
            None | Some((_, "never")) => {}
            Some((_, "osc9")) => screening.notify = Notify::Osc9,
            Some((_, "osc777")) => screening.notify = Notify::Osc777,
            Some((word, _)) => wrong("way to the desktop", word, "write never, osc9 or osc777".to_owned()),
        }
    }
    screening.mouse = theme.mouse.unwrap_or(true);
    if mistakes.is_empty() { Ok(screening) } else { Err(mistakes.into_sorted()) }
}

fn colour(word: &str) -> Option<Color> {
    Some(match word {
        "none" => Color::Reset,
        "black" => Color::Black,
        "red" => Color::Red,
        "green" => Color::Green,
        "yellow" => Color::Yellow,
        "blue" => Color::Blue,
        "magenta" => Color::Magenta,
        "cyan" => Color::Cyan,
        "white" => Color::Gray,
        "grey" => Color::DarkGray,
        "bright-red" => Color::LightRed,
        "bright-green" => Color::LightGreen,
        "bright-yellow" => Color::LightYellow,
        "bright-blue" => Color::LightBlue,
        "bright-magenta" => Color::LightMagenta,
        "bright-cyan" => Color::LightCyan,
        "bright-white" => Color::White,
        _ => {
            let digits = word.strip_prefix('#').filter(|d| d.len() == 6 && d.is_ascii())?;
            let part = |at: usize| u8::from_str_radix(digits.get(at..at + 2)?, 16).ok();
            Color::Rgb(part(0)?, part(2)?, part(4)?)
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_theme_changes_what_it_names() {
        let text = "base = \"light\"\nmouse = false\n[alarm]\nbell = false\ndesktop = \"osc9\"\n[tone.warn]\nink = \"#112233\"\nbold = false\n";
        let theme = read_theme("theme.toml", text).unwrap();
        assert_eq!((theme.notify, theme.bell, theme.mouse), (Notify::Osc9, false, false));
        let style = theme.palette.style(Tone::Warn, true);
        assert_eq!((style.fg, style.add_modifier), (Some(Color::Rgb(0x11, 0x22, 0x33)), Modifier::empty()));
        assert_eq!(theme.palette.style(Tone::Curve, true), Palette::LIGHT.style(Tone::Curve, true));
        assert_eq!(theme.palette.style(Tone::Curve, false).fg, None);
        assert_eq!(read_theme("theme.toml", ""), Ok(Screening::default()));
    }

    #[test]
    fn mistakes_are_told_with_their_places() {
        let text = "base = \"neon\"\n[tone.warm]\nink = \"red\"\n[tone.warn]\nink = \"puce\"\nblink = true\n";
        let told = read_theme("theme.toml", text).unwrap_err();
        let lines: Vec<_> = told.iter().map(|d| d.line).collect();
        assert_eq!(lines, [1, 2, 5, 6], "{told:?}");
        assert!(read_theme("theme.toml", "[[[").is_err());
    }

    #[test]
    fn every_set_has_every_tone_and_no_alarm_by_colour_alone() {
        for palette in [Palette::DARK, Palette::LIGHT, Palette::HIGH_CONTRAST] {
            let attributes = |tone| palette.style(tone, false).add_modifier;
            assert_ne!(attributes(Tone::Alarm), attributes(Tone::Plain));
            assert_ne!(attributes(Tone::Chosen), attributes(Tone::Plain));
        }
    }
}
