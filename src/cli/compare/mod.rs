//! `gainsay compare`: A against B, or several antennas, out of the logbook or straight from recordings.

mod explain;
mod from_logbook;
mod from_recordings;
mod many;
mod show;
mod tie;

use std::path::{Path, PathBuf};

use clap::Args;
use gainsay::compare::{self, Comparison, Options, ScanComparison, TieOptions};
use gainsay::draw::{self, Line as DrawnLine};
use gainsay::logbook::Logbook;
use gainsay::reading::{Take, Trace};
use jiff::SignedDuration;
use serde::Serialize;

use super::Failure;
use super::input::{self, ChannelArguments, LogArguments, RawArguments};
use super::output::{self, Format};

pub use from_logbook::narrow;
pub use from_logbook::{shared_spot, takes_and_remarks};
pub use show::{as_text, bands, interval, print_csv};

/// Compare two antennas: by how many dB A beats B on each channel, and how sure that is. Or more than two, each against a
/// reference or all against all.
///
/// A and B are antennas in the logbook (all their takes at one spot, put against each other in the order in which they were
/// taken) or two recordings. Where nothing can be decided the table says so, and why.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    gainsay compare \"tape loop\" \"rabbit ears\" --spot \"north window\" --plot gain.png\n  \
    gainsay compare loop.sigmf-meta ears.sigmf-meta --terminated plug.sigmf-meta\n  \
    gainsay compare \"tape loop\" \"bow tie\" whip \"rabbit ears\" --all-pairs\n  \
    gainsay compare \"new loop\" \"old loop\" --tie \"rabbit ears\"\n  \
    gainsay compare \"tape loop@2026-05-16\" \"tape loop@2026-05-09\" --tie \"rabbit ears\"\n\n\
    How to read it: the difference is A less B in dB with its 95 % interval. A verdict a or b stands only where chance is \
    ruled out over all channels together (Holm's step-down); undecided says nothing about either. Under `by` stands what \
    was compared, power or pilot: the pilot where it tells more of a weak channel, though it is one frequency.\n\n\
    Of more than two antennas there is a table of merit: differences to the reference over the channels (the mean's \
    interval is wide rather than narrow), channels better and worse, and a rank, which those share that no verdict parts. \
    All verdicts of all pairs are corrected together.\n\n\
    NAME@DAY names the takes of one day, as gainsay log shows it: an antenna keeps its name when it is rebuilt. With --tie \
    each antenna is held against the tie in its own session, and the differences against each other; of several sessions \
    the latest counts that has the tie too.")]
pub struct Arguments {
    /// Antenna in the logbook, or recording.
    a: String,
    /// Antenna in the logbook, or recording, to compare it with.
    b: String,
    /// More of them.
    more: Vec<String>,
    /// Of more than two antennas, the one that the others are held against [default: the last named].
    #[arg(long, value_name = "ANTENNA")]
    reference: Option<String>,
    /// Compare each antenna with each other, not only with the reference: ranks them all, at the price of wider verdicts.
    #[arg(long)]
    all_pairs: bool,
    /// Antenna that was taken on A's day and on B's: ties the days together, so that antennas of different days can be
    /// compared.
    #[arg(long, value_name = "ANTENNA")]
    tie: Option<String>,
    /// Standard uncertainty in dB with which the tie was the same on both days, put up in the same way.
    #[arg(long, value_name = "DB", default_value_t = TieOptions::default().steadiness_db)]
    tie_steadiness: f64,
    /// Takes with a longer break between them are of different sessions, such as 2h; for --tie.
    #[arg(long, value_name = "TIME", default_value = "6h")]
    session: SignedDuration,
    /// The spot of the takes [default: the only one that all these antennas were at].
    #[arg(long, value_name = "NAME")]
    spot: Option<String>,
    /// Recording with a terminator in the antenna's place, where A and B are recordings.
    #[arg(long, value_name = "RECORDING")]
    terminated: Option<String>,
    #[command(flatten)]
    channels: ChannelArguments,
    #[command(flatten)]
    raw: RawArguments,
    /// Standard uncertainty of mating a connector, in dB.
    #[arg(long, value_name = "DB", default_value_t = Options::default().mating_db)]
    mating: f64,
    /// Standard uncertainty in dB of a take's level from what changes between takes, where there are no repeats to show it.
    #[arg(long, value_name = "DB", default_value_t = Options::default().unsteadiness_db)]
    unsteadiness: f64,
    /// Standard uncertainty in dB with which the difference of two pilots stands for that of their channels; more where
    /// stronger channels of the same takes show more.
    #[arg(long, value_name = "DB", default_value_t = Options::default().selective_fading_db)]
    selective_fading: f64,
    /// Refuse takes further apart than this, such as 10m or 2h [default: no limit].
    #[arg(long, value_name = "TIME")]
    apart: Option<SignedDuration>,
    /// Print the whole uncertainty budget of one channel instead of the table.
    #[arg(long, value_name = "CHANNEL")]
    explain: Option<String>,
    /// Draw the comparison into a .svg or .png file.
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Draw the spectra, A over B, into a .svg or .png file.
    #[arg(long, value_name = "FILE")]
    spectrum: Option<PathBuf>,
    #[command(flatten)]
    log: LogArguments,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

impl Arguments {
    /// All antennas, or recordings, in the order given.
    fn antennas(&self) -> Vec<String> {
        let mut antennas = vec![self.a.clone(), self.b.clone()];
        antennas.extend_from_slice(&self.more);
        antennas
    }
}

/// Takes to compare, antenna by antenna, and a spectrum of each for the plot.
struct Material {
    takes: Vec<Vec<Take>>,
    spectra: Vec<Option<Trace>>,
    tie: Option<Vec<Take>>,
}

pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    for path in [&arguments.plot, &arguments.spectrum].into_iter().flatten() {
        draw::check_ending(path).map_err(Failure::usage)?;
    }
    many::check(arguments)?;
    tie::check(arguments)?;
    let material = material(arguments)?;
    let options = Options {
        mating_db: arguments.mating,
        unsteadiness_db: arguments.unsteadiness,
        selective_fading_db: arguments.selective_fading,
        max_apart: arguments.apart,
        ..Options::default()
    };
    let [a, b] = material.takes.as_slice() else {
        return many::run(arguments, &material.takes, &options);
    };
    let comparison = match &material.tie {
        None => compare::compare(a, b, &options)?,
        Some(tie) => match tie::run(arguments, [a, b], tie, &options)? {
            Some(comparison) => comparison,
            None => return Ok(()),
        },
    };
    show(
        arguments,
        &comparison,
        compare::compare_scans(a, b, &comparison),
    )?;
    if let Some(path) = &arguments.plot {
        draw::comparison(&comparison)?.write(path)?;
        output::remark(&format!("drawn: {}", path.display()));
    }
    if let Some(path) = &arguments.spectrum {
        spectrum(&comparison, &material, path)?;
        output::remark(&format!("drawn: {}", path.display()));
    }
    Ok(())
}

/// The takes that the words name: all antennas in the logbook, or all recordings.
fn material(arguments: &Arguments) -> Result<Material, Failure> {
    let words = arguments.antennas();
    let logbook = (arguments.log.path().ok()).and_then(|path| Logbook::open_existing(&path).ok());
    let known = logbook.and_then(|logbook| logbook.antennas().ok());
    let is_antenna = |word: &str| (known.iter().flatten()).any(|antenna| antenna.name == word);
    let are_files: Vec<bool> = (words.iter())
        .map(|word| input::names_recording(word, is_antenna))
        .collect();
    let first = |file: bool| (are_files.iter().position(|&is| is == file)).map(|at| &words[at]);
    match (first(true), first(false)) {
        (Some(file), None) if arguments.tie.is_some() => Err(Failure::usage(format!(
            "{file} is a recording: --tie goes with antennas in the logbook, whose takes say when they were made"
        ))),
        (Some(_), None) => from_recordings::load(arguments),
        (None, _) => from_logbook::load(arguments),
        (Some(file), Some(antenna)) => Err(Failure::usage(format!(
            "{file} is a recording and {antenna:?} is not: name {how_many} recordings, or {how_many} antennas in the logbook",
            how_many = if words.len() == 2 { "two" } else { "only" }
        ))),
    }
}

fn show(
    arguments: &Arguments,
    comparison: &Comparison,
    scan: Option<ScanComparison>,
) -> Result<(), Failure> {
    if let Some(name) = &arguments.explain {
        return explain::explain(comparison, name, arguments.format);
    }
    match arguments.format {
        Format::Json => output::print_json(&Printed { comparison, scan }),
        Format::Csv => print_csv(comparison),
        Format::Table => {
            let mut text = as_text(comparison);
            if let Some(scan) = scan {
                text += "\nA television's scan\n";
                for sentence in &scan.sentences {
                    text += &format!("  {sentence}\n");
                }
            }
            output::print(&text)
        }
    }
}

/// A comparison as JSON has it, with what scan counts say where there are any.
#[derive(Serialize)]
struct Printed<'c> {
    #[serde(flatten)]
    comparison: &'c Comparison,
    #[serde(skip_serializing_if = "Option::is_none")]
    scan: Option<ScanComparison>,
}

fn spectrum(comparison: &Comparison, material: &Material, path: &Path) -> Result<(), Failure> {
    let [Some(a), b] = material.spectra.as_slice() else {
        return Err(Failure::Failed("the takes hold no spectrum to draw".into()));
    };
    let b = b.as_ref().map(|trace| DrawnLine {
        name: &comparison.b,
        trace,
    });
    draw::spectrum(
        DrawnLine {
            name: &comparison.a,
            trace: a,
        },
        b,
        None,
        &bands(comparison),
    )?
    .write(path)?;
    Ok(())
}
