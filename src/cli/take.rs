//! `gainsay take`: one pass over the wanted channels, into the logbook.

use std::path::{Path, PathBuf};

use clap::Args;
use gainsay::capture::simulated::{Scene, Setup, SimulatedSource};
use gainsay::channels::Channel;
use gainsay::draw;
use gainsay::logbook::transfer::export_csv;
use gainsay::logbook::{Logbook, LogbookError};
use gainsay::reading::assemble::{Subject, assemble};
use gainsay::reading::evaluate::evaluate;
use gainsay::reading::linearity;
use gainsay::reading::survey::Survey;
use jiff::Timestamp;

use super::Failure;
use super::input::{self, ChannelArguments, LogArguments, PlaceArguments, RawArguments};
use super::live::{self, LiveArguments, Wish};
use super::output::{self, Format};
use super::progress::Stop;
use super::readings;

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
    /// Recording: SigMF (either file of it), a raw file of unsigned 8-bit I and Q, or - for standard input; or a scene
    /// (.toml) to be played, with its antenna and spot of these names.
    /// Without it: live from the dongle.
    #[arg(long, value_name = "RECORDING")]
    from: Option<String>,
    /// What was connected.
    #[arg(long, value_name = "NAME")]
    antenna: String,
    /// Where it stood.
    #[arg(long, value_name = "NAME")]
    spot: String,
    /// Recording with a terminator in the antenna's place; or a scene.
    #[arg(long, value_name = "RECORDING")]
    terminated: Option<String>,
    #[command(flatten)]
    channels: ChannelArguments,
    #[command(flatten)]
    raw: RawArguments,
    #[command(flatten)]
    live: LiveArguments,
    /// How long to listen at each tuning, live or of a scene, such as 20ms or 0.1s [default: 20ms]; a recording says it
    /// itself.
    #[arg(long, value_name = "TIME", value_parser = input::seconds)]
    dwell: Option<f64>,
    #[command(flatten)]
    place: PlaceArguments,
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
    /// Second recording of the same antenna at a gain some dB lower: channels that don't fall by the gain's step were made
    /// in an overloaded receiver, and are marked.
    #[arg(long, value_name = "RECORDING")]
    check_gain: Option<String>,
    /// Print the receiver's health too: drive, clipping, rounding, spike and image, tuning by tuning.
    #[arg(long)]
    tunings: bool,
    /// Draw a small spectrum of each channel, with its flatness and echoes, into this .svg or .png.
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Listening for 20 ms measures a channel's power to 0.3 % (method: "short dwells, many interleaved repeats").
pub const USUAL_DWELL_S: f64 = 0.02;

pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    let antenna = name("--antenna", &arguments.antenna)?;
    let spot = name("--spot", &arguments.spot)?;
    if arguments.from.as_deref() == Some("-") && arguments.terminated.as_deref() == Some("-") {
        return Err(Failure::usage(
            "--from and --terminated can't both be standard input, which is read once: put one of them into a file",
        ));
    }
    if let Some(path) = &arguments.plot {
        draw::check_ending(path).map_err(Failure::usage)?;
    }
    let position = arguments.place.position();
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
    let begins = arguments.taken_at.unwrap_or_else(Timestamp::now);
    let survey = |name: &str, antenna: Option<&str>| {
        let channels = wanted.channels();
        // A terminator has no stations to be listened for.
        let listened: &[Channel] = if antenna.is_some() { channels } else { &[] };
        if input::names_scene(name) {
            let dwell_s = arguments.dwell.unwrap_or(USUAL_DWELL_S);
            let scene = Scene::read(Path::new(name))?;
            let setup = Setup {
                position_m: arguments.place.at,
                ..input::setup(&scene, antenna, &spot, channels, begins, dwell_s)?
            };
            let mut source = SimulatedSource::new(&scene, setup)?;
            return input::pass(name, &mut source, None, listened, &stop);
        }
        if arguments.dwell.is_some() {
            return Err(Failure::usage(format!(
                "{name}: a recording says its own dwells: leave --dwell out"
            )));
        }
        input::survey(name, arguments.raw, listened, &stop)
    };
    let terminated = arguments
        .terminated
        .as_deref()
        .map(|name| survey(name, None))
        .transpose()?;
    let read = |survey: &Survey| {
        let wanted = (wanted.channels(), &wanted.thresholds);
        evaluate(survey, terminated.as_ref(), wanted.0, wanted.1, None).readings
    };
    let first = match &arguments.from {
        Some(name) => survey(name, Some(&antenna))?,
        None => live::take(
            &Wish {
                arguments: &arguments.live,
                antenna: &antenna,
                channels: wanted.channels(),
                rate: arguments.raw.rate,
                dwell_s: arguments.dwell.unwrap_or(USUAL_DWELL_S),
                log: arguments.log.path().ok().as_deref(),
                read: &read,
            },
            &stop,
        )?,
    };
    if let Some(terminated) = &terminated {
        terminated.serves(&first)?;
    }
    let taken_at = arguments.taken_at.unwrap_or_else(|| {
        arguments
            .from
            .as_deref()
            .map_or(begins, |name| input::time_of(name, begins))
    });
    let subject = Subject {
        antenna: antenna.clone(),
        spot: spot.clone(),
        note: arguments.note.clone(),
        taken_at,
        position,
        bearing: None,
        scan_count: arguments.place.scan_count,
    };
    let mut take = assemble(&first, terminated.as_ref(), &wanted, None, subject.clone());
    first.covers_any(&take.readings, &wanted)?;
    let mut unchecked = None;
    if let Some(name) = &arguments.check_gain {
        let check = || -> Result<_, Failure> {
            let lower = survey(name, Some(&subject.antenna))?;
            // Its noise is its own: a terminated take at the first gain does not stand for it.
            let lower = assemble(&lower, None, &wanted, None, subject);
            Ok(linearity::gain_check(&take, &lower)?)
        };
        match check() {
            Ok(check) => linearity::remark(&mut take, check),
            Err(failure) if arguments.from.is_some() => return Err(failure),
            // A live take can't be had again: it is kept and printed first.
            Err(failure) => unchecked = Some(failure),
        }
    }
    let mut logbook = log.as_deref().map(Logbook::open).transpose()?;
    if let Some(logbook) = &mut logbook {
        if let Some(id) = logbook.find_same(&take)? {
            output::remark(&format!(
                "the logbook has this very take already, as number {id}; a comparison counts it once"
            ));
        }
        take.id = Some(logbook.append(&take)?);
    }
    if let Some(path) = &arguments.plot {
        let title = format!("{} at {}", take.antenna, take.spot);
        draw::panels(&title, &readings::panels(&take))?.write(path)?;
    }
    take.spectrum = None;
    match arguments.format {
        Format::Json => output::print_json(&readings::as_json(&take)),
        Format::Csv => {
            let mut bytes = Vec::new();
            export_csv([Ok(take)], &mut bytes)?;
            output::print(&String::from_utf8_lossy(&bytes))
        }
        Format::Table => {
            let mut text = readings::heading(&take, logbook.as_ref()) + &readings::readings(&take);
            if arguments.tunings {
                text += &readings::tunings(&take);
            }
            output::print(&(text + &readings::footing(&take)))
        }
    }?;
    unchecked.map_or(Ok(()), Err)
}

/// A name that is more than white space, without that around it.
pub fn name(option: &str, text: &str) -> Result<String, Failure> {
    match text.trim() {
        "" => Err(Failure::usage(format!("{option} is empty: give it a name"))),
        name => Ok(name.to_owned()),
    }
}
