//! `gainsay take`: one pass over the wanted channels, into the logbook.

use clap::Args;
use gainsay::channels::PathClass;
use gainsay::logbook::transfer::{as_json, export_csv};
use gainsay::logbook::{Logbook, LogbookError};
use gainsay::reading::assemble::{Subject, Wanted, assemble};
use gainsay::reading::{Health, NoiseSource, Reading, Take};
use jiff::Timestamp;

use super::Failure;
use super::input::{self, ChannelArguments, LogArguments, RawArguments};
use super::output::{self, Format};
use super::progress::Stop;
use super::table::{Set, edges_mhz, number, table};

/// Measure one recording of one antenna at one spot, channel by channel, and keep it in the logbook.
///
/// Levels are relative: 0 dBFS is the receiver's full scale. Give a recording made with a 75 Ω plug in the antenna's place
/// as --terminated, at the same gain and tunings: it is the noise floor, and it shows the slope of the receiver's
/// passband. Without one the floor is estimated from vacant channels, and marked so.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  \
    gainsay take --from loop.sigmf-meta --antenna \"tape loop\" --spot \"north window\" \\\n      \
    --terminated plug.sigmf-meta --channels 14-36\n\n\
    Raw 8-bit samples, from a file or from standard input:\n  \
    gainsay take --from - --rate 2.4M --tuned 515M --antenna \"tape loop\" --spot \"north window\" < samples.bin\n\n\
    States: vacant (nothing found), trace (a signal below the threshold), brink (within 3 dB above it: the digital \
    cliff), firm (3 dB above it or more).")]
pub struct Arguments {
    /// Recording: SigMF (either file of it), a raw file of unsigned 8-bit I and Q, or - for standard input.
    #[arg(long, value_name = "RECORDING")]
    from: String,
    /// What was connected.
    #[arg(long, value_name = "NAME")]
    antenna: String,
    /// Where it stood.
    #[arg(long, value_name = "NAME")]
    spot: String,
    /// Recording with a terminator in the antenna's place.
    #[arg(long, value_name = "RECORDING")]
    terminated: Option<String>,
    #[command(flatten)]
    channels: ChannelArguments,
    #[command(flatten)]
    raw: RawArguments,
    /// Free text to keep with it.
    #[arg(long, value_name = "TEXT", default_value = "")]
    note: String,
    /// When it was recorded, such as 2026-05-09T10:00:00Z, where the recording doesn't say.
    #[arg(long, value_name = "TIME")]
    taken_at: Option<Timestamp>,
    #[command(flatten)]
    log: LogArguments,
    /// Print only; keep nothing.
    #[arg(long)]
    no_log: bool,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    let antenna = name("--antenna", &arguments.antenna)?;
    let spot = name("--spot", &arguments.spot)?;
    if arguments.from == "-" && arguments.terminated.as_deref() == Some("-") {
        return Err(Failure::usage(
            "--from and --terminated can't both be standard input, which is read once: put one of them into a file",
        ));
    }
    let plan = arguments.channels.plan()?;
    let wanted = arguments.channels.wanted(&plan)?;
    let log = match arguments.no_log {
        true => None,
        false => Some(arguments.log.path()?),
    };
    // A logbook that can't be used is better known before a long pass than after it; a new one is made only then.
    let known = log.as_deref().map(Logbook::open_existing).transpose();
    if !matches!(known, Ok(_) | Err(LogbookError::Absent { .. })) {
        known?;
    }
    let stop = Stop::watch();
    let terminated = arguments
        .terminated
        .as_deref()
        .map(|name| input::survey(name, arguments.raw, &[], &stop))
        .transpose()?;
    let survey = input::survey(&arguments.from, arguments.raw, wanted.channels(), &stop)?;
    if let Some(terminated) = &terminated {
        terminated.serves(&survey)?;
    }
    let taken_at = arguments
        .taken_at
        .unwrap_or_else(|| input::time_of(&arguments.from, Timestamp::now()));
    let subject = Subject {
        antenna,
        spot,
        note: arguments.note.clone(),
        taken_at,
    };
    let mut take = assemble(&survey, terminated.as_ref(), &wanted, None, subject);
    survey.covers_any(&take.readings, &wanted)?;
    let mut logbook = log.as_deref().map(Logbook::open).transpose()?;
    if let Some(logbook) = &mut logbook {
        if let Some(id) = logbook.find_same(&take)? {
            output::remark(&format!(
                "the logbook has this very take already, as number {id}; a comparison counts it once"
            ));
        }
        take.id = Some(logbook.append(&take)?);
    }
    take.spectrum = None;
    match arguments.format {
        Format::Json => output::print_json(&as_json(&take)),
        Format::Csv => {
            let mut bytes = Vec::new();
            export_csv([Ok(take)], &mut bytes)?;
            output::print(&String::from_utf8_lossy(&bytes))
        }
        Format::Table => output::print(
            &(heading(&take, logbook.as_ref()) + &readings(&take) + &footing(&take, &wanted)),
        ),
    }
}

/// A name that is more than white space, without that around it.
fn name(option: &str, text: &str) -> Result<String, Failure> {
    match text.trim() {
        "" => Err(Failure::usage(format!("{option} is empty: give it a name"))),
        name => Ok(name.to_owned()),
    }
}

/// What the take is of.
pub fn heading(take: &Take, logbook: Option<&Logbook>) -> String {
    let mut text = match take.id {
        Some(id) => format!(
            "Take {id}: {} at {}, {}\n",
            take.antenna, take.spot, take.taken_at
        ),
        None => format!("{} at {}, {}\n", take.antenna, take.spot, take.taken_at),
    };
    text += &format!(
        "from {}; plan {}; {} MS/s, {:.0} ms a tuning; noise: {}\n",
        take.source,
        take.settings.plan,
        take.settings.sample_rate_hz / 1e6,
        take.settings.dwell_s * 1e3,
        take.terminated
            .as_deref()
            .map_or("no terminated take".into(), |name| format!(
                "terminated take {name}"
            )),
    );
    if let Some(logbook) = logbook {
        text += &format!("kept in {}\n", logbook.path().display());
    }
    if !take.note.is_empty() {
        text += &format!("note: {}\n", take.note);
    }
    text + "\n"
}

/// The table of channels.
pub fn readings(take: &Take) -> String {
    let head = [
        ("channel", Set::Right),
        ("MHz", Set::Right),
        ("power dBFS", Set::Right),
        ("noise dBFS", Set::Right),
        ("signal dBFS", Set::Right),
        ("C/N dB", Set::Right),
        ("margin dB", Set::Right),
        ("state", Set::Left),
        ("remarks", Set::Left),
    ];
    table(
        &head,
        take.readings.iter().map(|reading| {
            vec![
                reading.channel.to_string(),
                edges_mhz(reading.low_hz, reading.high_hz),
                number(reading.power_dbfs(), 2),
                number(reading.noise_dbfs(), 2),
                signal(reading),
                number(reading.cn_db(), 1),
                number(reading.margin_db(), 1),
                reading.state.map_or("?".into(), |state| state.to_string()),
                remarks(reading),
            ]
        }),
    )
}

/// The signal's level, or its upper bound.
fn signal(reading: &Reading) -> String {
    match reading.signal_upper_dbfs() {
        Some(_) => format!("< {}", number(reading.signal_upper_dbfs(), 1)),
        None => number(reading.signal_dbfs(), 2),
    }
}

fn remarks(reading: &Reading) -> String {
    if reading.covered == 0.0 {
        return "not covered".into();
    }
    let mut remarks = Vec::new();
    let mut weak = Vec::new();
    for health in &reading.health {
        match health {
            Health::WeakDrive { lsb_rms, .. } => weak.push(*lsb_rms),
            other => remarks.push(other.to_string()),
        }
    }
    // One remark for all tunings: JSON has them one by one.
    if let Some(least) = weak.iter().copied().reduce(f64::min) {
        remarks.push(format!(
            "weak drive at {} tuning(s), down to {least:.2} steps rms: raise the gain",
            weak.len()
        ));
    }
    if reading.noise_source == Some(NoiseSource::TerminatedElsewhere) {
        remarks.push("terminated take lacks these tunings: its others stand in".into());
    }
    remarks.join("; ")
}

/// What the margins and states rest on.
fn footing(take: &Take, wanted: &Wanted) -> String {
    let mut standards: Vec<_> = take
        .readings
        .iter()
        .filter_map(|reading| reading.standard)
        .collect();
    standards.sort();
    standards.dedup();
    let thresholds = standards.iter().map(|&standard| {
        match wanted.thresholds.get(standard, PathClass::Gaussian) {
            Some(threshold) => format!("{standard} {} dB ({})", threshold.cn_db, threshold.assumes),
            None => format!("{standard} none (it depends on the station's mode)"),
        }
    });
    format!(
        "\nLevels are relative (0 dBFS is full scale), signal is power less noise. Thresholds assumed: {}.\n",
        thresholds.collect::<Vec<_>>().join(", ")
    )
}
