//! The practice bench: a simulated instrument, and the beaker that a portion puts under its electrode.

use super::bench::ReadyBench;
use super::{Exit, Fault};
use crate::profile::Profile;
use crate::work::{Bench, BenchPlan, Instrument, LinePlan, Role, RunPlan, VolumeFrom};

/// The profile of the simulated instrument.
pub const PROFILE: &str = "demo-bench";
/// What people call it.
pub const TITLE: &str = "practice bench";

/// A bench with the simulated instrument at this port.
///
/// # Errors
/// When the profile that ships is missing: a fault of the program.
pub fn bench(title: &str, port: &str) -> Result<ReadyBench, Fault> {
    let bench = Bench {
        title: title.to_owned(),
        instrument: vec![Instrument { profile: PROFILE.to_owned(), port: port.to_owned() }],
        volume: VolumeFrom::Line,
        burette: None,
        settling: None,
        people: crate::work::People::default(),
        anchors: None,
    };
    let own = |text: String| Fault { text, exit: Exit::OwnFault };
    let text = toml::to_string(&bench).map_err(|e| own(e.to_string()))?;
    let profile =
        Profile::shipped(PROFILE).ok_or_else(|| own(format!("the profile {PROFILE} is missing")))?;
    let line = LinePlan {
        port: port.to_owned(),
        profile_name: format!("{PROFILE}.toml"),
        profile_text: profile.text,
    };
    Ok(ReadyBench { plan: BenchPlan { bench, text, lines: vec![line] }, confirms_sending: false })
}

/// The port of the simulated instrument with what a portion needs under the electrode; `nth`: of the day.
#[must_use]
pub fn port_with(port: &str, plan: Option<&RunPlan>, nth: i64) -> String {
    // simulator[@SPEED][:SEED[:BEAKER]]
    let mut parts = port.splitn(3, ':');
    let simulator = parts.next().unwrap_or("simulator@10");
    let seed = parts.next().unwrap_or("1");
    let Some(plan) = plan else {
        // Buffers that are being played already begin anew: the same port would only be attached to.
        let played = parts.next().filter(|beaker| beaker.starts_with("buffers"));
        let again = played.map(|beaker| {
            let n = beaker.strip_prefix("buffers/").and_then(|n| n.parse::<u32>().ok()).unwrap_or(1);
            format!("/{}", n.saturating_add(1))
        });
        return format!("{simulator}:{seed}:buffers{}", again.unwrap_or_default());
    };
    let mass = plan.mass_g.filter(|m| (0.01..100.0).contains(m));
    let beaker = match plan.role {
        Role::Blank => "blank".to_owned(),
        Role::Standardisation => format!("phthalate={}", mass.unwrap_or(0.37)),
        Role::Control => format!("control={}", mass.unwrap_or(1.6)),
        Role::Sample => {
            let which = if plan.sample.to_lowercase().ends_with('b') { "b" } else { "a" };
            format!("vinegar-{which}={}", mass.unwrap_or(1.6))
        }
    };
    format!("{simulator}:{seed}:{beaker}/{nth}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::source::simulate::Beaker;

    #[test]
    fn every_portion_has_a_beaker_that_the_simulator_knows() {
        for role in [Role::Blank, Role::Standardisation, Role::Control, Role::Sample] {
            for mass_g in [None, Some(0.4), Some(500.0)] {
                let plan = RunPlan { role, mass_g, sample: "jar B".to_owned(), ..RunPlan::default() };
                let port = port_with("simulator@10:4:buffers", Some(&plan), 3);
                let beaker = port.strip_prefix("simulator@10:4:").unwrap();
                assert!(Beaker::parse(beaker).is_ok(), "{port}");
            }
        }
        assert_eq!(port_with("simulator@5", None, 1), "simulator@5:1:buffers");
    }

    #[test]
    fn buffers_begin_anew_while_buffers_are_played() {
        let again = port_with("simulator@10:4:buffers", None, 1);
        assert_eq!(again, "simulator@10:4:buffers/2");
        assert_eq!(port_with(&again, None, 1), "simulator@10:4:buffers/3");
        assert_eq!(port_with("simulator@10:4:blank/7", None, 1), "simulator@10:4:buffers");
        assert!(Beaker::parse("buffers/2").is_ok());
    }
}
