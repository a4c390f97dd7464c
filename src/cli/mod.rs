//! The command line: one file a command. Each parses, calls the library and prints; none of them computes.

mod channels;
mod compare;
mod demo;
mod dongle;
mod input;
mod live;
mod log;
mod output;
mod progress;
mod readings;
mod report;
mod spots;
mod table;
mod take;
mod trial;
mod turn;
mod wanted;

use std::io::{self, Write};
use std::process::ExitCode;

use clap::error::ErrorKind;
use clap::{Parser, Subcommand};

/// Says by how many dB one TV antenna beats another, channel by channel, and how sure that is.
#[derive(Debug, Parser)]
#[command(
    name = "gainsay",
    version,
    propagate_version = true,
    after_help = "Start with `gainsay demo`. Each command has its own --help with an example.\n\n\
                  Exit status: 0 done (also where nothing can be decided), 1 failed, 2 wrong usage."
)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Demo(demo::Arguments),
    Take(take::Arguments),
    Trial(trial::Arguments),
    Turn(turn::Arguments),
    Compare(compare::Arguments),
    Report(report::Arguments),
    Spots(spots::Arguments),
    Channels(channels::Arguments),
    Dongle(dongle::Arguments),
    Log(log::Arguments),
}

/// Why a command did not do its work.
#[derive(Debug)]
enum Failure {
    /// Asked for in a way that can't be done: exit status 2.
    Usage(String),
    /// Tried and failed: exit status 1.
    Failed(String),
    /// Whoever read the output has gone: nothing to say.
    NobodyReads,
}

impl Failure {
    fn usage(problem: impl ToString) -> Failure {
        Failure::Usage(problem.to_string())
    }
}

/// Any error of the library fails the command, with its message.
impl<E: std::error::Error> From<E> for Failure {
    fn from(error: E) -> Failure {
        Failure::Failed(error.to_string())
    }
}

/// Runs the program and tells its exit status.
pub fn run() -> ExitCode {
    // Without this a write beyond a file size limit would kill the program before it could say so.
    #[cfg(unix)]
    let _ = signal_hook::flag::register(signal_hook::consts::SIGXFSZ, std::sync::Arc::default());
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => return misread(&error),
    };
    let result = match arguments.command {
        Command::Demo(arguments) => demo::run(&arguments),
        Command::Take(arguments) => take::run(&arguments),
        Command::Trial(arguments) => trial::run(&arguments),
        Command::Turn(arguments) => turn::run(&arguments),
        Command::Compare(arguments) => compare::run(&arguments),
        Command::Report(arguments) => report::run(&arguments),
        Command::Spots(arguments) => spots::run(&arguments),
        Command::Channels(arguments) => channels::run(&arguments),
        Command::Dongle(arguments) => dongle::run(&arguments),
        Command::Log(arguments) => log::run(&arguments),
    };
    match result {
        Ok(()) | Err(Failure::NobodyReads) => ExitCode::SUCCESS,
        Err(Failure::Usage(problem)) => complain(&problem, 2),
        Err(Failure::Failed(problem)) => complain(&problem, 1),
    }
}

/// Says in one line what is wrong with the arguments; help and version are printed as they are.
fn misread(error: &clap::Error) -> ExitCode {
    if !error.use_stderr() || error.kind() == ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand {
        let _ = error.print();
        return ExitCode::from(error.exit_code() as u8);
    }
    if error.kind() == ErrorKind::InvalidUtf8 {
        return complain(
            "an argument is no UTF-8 text; rename the file, or go to its folder and name it from there",
            2,
        );
    }
    // Paragraphs: what is wrong, what was meant perhaps, then the usage and where help is.
    let text = error.render().to_string();
    let paragraphs: Vec<&str> = text
        .split("\n\n")
        .map(|paragraph| paragraph.trim().trim_start_matches("error: "))
        .filter(|paragraph| !paragraph.is_empty())
        .take_while(|paragraph| {
            !paragraph.starts_with("Usage:") && !paragraph.starts_with("For more information")
        })
        .collect();
    complain(&format!("{}; see --help", paragraphs.join("; ")), 2)
}

/// Says it in one line, whatever the names and texts in it.
fn complain(problem: &str, status: u8) -> ExitCode {
    let line: String = problem
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
        .replace(char::is_control, "\u{fffd}");
    let _ = writeln!(io::stderr(), "gainsay: {line}");
    ExitCode::from(status)
}
