//! Which bench a command means, with all its texts.

use super::output::complain;
use super::{Exit, Fault, Settings};
use crate::profile::{Profile, shipped_names};
use crate::source::Port;
use crate::store::Reader;
use crate::work::{Bench, BenchPlan, Instrument, LinePlan, Procedure, VolumeFrom};
use clap::Args;
use std::io::IsTerminal;

/// Names the bench, or the one port and profile that stand for one.
#[derive(Debug, Clone, Default, Args)]
pub struct BenchArgs {
    /// A bench file, or its name in the folder benches/ of the configuration
    #[arg(long, value_name = "BENCH", conflicts_with_all = ["port", "profile", "volume"])]
    pub bench: Option<String>,
    /// No instrument: burette readings and what was seen are keyed
    #[arg(long, conflicts_with_all = ["bench", "port", "profile", "volume"])]
    pub by_hand: bool,
    /// The port: a device path, tcp:HOST:PORT, file:PATH, stdin, capture:PATH
    #[arg(long, value_name = "PORT")]
    pub port: Option<String>,
    /// The profile of the instrument: a name that ships, or a profile file
    #[arg(long, value_name = "PROFILE")]
    pub profile: Option<String>,
    /// Where the amount of titrant comes from: line, keyed, keyed=STEP_ML, rate=ML_PER_MIN, mass
    #[arg(long, value_name = "FROM", default_value = "line", value_parser = volume_from)]
    pub volume: VolumeFrom,
    /// I have seen what the profile sends to the instrument (it is shown first), and want it
    #[arg(long)]
    pub confirm_sending: bool,
}

/// A bench that may be opened.
#[derive(Debug, Clone)]
pub struct ReadyBench {
    /// The bench with its texts.
    pub plan: BenchPlan,
    /// A person has just confirmed what its profiles send.
    pub confirms_sending: bool,
}

/// Shows what the profiles of a bench would send, and asks, unless that was confirmed before.
///
/// Gives whether a person confirms it now.
fn confirm_sending(plan: &BenchPlan, by_option: bool, settings: &Settings) -> Result<bool, Fault> {
    let record = Reader::open(&settings.record).ok();
    let mut lines = Vec::new();
    // A capture takes nothing, so nothing is sent to it.
    for line in plan.lines.iter().filter(|line| !line.port.starts_with("capture")) {
        let profile = parsed(&line.profile_name, &line.profile_text)?;
        let known = record
            .as_ref()
            .is_some_and(|r| r.is_confirmed(&line.profile_text, &plan.bench.title).unwrap_or_default());
        if !known {
            let sends = profile.sends();
            lines.extend(
                sends.iter().map(|(occasion, bytes)| format!("  {occasion}: {}", bytes.escape_ascii())),
            );
        }
    }
    if lines.is_empty() {
        return Ok(false);
    }
    complain(&format!("dropwise sends this to the instruments of the bench \"{}\":", plan.bench.title));
    complain(&lines.join("\n"));
    if by_option {
        return Ok(true);
    }
    if std::io::stdin().is_terminal() {
        complain("Requests must only read. Send them from now on? Type yes and Enter:");
        let mut answer = String::new();
        if std::io::stdin().read_line(&mut answer).is_ok() && answer.trim() == "yes" {
            return Ok(true);
        }
    }
    Err(Fault::misuse(
        "nothing was sent and nothing opened: what a profile sends must be confirmed once for each bench; add --confirm-sending",
    ))
}

/// Where the amount of titrant comes from, as typed.
///
/// # Errors
/// In words, with what may be written.
pub fn volume_from(text: &str) -> Result<VolumeFrom, String> {
    let positive = |text: &str| {
        let value = text.parse::<f64>().ok().filter(|v| v.is_finite() && *v > 0.0);
        value.ok_or_else(|| format!("\"{text}\" is no positive number"))
    };
    match text.split_once('=') {
        None if text == "line" => Ok(VolumeFrom::Line),
        None if text == "keyed" => Ok(VolumeFrom::Keyed { step_ml: None }),
        None if text == "mass" => Ok(VolumeFrom::Mass),
        Some(("keyed", step)) => Ok(VolumeFrom::Keyed { step_ml: Some(positive(step)?) }),
        Some(("rate", rate)) => Ok(VolumeFrom::Rate { ml_per_min: positive(rate)? }),
        _ => Err("write line, keyed, keyed=STEP_ML, rate=ML_PER_MIN or mass".to_owned()),
    }
}

/// The benches in the folder of the configuration, as they may be opened.
///
/// # Errors
/// For each, when it cannot be understood, or sends what nobody has confirmed.
pub fn configured(settings: &Settings) -> Vec<Result<ReadyBench, Fault>> {
    let Ok(folder) = std::fs::read_dir(settings.configuration.join("benches")) else { return Vec::new() };
    let mut names: Vec<String> = folder
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|e| e == "toml"))
        .filter_map(|path| Some(path.file_stem()?.to_string_lossy().into_owned()))
        .collect();
    names.sort();
    let ready = |name: String| {
        let plan = BenchArgs { bench: Some(name), ..BenchArgs::default() }.plan(settings)?;
        Ok(ReadyBench { plan, confirms_sending: false })
    };
    names.into_iter().map(ready).collect()
}

impl BenchArgs {
    /// Reads the bench and has a person confirm what its profiles send, where that is needed.
    ///
    /// # Errors
    /// When something is missing, cannot be understood, or is not confirmed.
    pub fn ready(&self, settings: &Settings) -> Result<ReadyBench, Fault> {
        let plan = self.plan(settings)?;
        let confirms_sending = confirm_sending(&plan, self.confirm_sending, settings)?;
        Ok(ReadyBench { plan, confirms_sending })
    }

    /// Reads the bench and the profiles that it names.
    fn plan(&self, settings: &Settings) -> Result<BenchPlan, Fault> {
        if let Some(name) = &self.bench {
            let (path, text) = settings
                .read_named("benches", name)
                .map_err(|why| Fault::misuse(format!("there is no bench \"{name}\": {why}")))?;
            let bench: Bench = toml::from_str(&text)
                .map_err(|e| Fault::misuse(format!("bench {path}: {}", e.to_string().trim_end())))?;
            return complete(bench, text, settings);
        }
        if self.by_hand {
            return by_hand();
        }
        let (Some(port), Some(profile)) = (&self.port, &self.profile) else {
            return Err(Fault::misuse(
                "which instrument? Name a bench with --bench BENCH, or a port and a profile with --port PORT --profile PROFILE (`dropwise ports` lists the ports), or say --by-hand where there is none",
            ));
        };
        // A screen in another folder may read the file again.
        let path = std::path::Path::new(profile);
        let absolute = path.is_file().then(|| std::path::absolute(path).ok()).flatten();
        let profile = absolute.map_or_else(|| profile.clone(), |path| path.display().to_string());
        let instrument = Instrument { profile, port: port.clone() };
        let bench = Bench {
            title: format!("bench at {port}"),
            instrument: vec![instrument],
            volume: self.volume,
            burette: None,
            settling: None,
            people: crate::work::People::default(),
            anchors: None,
        };
        let text =
            toml::to_string(&bench).map_err(|e| Fault { text: e.to_string(), exit: Exit::OwnFault })?;
        complete(bench, text, settings)
    }
}

/// What stands for the profile where there is no instrument: no line will come.
const NO_INSTRUMENT: &str = "title = \"no instrument: read and keyed by hand\"\n\n[wire]\nframe = { ends_with = \"LF\" }\n\n\
    [[line]]\nname = \"never\"\nlike = \"never\"\nmarks = \"ignore\"\n";

/// A bench without an instrument: a burette and a person.
fn by_hand() -> Result<BenchPlan, Fault> {
    let own = |text: String| Fault { text, exit: Exit::OwnFault };
    let bench = Bench {
        title: "burette read by hand".to_owned(),
        instrument: vec![Instrument { profile: "by-hand".to_owned(), port: Port::Hand.to_string() }],
        volume: VolumeFrom::Keyed { step_ml: None },
        burette: None,
        settling: None,
        people: crate::work::People::default(),
        anchors: None,
    };
    let text = toml::to_string(&bench).map_err(|e| own(e.to_string()))?;
    parsed("by-hand.toml", NO_INSTRUMENT)?;
    let line = LinePlan {
        port: Port::Hand.to_string(),
        profile_name: "by-hand.toml".to_owned(),
        profile_text: NO_INSTRUMENT.to_owned(),
    };
    Ok(BenchPlan { bench, text, lines: vec![line] })
}

/// Adds the texts of the profiles and checks the ports.
///
/// # Errors
/// When a port or a profile cannot be understood.
pub fn complete(bench: Bench, text: String, settings: &Settings) -> Result<BenchPlan, Fault> {
    let mut lines = Vec::new();
    for instrument in &bench.instrument {
        instrument.port.parse::<Port>().map_err(|e| Fault::misuse(e.to_string()))?;
        let (profile_name, profile_text) = profile_text(&instrument.profile, settings)?;
        lines.push(LinePlan { port: absolute(&instrument.port), profile_name, profile_text });
    }
    Ok(BenchPlan { bench, text, lines })
}

/// The recorder has a working folder of its own: files are named from the root.
fn absolute(port: &str) -> String {
    let Some((kind, path)) = port.split_once(':') else { return port.to_owned() };
    let is_file = ["file", "capture"].iter().any(|k| kind == *k || kind.starts_with(&format!("{k}@")));
    match std::path::absolute(path) {
        Ok(path) if is_file => format!("{kind}:{}", path.display()),
        _ => port.to_owned(),
    }
}

/// File name and text of a profile that ships or lies in a file, checked.
///
/// # Errors
/// When there is none, or it has mistakes: all of them are listed.
pub fn profile_text(name: &str, settings: &Settings) -> Result<(String, String), Fault> {
    let definition = |text: String| Fault { text, exit: Exit::Definition };
    let (name, text) = match Profile::shipped(name) {
        Some(profile) => (format!("{name}.toml"), profile.text),
        None => settings.read_named("instruments", name).map_err(|why| {
            let meant = meant(name, &shipped_names().collect::<Vec<_>>());
            definition(format!("there is no profile \"{name}\": {why}; {meant}"))
        })?,
    };
    parsed(&name, &text)?;
    Ok((name, text))
}

/// A profile, or all its mistakes.
///
/// # Errors
/// All of them, with their places.
pub fn parsed(name: &str, text: &str) -> Result<Profile, Fault> {
    Profile::parse(name, text).map_err(|faults| Fault {
        text: faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"),
        exit: Exit::Definition,
    })
}

/// Text of a procedure that ships or lies in a file, checked; empty for none.
///
/// # Errors
/// As [`procedure`].
pub fn procedure_text(name: Option<&str>, settings: &Settings) -> Result<String, Fault> {
    name.map_or_else(|| Ok(String::new()), |name| procedure(name, settings).map(|(_, text)| text))
}

/// The shipped name that was likely meant, else all of them.
fn meant(name: &str, shipped: &[&str]) -> String {
    match crate::form::nearest(name, shipped.iter().copied()) {
        Some(near) => format!("did you mean \"{near}\"?"),
        None => format!("these ship: {}", shipped.join(", ")),
    }
}

/// A procedure that ships or lies in a file, with its text.
///
/// # Errors
/// When there is none, or it has mistakes: all of them, with their places.
pub fn procedure(name: &str, settings: &Settings) -> Result<(Procedure, String), Fault> {
    let definition = |text: String| Fault { text, exit: Exit::Definition };
    let (path, text) = match Procedure::shipped(name) {
        Some(text) => (name.to_owned(), text.to_owned()),
        None => settings.read_named("procedures", name).map_err(|why| {
            let meant = meant(name, &Procedure::shipped_names().collect::<Vec<_>>());
            definition(format!("there is no procedure \"{name}\": {why}; {meant}"))
        })?,
    };
    let procedure = Procedure::read(&path, &text).map_err(definition)?;
    Ok((procedure, text))
}
