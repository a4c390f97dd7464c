//! `gainsay dongle`: what is plugged in, and what a dongle is like.

#[cfg(feature = "dongle")]
mod commands;
#[cfg(feature = "dongle")]
mod print;

use clap::{Args, Subcommand};
use gainsay::units::Hertz;

use super::Failure;
use super::input::LogArguments;
use super::output::Format;

/// List the dongles that are plugged in, with their serial numbers and gains, or check one.
#[derive(Debug, Args)]
#[command(
    args_conflicts_with_subcommands = true,
    after_help = "Example:\n  gainsay dongle --format json\n\n\
    Needs a program built with the feature `dongle`: cargo build --release --features dongle"
)]
pub struct Arguments {
    #[command(subcommand)]
    command: Option<Command>,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

#[derive(Debug, Subcommand)]
enum Command {
    Check(CheckArguments),
}

/// Measure a dongle: frequency error, what comes after tuning, true gain steps, lost samples.
///
/// Connect an antenna that receives some stations: the frequency error comes from the pilots of 8-VSB stations, and the gain
/// steps from whatever is strongest. It takes about a minute. Ctrl-C ends it and prints what was measured so far. The figures are kept in the logbook under the
/// dongle's serial number, and live takes drop as many samples after a retuning as they say.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  gainsay dongle check --dongle 00000001 --plan us --channels 14-36"
)]
struct CheckArguments {
    /// Which dongle, by its serial number, or # and its place in the list [default: the only one].
    #[arg(long, value_name = "SERIAL")]
    dongle: Option<String>,
    /// Channel plan: a name that `gainsay channels` lists, or a TOML file of your own.
    #[arg(long, value_name = "PLAN", env = "GAINSAY_PLAN", default_value = "us")]
    plan: String,
    /// Channels to listen to, such as 14-36 [default: all of the plan].
    #[arg(long, value_name = "CHANNELS")]
    channels: Option<String>,
    /// Sample rate at which to measure.
    #[arg(long, value_name = "HZ", default_value = "2.4M")]
    rate: Hertz,
    /// Sample rates at which to count what is lost, such as 2.4M,3.2M
    /// [default: 1.024M,2.048M,2.4M,2.56M,2.88M,3.2M].
    #[arg(long, value_name = "HZ,…", value_delimiter = ',')]
    lost_at: Vec<Hertz>,
    #[command(flatten)]
    log: LogArguments,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

#[cfg(feature = "dongle")]
pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    match &arguments.command {
        None => commands::list(arguments.format),
        Some(Command::Check(check)) => commands::check(check),
    }
}

/// Says how to build a program that can.
#[cfg(not(feature = "dongle"))]
pub fn run(_: &Arguments) -> Result<(), Failure> {
    Err(Failure::Failed(
        "this program was built without the dongle: build it with `cargo build --release --features dongle`, which needs \
         librtlsdr (Debian: apt install librtlsdr-dev pkg-config)"
            .into(),
    ))
}
