//! `gainsay turn`: an antenna turned round at one spot, and its patterns drawn up.

mod guide;
mod play;
pub mod print;

use std::path::PathBuf;
use std::time::Duration;

use clap::Args;
use gainsay::compare;
use gainsay::draw;
use gainsay::logbook::{Filter, Logbook};
use gainsay::reading::Take;
use gainsay::survey::turn::{self, Options, Rotation, wrapped};
use jiff::{SignedDuration, Timestamp};

use super::compare::narrow;
use super::input::{self, ChannelArguments, LogArguments, RawArguments};
use super::output::{self, Format};
use super::wanted::Wanted;
use super::{Failure, take, trial};

/// Takes further apart in time than this are of two rotations.
const PAUSE: SignedDuration = SignedDuration::from_hours(2);

/// Turn an antenna round and draw its patterns: where to aim it, how wide it looks, what it lets in from behind.
///
/// With --every and a dongle it says where to turn the antenna and takes at each bearing, the first once more at the end.
/// With --from it does the same from one recording a bearing, or plays a scene. With neither it draws up the last rotation
/// in the logbook. Bearings are counted clockwise, seen from above.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    gainsay turn --antenna \"tape loop\" --spot \"north window\" --from scene.toml --every 15\n  \
    gainsay turn --antenna \"tape loop\" --spot \"north window\" --every 30 --plot pattern.png\n  \
    gainsay turn --antenna \"tape loop\" --spot \"north window\" --from 0=a.sigmf-meta --from 90=b.sigmf-meta \\\n      \
    --from 180=c.sigmf-meta --from 270=d.sigmf-meta --zero \"the window\"\n  \
    gainsay turn --antenna \"tape loop\" --spot \"north window\" --with \"rabbit ears\" --plot both.png\n\n\
    How to read it: the beamwidth is the angle within which the curve is no more than 3 dB (half the power) under its best \
    bearing; front-to-back is the best bearing against exactly 180° behind it; roundness is the strongest bearing against \
    the weakest. In brackets stand 95 % intervals; `at least` is all that can be said where hardly anything arrives. A \
    pattern is what arrives with the antenna turned there: indoors, with the room.")]
pub struct Arguments {
    /// What was connected.
    #[arg(long, value_name = "NAME")]
    antenna: String,
    /// Where it stands.
    #[arg(long, value_name = "NAME")]
    spot: String,
    /// Degrees from one bearing to the next.
    #[arg(long, value_name = "DEGREES", value_parser = step)]
    every: Option<f64>,
    /// Recordings, one a bearing in the order of the bearings, each with its own --from, or named like 90=west.sigmf-meta;
    /// or one scene (.toml), played with the antenna turned.
    #[arg(long, value_name = "[BEARING=]RECORDING")]
    from: Vec<String>,
    /// The first bearing in degrees.
    #[arg(long, value_name = "DEGREES", default_value_t = 0.0, value_parser = input::finite, allow_negative_numbers = true)]
    start: f64,
    /// What 0 degrees is, such as "the window".
    #[arg(long, value_name = "DIRECTION", default_value = "north")]
    zero: String,
    /// The bearings given are counted anticlockwise; they are kept and shown clockwise.
    #[arg(long)]
    anticlockwise: bool,
    /// Recording with a terminator in the antenna's place; or a scene. Live, without it, the terminator is asked for first.
    #[arg(long, value_name = "RECORDING")]
    terminated: Option<String>,
    /// Live, do without a terminator: the noise is estimated.
    #[arg(long, conflicts_with = "terminated")]
    no_terminator: bool,
    #[command(flatten)]
    channels: ChannelArguments,
    /// Channels that you want to receive, such as 7,9,20-23: the weakest of them says where to aim. Kept in the logbook as your
    /// list from then on; all forgets the list [default: the list kept, else all found].
    #[arg(long, value_name = "CHANNELS")]
    want: Option<String>,
    #[command(flatten)]
    raw: RawArguments,
    /// Dongle to take with: its serial number, or # and its place in the list of `gainsay dongle` [default: the only one].
    #[arg(long, value_name = "SERIAL", conflicts_with = "from")]
    dongle: Option<String>,
    /// How long to listen at each tuning, live or of a scene, such as 20ms or 0.1s [default: 20ms].
    #[arg(long, value_name = "TIME", value_parser = input::seconds)]
    dwell: Option<f64>,
    /// Live, don't wait for Enter but for this long, such as 10s: time to turn the antenna.
    #[arg(long, value_name = "TIME", value_parser = trial::waiting_time, conflicts_with = "from")]
    after: Option<Duration>,
    /// Live, begin another rotation though one was stopped before its end; its takes stay.
    #[arg(long, conflicts_with = "from")]
    anew: bool,
    /// Live, show the cautions for roofs and masts first.
    #[arg(long)]
    outdoors: bool,
    /// Of the logbook: only takes before this time, such as 2026-05-09T12:00:00Z, for an earlier rotation.
    #[arg(long, value_name = "TIME", conflicts_with_all = ["from", "every"])]
    before: Option<Timestamp>,
    /// When a scene's first take is made, or recordings that don't say it were [default: now; their files' times].
    #[arg(long, value_name = "TIME", requires = "from")]
    begins: Option<Timestamp>,
    /// Draw the last rotation of this antenna at the same spot over it, out of the logbook.
    #[arg(long, value_name = "NAME")]
    with: Option<String>,
    /// Draw the patterns into a .svg or .png file.
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Standard uncertainty in dB of a take's level from what changes between takes, the aiming included.
    #[arg(long, value_name = "DB", default_value_t = Options::default().unsteadiness_db)]
    unsteadiness: f64,
    #[command(flatten)]
    log: LogArguments,
    /// Print and draw only; keep nothing of recordings and scenes.
    #[arg(long, requires = "from")]
    no_log: bool,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Degrees from one bearing to the next, above 0 to 90.
fn step(text: &str) -> Result<f64, String> {
    match text.trim_end_matches('°').trim().parse::<f64>() {
        Ok(step) if (1.0..=90.0).contains(&step) => Ok(step),
        _ => Err("write degrees from 1 to 90, such as 30".to_owned()),
    }
}

/// What was asked for, checked.
struct Asked<'a> {
    arguments: &'a Arguments,
    antenna: String,
    spot: String,
    zero: String,
}

impl Asked<'_> {
    /// A bearing as the user counts it, clockwise from 0 to under 360.
    fn clockwise(&self, bearing_deg: f64) -> f64 {
        wrapped(if self.arguments.anticlockwise {
            -bearing_deg
        } else {
            bearing_deg
        })
    }

    /// The bearings of a whole rotation, each once.
    fn bearings(&self, every_deg: f64) -> Vec<f64> {
        let count = (360.0 / every_deg - 1e-9).ceil() as usize;
        (0..count)
            .map(|n| self.clockwise(self.arguments.start + n as f64 * every_deg))
            .collect()
    }

    fn dwell_s(&self) -> f64 {
        self.arguments.dwell.unwrap_or(take::USUAL_DWELL_S)
    }
}

pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    let asked = Asked {
        arguments,
        antenna: take::name("--antenna", &arguments.antenna)?,
        spot: take::name("--spot", &arguments.spot)?,
        zero: take::name("--zero", &arguments.zero)?,
    };
    if let Some(path) = &arguments.plot {
        draw::check_ending(path).map_err(Failure::usage)?;
    }
    let takes = match (arguments.from.is_empty(), arguments.every) {
        (false, _) => play::takes(&asked)?,
        (true, Some(every)) => guide::takes(&asked, every)?,
        (true, None) => kept(&asked)?,
    };
    let mut logbook = match arguments.no_log {
        true => None,
        false => Some(Logbook::open_existing(&arguments.log.path()?)?),
    };
    let plan = takes.first().map_or("", |take| &take.settings.plan);
    let wanted = Wanted::of(arguments.want.as_deref(), logbook.as_ref(), plan)?;
    let rotation = draw_up(&asked, &takes, &wanted)?;
    let other = (arguments.with.as_deref())
        .map(|name| beside(&asked, name, &takes, &wanted))
        .transpose()?;
    if let Some(logbook) = &mut logbook {
        wanted.keep(logbook, plan);
    }
    print::rotation(&rotation, other.as_ref(), arguments.format)?;
    if let Some(path) = &arguments.plot {
        draw::polar(&rotation, other.as_ref())?.write(path)?;
        output::remark(&format!("drawn: {}", path.display()));
    }
    Ok(())
}

/// The pattern of takes, against the wanted channels.
fn draw_up(asked: &Asked, takes: &[Take], wanted: &Wanted) -> Result<Rotation, Failure> {
    let options = Options {
        unsteadiness_db: asked.arguments.unsteadiness,
        wanted: wanted.channels.clone(),
        ..Options::default()
    };
    Ok(turn::pattern(takes, &options)?)
}

/// The last rotation in the logbook.
fn kept(asked: &Asked) -> Result<Vec<Take>, Failure> {
    let arguments = asked.arguments;
    if arguments.terminated.is_some() || arguments.dwell.is_some() {
        return Err(Failure::usage(
            "--terminated and --dwell go with takes that are being made (--every, --from); takes in the logbook have theirs",
        ));
    }
    if arguments.anticlockwise || arguments.start != 0.0 || arguments.zero != "north" {
        return Err(Failure::usage(
            "--start, --zero and --anticlockwise go with takes that are being made (--every, --from); takes in the logbook \
             have their bearings",
        ));
    }
    let logbook = Logbook::open_existing(&arguments.log.path()?)?;
    logbook.check_antenna(&asked.antenna)?;
    logbook.check_spot(&asked.spot)?;
    last_rotation(&logbook, asked, &asked.antenna, arguments.before)
}

/// The rotations of an antenna at a spot that the logbook has, oldest first; those before a time, where one is given.
pub fn rotations(
    logbook: &Logbook,
    antenna: &str,
    spot: &str,
    before: Option<Timestamp>,
) -> Result<Vec<Vec<Take>>, Failure> {
    let mut takes = logbook.load(&Filter {
        antenna: Some(antenna.to_owned()),
        spot: Some(spot.to_owned()),
        deleted: false,
    })?;
    takes.retain(|take| {
        take.bearing.is_some() && before.is_none_or(|before| take.taken_at < before)
    });
    compare::leave_out_twins(&mut takes);
    Ok(turn::rotations(takes, PAUSE))
}

fn last_rotation(
    logbook: &Logbook,
    asked: &Asked,
    antenna: &str,
    before: Option<Timestamp>,
) -> Result<Vec<Take>, Failure> {
    let mut rotations = rotations(logbook, antenna, &asked.spot, before)?;
    let mut last = rotations.pop().ok_or_else(|| {
        Failure::Failed(format!(
            "there is no rotation of {antenna:?} at {:?} in the logbook: make one with --every 30, or --from recordings",
            asked.spot
        ))
    })?;
    if !rotations.is_empty() {
        output::remark(&format!(
            "{} earlier rotation(s) of {antenna:?} are left out; --before {} shows the one before",
            rotations.len(),
            last[0].taken_at
        ));
    }
    narrow(&mut last, asked.arguments.channels.channels.as_deref())?;
    let thresholds = asked.arguments.channels.thresholds()?;
    last.iter_mut()
        .for_each(|take| take.judge_anew(&thresholds));
    Ok(last)
}

/// The other antenna's last rotation.
fn beside(asked: &Asked, name: &str, takes: &[Take], wanted: &Wanted) -> Result<Rotation, Failure> {
    let name = take::name("--with", name)?;
    if name == asked.antenna {
        return Err(Failure::usage(format!(
            "--with is {name:?} too: name another antenna"
        )));
    }
    let logbook = Logbook::open_existing(&asked.arguments.log.path()?)?;
    logbook.check_antenna(&name)?;
    let others = last_rotation(&logbook, asked, &name, None)?;
    if let Some((centre_hz, [own, theirs])) = (takes.first().zip(others.first()))
        .and_then(|(own, other)| turn::different_gain(own, other))
    {
        return Err(Failure::Failed(format!(
            "the gain differs between the two rotations ({own:.1} and {theirs:.1} dB at {:.3} MHz), so they can't be drawn \
             over each other: turn both with one gain plan",
            centre_hz / 1e6
        )));
    }
    let other = draw_up(asked, &others, wanted)?;
    let zero = takes
        .first()
        .and_then(|take| take.bearing.as_ref())
        .map(|b| &b.from);
    if zero != Some(&other.zero) {
        return Err(Failure::Failed(format!(
            "the bearings of {:?} are counted from {:?} and those of {name:?} from {:?}: they can't be drawn over each other",
            asked.antenna,
            zero.map_or("", String::as_str),
            other.zero
        )));
    }
    Ok(other)
}
