//! `gainsay trial`: two antennas in turn, from the first take to the verdicts.

#[cfg(feature = "dongle")]
mod dongles;
mod receiver;
pub mod report;
mod session;
pub mod wait;

use std::fs::{File, TryLockError};
use std::path::Path;
use std::time::Duration;

use clap::Args;
use gainsay::compare::Options;
use gainsay::logbook::{Logbook, LogbookError};
use gainsay::trial::Record;
use gainsay::trial::record::Terminator;
use jiff::Timestamp;

use self::session::Session;
use self::wait::{Keyboard, Pace};
use super::Failure;
use super::input::{self, ChannelArguments, LogArguments};
use super::output::Format;
use super::progress::Stop;
use super::take;

/// Where the logbook has the trial that is under way.
const UNDER_WAY: &str = "trial";

/// Take two antennas in turn: says what to connect, takes, and shows the difference as it grows.
///
/// The order is A B B A, B A A B, …, so that drift cancels; a terminator comes first. Each take is in the logbook before the
/// next is asked for. After each block the running difference is shown; verdicts before the end stand at a stricter level,
/// so that looking early makes no false wins. A take that looks like the other antenna is asked about. The result goes to
/// standard output, all else to standard error.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  \
    gainsay trial --a \"tape loop\" --b \"rabbit ears\" --spot \"north window\" --from scene.toml\n\n\
    It asks for the terminator, then for tape loop, rabbit ears, tape loop again, …, each time until Enter is pressed, and ends \
    with the table of `gainsay compare`. Stopped with Ctrl-C, or killed, it goes on with\n  \
    gainsay trial --resume\n\n\
    With two dongles, A on one and B on the other at once, then swapped:\n  \
    gainsay trial --a \"tape loop\" --b \"rabbit ears\" --spot \"north window\" --dongles 00000001,00000002\n\n\
    Outdoors, on a roof, mast or ladder: mind power lines, lightning and sharp metal; --outdoors shows the cautions.")]
pub struct Arguments {
    /// The first antenna.
    #[arg(long, value_name = "NAME", required_unless_present_any = ["resume", "go"])]
    a: Option<String>,
    /// The second antenna.
    #[arg(long, value_name = "NAME", required_unless_present_any = ["resume", "go"])]
    b: Option<String>,
    /// Where they stand.
    #[arg(long, value_name = "NAME", required_unless_present_any = ["resume", "go"])]
    spot: Option<String>,
    /// Blocks of four takes; two are the least for verdicts that show what changes between takes.
    #[arg(long, value_name = "COUNT", default_value_t = 4, value_parser = clap::value_parser!(u16).range(1..=100))]
    blocks: u16,
    /// Play this scene (.toml) instead of taking live.
    #[arg(long, value_name = "SCENE")]
    from: Option<String>,
    /// Recording with a terminator in the antenna's place, or a scene; without it the terminator is asked for first.
    #[arg(long, value_name = "RECORDING")]
    terminated: Option<String>,
    /// Do without a terminator: the noise is estimated.
    #[arg(long, conflicts_with = "terminated")]
    no_terminator: bool,
    /// Dongle to take with: its serial number, or # and its place in the list of `gainsay dongle` [default: the only one].
    #[arg(long, value_name = "SERIAL", conflicts_with_all = ["dongles", "from"])]
    dongle: Option<String>,
    /// Serial numbers of two dongles: A on one and B on the other at once, then swapped.
    #[arg(long, value_name = "SERIAL,SERIAL", value_delimiter = ',')]
    dongles: Vec<String>,
    /// Don't wait for Enter but for this long, such as 10s: time to swap the plug.
    #[arg(long, value_name = "TIME", value_parser = waiting_time, conflicts_with = "wait_for_go")]
    after: Option<Duration>,
    /// Don't read standard input: wait for `gainsay trial --go`.
    #[arg(long)]
    wait_for_go: bool,
    /// Tell the trial that waits, in another terminal, to go on.
    #[arg(long, conflicts_with_all = ["resume", "a", "b", "spot", "after", "wait_for_go"])]
    go: bool,
    /// Go on with the trial that was stopped, as it was begun.
    #[arg(long, conflicts_with_all = ["a", "b", "spot", "from", "terminated", "no_terminator", "dongle", "dongles", "begins",
        "anew"])]
    resume: bool,
    /// Begin another trial though one was stopped before its end; its takes stay.
    #[arg(long)]
    anew: bool,
    /// Stop by itself as soon as all channels are decided.
    #[arg(long)]
    stop_when_decided: bool,
    /// Show the cautions for roofs and masts first.
    #[arg(long)]
    outdoors: bool,
    #[command(flatten)]
    channels: ChannelArguments,
    /// How long to listen at each tuning, such as 20ms or 0.1s [default: 20ms].
    #[arg(long, value_name = "TIME", value_parser = input::seconds)]
    dwell: Option<f64>,
    /// With --from: when the scene's first pass is made, such as 2026-05-09T10:00:00Z; one follows every 40 s [default: by
    /// the clock].
    #[arg(long, value_name = "TIME", requires = "from")]
    begins: Option<Timestamp>,
    #[command(flatten)]
    log: LogArguments,
    /// How to print the result.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// A time such as 10s or 500ms; 0s too.
pub fn waiting_time(text: &str) -> Result<Duration, String> {
    if text.trim() == "0s" {
        return Ok(Duration::ZERO);
    }
    input::seconds(text)
        .and_then(|time_s| Duration::try_from_secs_f64(time_s).map_err(|error| error.to_string()))
}

pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    let path = arguments.log.path()?;
    if arguments.go {
        return wait::go(&path);
    }
    let stop = Stop::watch();
    let (mut record, stopped) = match arguments.resume {
        true => resumed(arguments, &path).map(|(record, alone)| (record, Some(alone)))?,
        false => (begun(arguments)?, None),
    };
    let channels = channels_of(&record);
    let plan = channels.plan()?;
    let wanted = channels.wanted(&plan)?;
    // What was measured of dongles, where anything is kept yet.
    let known = Logbook::open_existing(&path).ok();
    let receivers = receiver::open(&record, wanted.channels(), known.as_ref())?;
    if record.receivers.is_empty() {
        // It goes on with the same dongle, whatever is plugged in besides by then.
        record.receivers = receivers.dongles();
    }
    // Only a trial that can begin makes a logbook and is noted as begun.
    let Alone { mut logbook, _held } = match stopped {
        Some(alone) => alone,
        None => logbook_for_another(&path, arguments.anew)?,
    };
    keep(&mut logbook, &record)?;
    let pace = match (arguments.after, arguments.wait_for_go) {
        (Some(time), _) => Pace::After(time),
        (None, true) => Pace::Go,
        (None, false) => Pace::Enter(Keyboard::new()),
    };
    match (arguments.outdoors, arguments.resume) {
        (true, _) => wait::say(report::CAUTIONS),
        (false, false) => wait::say(report::CAUTION),
        (false, true) => {}
    }
    Session::new(record, logbook, wanted, receivers, pace, stop)
        .run(arguments.stop_when_decided, arguments.format)
}

/// The channels that a trial reads, as they are asked for.
fn channels_of(record: &Record) -> ChannelArguments {
    ChannelArguments {
        plan: record.plan.clone(),
        channels: record.channels.clone(),
        threshold: record.thresholds.clone(),
    }
}

/// A trial as it was asked for.
fn begun(arguments: &Arguments) -> Result<Record, Failure> {
    let named =
        |option: &str, text: &Option<String>| take::name(option, text.as_deref().unwrap_or(""));
    let (a, b) = (named("--a", &arguments.a)?, named("--b", &arguments.b)?);
    if a == b {
        return Err(Failure::usage(format!(
            "--a and --b are both {a:?}: name two antennas"
        )));
    }
    let dongles = dongles(arguments)?;
    let terminator = terminator(arguments, &dongles)?;
    if arguments
        .from
        .as_deref()
        .is_some_and(|name| !input::names_scene(name))
    {
        return Err(Failure::usage(
            "--from plays a scene (.toml) here; recordings go into the logbook one by one, with gainsay take",
        ));
    }
    Ok(Record {
        started_at: to_the_millisecond(Timestamp::now())?,
        a,
        b,
        spot: named("--spot", &arguments.spot)?,
        blocks: arguments.blocks.into(),
        receivers: dongles,
        plan: arguments.channels.plan.clone(),
        channels: arguments.channels.channels.clone(),
        thresholds: arguments.channels.threshold.clone(),
        from: arguments.from.clone(),
        begins: arguments.begins,
        terminator,
        dwell_s: arguments.dwell.unwrap_or(take::USUAL_DWELL_S),
        verdict_level: Options::default().level(),
        kept: Vec::new(),
    })
}

/// A logbook with which no other trial runs.
struct Alone {
    logbook: Logbook,
    /// Open and locked for as long as this trial runs; nothing where files can't be locked. It must not be closed before the
    /// logbook is: that would end SQLite's own locks.
    _held: Option<File>,
}

impl Alone {
    fn with(logbook: Logbook) -> Result<Alone, Failure> {
        // Elsewhere a lock would keep SQLite out.
        let held = cfg!(unix)
            .then(|| File::open(logbook.path()).ok())
            .flatten();
        if let Some(file) = &held
            && let Err(TryLockError::WouldBlock) = file.try_lock()
        {
            return Err(Failure::Failed(format!(
                "another trial is running with {} now: let it end, or give this one another --log",
                logbook.path().display()
            )));
        }
        Ok(Alone {
            logbook,
            _held: held,
        })
    }
}

/// The logbook, if no trial was stopped in it that is to go on.
fn logbook_for_another(path: &Path, anew: bool) -> Result<Alone, Failure> {
    let alone = Alone::with(Logbook::open(path)?)?;
    if anew {
        return Ok(alone);
    }
    match under_way(&alone.logbook)? {
        None => Ok(alone),
        Some(other) => Err(Failure::Failed(format!(
            "a trial of {:?} and {:?} was stopped before its end: go on with gainsay trial --resume, or give --anew to begin \
             this one instead (the takes of the other stay)",
            other.a, other.b
        ))),
    }
}

/// The serial numbers of two dongles, or of the one that is named; none where there is only one.
fn dongles(arguments: &Arguments) -> Result<Vec<String>, Failure> {
    if let Some(dongle) = &arguments.dongle {
        return Ok(vec![take::name("--dongle", dongle)?]);
    }
    let dongles: Vec<String> = arguments
        .dongles
        .iter()
        .map(|serial| serial.trim().to_owned())
        .collect();
    match dongles.as_slice() {
        [] => Ok(dongles),
        [one, two] if one != two && !one.is_empty() && !two.is_empty() => Ok(dongles),
        _ => Err(Failure::usage(
            "--dongles takes two different serial numbers, such as --dongles 00000001,00000002",
        )),
    }
}

/// How the noise is measured.
fn terminator(arguments: &Arguments, dongles: &[String]) -> Result<Terminator, Failure> {
    Ok(match &arguments.terminated {
        Some(_) if dongles.len() == 2 => {
            return Err(Failure::usage(
                "--terminated is of one dongle: with two, leave it out, and a terminator is asked for on each",
            ));
        }
        Some(name) => Terminator::Recording(name.clone()),
        None if arguments.no_terminator => Terminator::Absent,
        None => Terminator::First,
    })
}

/// To the millisecond: short enough for a note, and no two trials begin in the same.
fn to_the_millisecond(time: Timestamp) -> Result<Timestamp, Failure> {
    Ok(Timestamp::from_millisecond(time.as_millisecond())?)
}

/// The trial that was stopped.
fn resumed(arguments: &Arguments, path: &Path) -> Result<(Record, Alone), Failure> {
    if arguments.channels.channels.is_some()
        || !arguments.channels.threshold.is_empty()
        || arguments.dwell.is_some()
    {
        return Err(Failure::usage(
            "--channels, --threshold and --dwell were chosen when the trial began: leave them out with --resume",
        ));
    }
    let none = || {
        Failure::Failed(format!(
            "no trial is under way in {}: begin one with --a, --b and --spot, or give the --log that it was begun with",
            path.display()
        ))
    };
    let logbook = match Logbook::open_existing(path) {
        Err(LogbookError::Absent { .. }) => return Err(none()),
        logbook => logbook?,
    };
    let alone = Alone::with(logbook)?;
    let record = under_way(&alone.logbook)?.ok_or_else(none)?;
    Ok((record, alone))
}

fn under_way(logbook: &Logbook) -> Result<Option<Record>, Failure> {
    let Some(text) = logbook.setting(UNDER_WAY)? else {
        return Ok(None);
    };
    serde_json::from_str(&text).map(Some).map_err(|error| {
        Failure::Failed(format!(
            "{}: the trial under way can't be understood ({error}): begin another with --anew; its takes stay",
            logbook.path().display()
        ))
    })
}

fn keep(logbook: &mut Logbook, record: &Record) -> Result<(), Failure> {
    let text = serde_json::to_string(record)?;
    Ok(logbook.set_setting(UNDER_WAY, Some(&text))?)
}

fn forget(logbook: &mut Logbook) -> Result<(), Failure> {
    Ok(logbook.set_setting(UNDER_WAY, None)?)
}
