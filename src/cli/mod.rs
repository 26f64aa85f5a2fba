//! The command line.

pub mod args;
pub mod attach;
pub mod bench;
pub mod command;
pub mod curve_file;
pub mod desk;
pub mod enter;
pub mod exit;
pub mod fault;
pub mod key;
pub mod output;
pub mod plain;
pub mod practice;
pub mod progress;
pub mod screen;
pub mod settings;
pub mod typed;

pub use crate::work::result::words as outcome;
pub use args::{Args, Command};
pub use exit::Exit;
pub use fault::Fault;
pub use settings::Settings;

use clap::{CommandFactory, Parser};
use output::{Output, complain};
use std::process::ExitCode;

/// Runs the program.
#[must_use]
pub fn run() -> ExitCode {
    let args = match Args::try_parse() {
        Ok(args) => args,
        Err(e) => {
            // Help and version come this way too; they go to standard output and are no misuse.
            let exit = if e.use_stderr() { Exit::Misuse } else { Exit::Done };
            drop(e.print());
            return exit.into();
        }
    };
    let mut output = Output::default();
    let done = args.places.settle().and_then(|settings| obey(args.command, &settings, &mut output));
    let exit = done.unwrap_or_else(|fault| {
        complain(&format!("dropwise: {fault}"));
        fault.exit
    });
    match output.flush() {
        Ok(()) => exit.into(),
        Err(e) => {
            complain(&format!("dropwise: standard output cannot be written: {e}; is the disk full?"));
            Exit::OwnFault.into()
        }
    }
}

fn obey(command: Option<Command>, settings: &Settings, output: &mut Output) -> Result<Exit, Fault> {
    match command {
        None => screen::show(settings, None, false),
        Some(Command::Demo(demo)) => demo.run(settings, output),
        Some(Command::Run(run)) => run.run(settings, output),
        Some(Command::Replay(replay)) => replay.run(settings, output),
        Some(Command::Evaluate(evaluate)) => evaluate.run(settings, output),
        Some(Command::Ports(ports)) => ports.run(output),
        Some(Command::Capture(capture)) => capture.run(settings),
        Some(Command::Profile(profile)) => profile.run(settings, output),
        Some(Command::List(list)) => list.run(settings, output),
        Some(Command::Show(show)) => show.run(settings, output),
        Some(Command::Export(export)) => export.run(settings, output),
        Some(Command::Import(import)) => import.run(settings, output),
        Some(Command::Push(push)) => push.run(settings, output),
        Some(Command::Reckon(reckon)) => reckon.run(settings, output),
        Some(Command::Choose(choose)) => choose.run(settings, output),
        Some(Command::Hand(hand)) => hand.run(settings, output),
        Some(Command::Sign(sign)) => sign.run(settings, output),
        Some(Command::Review(review)) => review.run(settings, output),
        Some(Command::Record(record)) => record.run(settings, output),
        Some(Command::Recorder(recorder)) => recorder.run(settings, output),
        Some(Command::Compute(compute)) => compute.run(settings, output),
        Some(Command::Procedure(procedure)) => procedure.run(settings, output),
        Some(Command::Equipment(equipment)) => equipment.run(settings, output),
        Some(Command::Electrode(electrode)) => electrode.run(settings, output),
        Some(Command::Titrant(titrant)) => titrant.run(settings, output),
        Some(Command::Blank(blank)) => blank.run(settings, output),
        Some(Command::SetAside { run, reason }) => {
            let wish = crate::work::Command::SetAside { run, reason };
            let refused = |text| Fault { text, exit: Exit::Record };
            command::run::runtime()?.block_on(attach::obey(settings, wish, refused))?;
            output.line(&format!("run {run} is set aside; it stays in the record"))?;
            Ok(Exit::Done)
        }
        Some(Command::Plan(plan)) => plan.run(settings, output),
        Some(Command::Control(control)) => control.run(settings, output),
        Some(Command::Trend(trend)) => trend.run(settings, output),
        Some(Command::Steps(steps)) => steps.run(settings, output),
        Some(Command::Series(series)) => series.run(settings, output),
        Some(Command::Report(report)) => report.run(settings, output),
        Some(Command::Completions { shell }) => {
            let mut script = Vec::new();
            clap_complete::generate(shell, &mut Args::command(), "dropwise", &mut script);
            print_text(&script, output)
        }
        Some(Command::Man) => {
            let mut page = Vec::new();
            let rendered = clap_mangen::Man::new(Args::command()).render(&mut page);
            rendered.map_err(|e| Fault { text: e.to_string(), exit: Exit::OwnFault })?;
            print_text(&page, output)
        }
    }
}

fn print_text(text: &[u8], output: &mut Output) -> Result<Exit, Fault> {
    let written = output.line(String::from_utf8_lossy(text).trim_end());
    written.map_err(|e| Fault {
        text: format!("standard output cannot be written: {e}"),
        exit: Exit::OwnFault,
    })?;
    Ok(Exit::Done)
}
