//! `dropwise ports`: the serial ports with names that stay, and what they say.

use crate::cli::output::{Output, complain};
use crate::cli::{Exit, Fault};
use crate::source::listen::{self, CONVINCING, Trial};
use crate::source::ports::{self, SerialPortInfo, Usb};
use crate::source::{Port, SourceError};
use clap::Args;
use serde_json::json;
use std::io::{self, BufRead, IsTerminal, Write};
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// Trials that are shown for each port.
const SHOWN: usize = 3;

/// Arguments of `ports`.
#[derive(Debug, Args)]
pub struct Ports {
    /// Ports to listen to; all of this computer if none is named
    #[arg(value_name = "PORT", requires = "listen")]
    ports: Vec<Port>,
    /// Try line settings on each port without sending anything, and show which give text
    #[arg(long)]
    listen: bool,
    /// Do not ask before opening ports
    #[arg(long, requires = "listen")]
    yes: bool,
    /// How long to listen with each setting
    #[arg(long, value_name = "S", default_value_t = 3.0, requires = "listen", value_parser = seconds)]
    seconds: f64,
    /// One JSON object a line and a port (a setting, with --listen)
    #[arg(long)]
    json: bool,
}

fn seconds(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(seconds) if (0.05..=3_600.0).contains(&seconds) => Ok(seconds),
        _ => Err("write seconds between 0.05 and 3600".to_owned()),
    }
}

impl Ports {
    /// Lists or listens.
    ///
    /// # Errors
    /// When the system cannot list its ports, a port is no serial one, or nobody agreed to open it.
    pub fn run(self, output: &mut Output) -> Result<Exit, Fault> {
        if self.listen { self.listen(output) } else { self.list(output) }
    }

    fn list(&self, output: &mut Output) -> Result<Exit, Fault> {
        let found = ports::list().map_err(|error| fault(&error))?;
        if self.json {
            for port in &found {
                let line = serde_json::to_string(port).map_err(|error| own_fault(&error))?;
                output.line(&line).map_err(|error| own_fault(&error))?;
            }
        } else {
            output.line(&listing(&found)).map_err(|error| own_fault(&error))?;
        }
        Ok(Exit::Done)
    }

    fn listen(self, output: &mut Output) -> Result<Exit, Fault> {
        let ports = if self.ports.is_empty() {
            listen::candidates().map_err(|error| fault(&error))?
        } else {
            self.ports.clone()
        };
        if let Some(other) = ports.iter().find(|port| !matches!(port, Port::Serial { .. } | Port::Usb { .. }))
        {
            return Err(Fault::misuse(format!(
                "{other} has no line settings; only serial ports are listened to"
            )));
        }
        if ports.is_empty() {
            output.line("no serial ports are there").map_err(|error| own_fault(&error))?;
            return Ok(Exit::Done);
        }
        if !self.yes && !agreed(&ports)? {
            complain("nothing was opened");
            return Ok(Exit::Done);
        }
        let runtime =
            tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(|e| own_fault(&e))?;
        let cancel = CancellationToken::new();
        let mut exit = Exit::Done;
        runtime.block_on(async {
            let stop = cancel.clone();
            tokio::spawn(async move {
                super::stop::asked().await;
                stop.cancel();
            });
            for port in &ports {
                let each = Duration::from_secs_f64(self.seconds);
                let trials = listen::try_settings(port, each, &cancel, |trial| {
                    complain(&format!("{port} at {}: {} bytes", trial.line, trial.bytes));
                })
                .await;
                match trials {
                    Ok(trials) => self.show(port, &trials, output)?,
                    Err(why) => {
                        complain(&format!("dropwise: {why}"));
                        exit = Exit::Instrument;
                    }
                }
                if cancel.is_cancelled() {
                    break;
                }
            }
            Ok(exit)
        })
    }

    fn show(&self, port: &Port, trials: &[Trial], output: &mut Output) -> Result<(), Fault> {
        let text = if self.json {
            let lines = trials.iter().map(|trial| {
                let mut line = json!({ "port": port.to_string() });
                if let (Some(line), Ok(serde_json::Value::Object(trial))) =
                    (line.as_object_mut(), serde_json::to_value(trial))
                {
                    line.extend(trial);
                }
                line.to_string()
            });
            lines.collect::<Vec<_>>().join("\n")
        } else {
            verdict(port, trials)
        };
        output.line(&text).and_then(|()| output.flush()).map_err(|error| own_fault(&error))
    }
}

/// Names the ports and asks; without a terminal nobody can be asked.
fn agreed(ports: &[Port]) -> Result<bool, Fault> {
    let names: Vec<String> = ports.iter().map(|port| format!("    {port}")).collect();
    let question = format!(
        "These ports would be opened, one after the other; nothing is sent, but the wires DTR and RTS go on:\n{}\n\
         An instrument that acts on these wires, or that another program uses, may be disturbed.",
        names.join("\n")
    );
    if !io::stdin().is_terminal() {
        return Err(Fault::misuse(format!("{question}\nAdd --yes to agree.")));
    }
    complain(&question);
    let mut prompt = io::stderr();
    let mut answer = String::new();
    write!(prompt, "Open them? Type yes to agree: ")
        .and_then(|()| prompt.flush())
        .and_then(|()| io::stdin().lock().read_line(&mut answer))
        .map_err(|error| own_fault(&error))?;
    Ok(answer.trim().eq_ignore_ascii_case("yes"))
}

fn listing(found: &[SerialPortInfo]) -> String {
    if found.is_empty() {
        return "no serial ports are there; a USB cable shows up when it is plugged in".to_owned();
    }
    let mut text = String::new();
    for port in found {
        text.push_str(&harmless(&port.name));
        let mut more = Vec::new();
        if std::path::Path::new(&port.name) != port.path {
            more.push(format!("now {}", port.path.display()));
        }
        match &port.usb {
            Some(usb) => more.push(usb_words(usb)),
            None if port.kind != "unknown" => more.push(port.kind.to_owned()),
            None => {}
        }
        if !more.is_empty() {
            text.push_str(&format!("\n    {}", more.join(", ")));
        }
        text.push('\n');
    }
    text.trim_end().to_owned()
}

fn usb_words(usb: &Usb) -> String {
    let mut words = format!("usb:{}:{}", usb.vendor, usb.product);
    if let Some(serial) = &usb.serial {
        words.push_str(&format!(":{}", harmless(serial)));
    }
    let names: Vec<String> =
        [&usb.maker, &usb.title].into_iter().flatten().map(|name| harmless(name)).collect();
    if !names.is_empty() {
        words.push_str(&format!(" ({})", names.join(", ")));
    }
    words
}

fn verdict(port: &Port, trials: &[Trial]) -> String {
    let heard: Vec<&Trial> = trials.iter().filter(|trial| trial.bytes > 0).take(SHOWN).collect();
    let Some(best) = heard.first() else {
        return format!(
            "{port}: nothing came. Is the instrument on, the cable the right one (crossed or not), and does it \
             send by itself or only when its print key is pressed?"
        );
    };
    let mut text = if best.text >= CONVINCING {
        format!("{port}: text at {}", best.line)
    } else {
        format!("{port}: bytes, but no setting gave convincing text; listen longer with --seconds")
    };
    for trial in heard {
        let line = trial.line.to_string();
        let share = trial.text * 100.0;
        text.push_str(&format!(
            "\n    {line:<12} {share:>3.0} % text, {} bytes   {}",
            trial.bytes, trial.sample
        ));
    }
    text
}

/// Text of a device with every character that is not plainly visible replaced.
fn harmless(text: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || c.is_ascii_graphic() || c == ' ';
    text.chars().map(|c| if plain(c) { c } else { '\u{fffd}' }).collect()
}

fn fault(error: &SourceError) -> Fault {
    Fault { text: error.to_string(), exit: Exit::Instrument }
}

fn own_fault(error: &dyn ToString) -> Fault {
    Fault { text: error.to_string(), exit: Exit::OwnFault }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::LineSettings;

    #[test]
    fn the_listing_leads_with_the_name_that_stays_and_shows_no_control_characters() {
        let usb = Usb {
            vendor: "1234".to_owned(),
            product: "abcd".to_owned(),
            serial: Some("A1\u{1b}[2J".to_owned()),
            maker: None,
            title: Some("Bench \u{202e}cable".to_owned()),
            interface: Some(0),
        };
        let found = [
            SerialPortInfo {
                name: "/dev/serial/by-id/usb-Bench_A1".to_owned(),
                path: "/dev/ttyUSB0".into(),
                links: vec!["/dev/serial/by-id/usb-Bench_A1".into()],
                usb: Some(usb),
                kind: "USB",
            },
            SerialPortInfo {
                name: "/dev/ttyS0".to_owned(),
                path: "/dev/ttyS0".into(),
                links: Vec::new(),
                usb: None,
                kind: "unknown",
            },
        ];
        insta::assert_snapshot!(listing(&found), @r"
        /dev/serial/by-id/usb-Bench_A1
            now /dev/ttyUSB0, usb:1234:abcd:A1�[2J (Bench �cable)
        /dev/ttyS0
        ");
    }

    #[test]
    fn the_verdict_names_the_setting_and_shows_what_came() {
        let port: Port = "/dev/ttyS0".parse().unwrap();
        let text = b"  6.87 pH   12.4 mV\r\n  6.88 pH   12.3 mV\r\n  6.88 pH   12.3 mV\r\n";
        let good = listen::judge(text, LineSettings::default());
        let bad = listen::judge(b"\x00\xf8\xe0", LineSettings { baud: 19_200, ..LineSettings::default() });
        let silent = listen::judge(b"", LineSettings { baud: 300, ..LineSettings::default() });
        insta::assert_snapshot!(verdict(&port, &[good, bad.clone(), silent.clone()]), @r"
        /dev/ttyS0: text at 9600 8N1
            9600 8N1      94 % text, 63 bytes     6.87 pH   12.4 mV..  6.88 pH   12.3 mV..  6.88 pH   12.3 m
            19200 8N1     14 % text, 3 bytes   ...
        ");
        assert!(verdict(&port, &[bad]).contains("no setting gave convincing text"));
        assert!(verdict(&port, &[silent]).contains("nothing came"));
    }
}
