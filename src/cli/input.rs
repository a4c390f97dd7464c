//! What commands share in their arguments: recordings, channel choice, the logbook's place.

use std::io;
use std::path::{Path, PathBuf};

use clap::Args;
use gainsay::capture::Source;
use gainsay::capture::recording::Recording;
use gainsay::capture::simulated::{Scene, Setup, SimulatedSource};
use gainsay::capture::tuning::tile;
use gainsay::channels::{Channel, Plan, Thresholds};
use gainsay::logbook;
use gainsay::reading::Position;
use gainsay::reading::assemble::Wanted;
use gainsay::reading::survey::Survey;
use gainsay::units::Hertz;
use jiff::Timestamp;

use super::Failure;
use super::progress::{Line, Stop};

/// Which channels, by which plan, against which thresholds.
#[derive(Debug, Args)]
pub struct ChannelArguments {
    /// Channel plan: a name that `gainsay channels` lists, or a TOML file of your own.
    #[arg(long, value_name = "PLAN", env = "GAINSAY_PLAN", default_value = "us")]
    pub plan: String,
    /// Channels to read, such as 14-36 or 7,9,20-23 [default: all that are covered].
    #[arg(long, value_name = "CHANNELS")]
    pub channels: Option<String>,
    /// C/N in dB that a standard needs, in place of the built-in figure, such as 8vsb=15.2; may be repeated.
    #[arg(long, value_name = "STANDARD=DB")]
    pub threshold: Vec<String>,
}

impl ChannelArguments {
    /// The plan.
    pub fn plan(&self) -> Result<Plan, Failure> {
        Plan::find(&self.plan).map_err(Failure::usage)
    }

    /// The thresholds: the built-in ones, but for those given.
    pub fn thresholds(&self) -> Result<Thresholds, Failure> {
        thresholds(&self.threshold)
    }

    /// The channels wanted of a plan.
    pub fn wanted<'p>(&self, plan: &'p Plan) -> Result<Wanted<'p>, Failure> {
        let thresholds = self.thresholds()?;
        let chosen = self
            .channels
            .as_deref()
            .map(|choice| plan.choose(choice))
            .transpose()
            .map_err(Failure::usage)?;
        Ok(Wanted {
            plan,
            chosen,
            thresholds,
        })
    }
}

/// Thresholds against which kept takes are judged anew.
#[derive(Debug, Clone, Default, Args)]
pub struct ThresholdArguments {
    /// C/N in dB that a standard needs, such as 8vsb=15.2: margins and states of the takes are reckoned anew against it; may
    /// be repeated [default: what each take was kept with].
    #[arg(long, value_name = "STANDARD=DB")]
    pub threshold: Vec<String>,
}

impl ThresholdArguments {
    /// The thresholds: the built-in ones, but for those given.
    pub fn thresholds(&self) -> Result<Thresholds, Failure> {
        thresholds(&self.threshold)
    }
}

fn thresholds(given: &[String]) -> Result<Thresholds, Failure> {
    Thresholds::of(given).map_err(Failure::usage)
}

/// How raw recordings were made; SigMF says it itself.
#[derive(Debug, Clone, Copy, Args)]
pub struct RawArguments {
    /// Sample rate of a raw 8-bit recording, such as 2.4M.
    #[arg(long, value_name = "HZ")]
    pub rate: Option<Hertz>,
    /// Frequency that a raw 8-bit recording was tuned to, such as 515M.
    #[arg(long, value_name = "HZ")]
    pub tuned: Option<Hertz>,
}

impl RawArguments {
    fn both(self, name: &str) -> Result<(Hertz, Hertz), Failure> {
        match (self.rate, self.tuned) {
            (Some(rate), Some(tuned)) => Ok((rate, tuned)),
            _ => Err(Failure::usage(format!(
                "{name}: raw samples don't say how they were made: add --rate (such as 2.4M) and --tuned (such as 515M), \
                 or name a .sigmf-meta file"
            ))),
        }
    }
}

/// Where an antenna stood, and what else is known of a take that no sample says.
#[derive(Debug, Clone, Copy, Args)]
pub struct PlaceArguments {
    /// Where in the room it stood, in metres right of and up from the lower left corner of your floor plan, such as 1.2,3.4;
    /// for `gainsay spots`.
    #[arg(long, value_name = "X,Y", value_parser = metres, allow_hyphen_values = true)]
    pub at: Option<(f64, f64)>,
    /// How high above the floor, in metres.
    #[arg(long, value_name = "METRES", requires = "at", value_parser = finite, allow_hyphen_values = true)]
    height: Option<f64>,
    /// How many stations a television's channel scan found with this antenna here: reports say where that and the
    /// measurement disagree.
    #[arg(long, value_name = "COUNT")]
    pub scan_count: Option<u32>,
}

impl PlaceArguments {
    /// The position, where one was given.
    pub fn position(&self) -> Option<Position> {
        self.at.map(|(x_m, y_m)| Position {
            x_m,
            y_m,
            height_m: self.height,
        })
    }
}

/// Whether a word names a recording rather than an antenna. An antenna that the logbook knows is one, also where its name
/// looks like a path ("1/2 wave") or a file is called the same; `./` before it names the file.
pub fn names_recording(word: &str, is_antenna: impl Fn(&str) -> bool) -> bool {
    let path = Path::new(word);
    Recording::is_sigmf(path)
        || (path.is_file() || word.contains(std::path::MAIN_SEPARATOR)) && !is_antenna(word)
}

/// Opens a recording: SigMF by its ending, `-` for standard input, anything else as raw 8-bit samples.
pub fn open(name: &str, raw: RawArguments) -> Result<Recording, Failure> {
    let path = Path::new(name);
    if name == "-" {
        let (rate, tuned) = raw.both("standard input")?;
        return Ok(Recording::stream(
            "standard input",
            Box::new(io::stdin()),
            rate,
            tuned,
        )?);
    }
    if Recording::is_sigmf(path) {
        if raw.rate.is_some() || raw.tuned.is_some() {
            return Err(Failure::usage(format!(
                "{name}: SigMF says its own rate and tuning: leave --rate and --tuned out"
            )));
        }
        return Ok(Recording::open(path)?);
    }
    Recording::check(path)?;
    let (rate, tuned) = raw.both(name)?;
    Ok(Recording::raw(path, rate, tuned)?)
}

/// Runs through a recording, with progress. Pilots and guard intervals are listened for in `channels`; a terminated take
/// has none.
pub fn survey(
    name: &str,
    raw: RawArguments,
    channels: &[Channel],
    stop: &Stop,
) -> Result<Survey, Failure> {
    let mut recording = open(name, raw)?;
    let samples = recording.samples();
    pass(name, &mut recording, samples, channels, stop)
}

/// Runs through a source, with progress, as [`survey`] does.
pub fn pass(
    name: &str,
    source: &mut dyn Source,
    samples: Option<u64>,
    channels: &[Channel],
    stop: &Stop,
) -> Result<Survey, Failure> {
    let mut line = Line::start(name, samples);
    let survey = Survey::run(source, channels, &|| stop.asked(), &mut |progress| {
        line.show(name, progress)
    })?;
    drop(line);
    if stop.asked() && name != "-" {
        return Err(Failure::Failed(format!(
            "{name}: stopped before its end; nothing was kept of it"
        )));
    }
    Ok(survey)
}

/// A time such as 20ms or 0.1s, in seconds.
pub fn seconds(text: &str) -> Result<f64, String> {
    let (number, scale) = match text.strip_suffix("ms") {
        Some(number) => (number, 1e-3),
        None => (text.strip_suffix('s').unwrap_or(""), 1.0),
    };
    match number.trim().parse::<f64>() {
        Ok(value) if value > 0.0 && value.is_finite() => Ok(value * scale),
        _ => Err("write a time above zero with its unit, such as 20ms or 0.1s".to_owned()),
    }
}

/// Two lengths such as 1.2,3.4.
pub fn metres(text: &str) -> Result<(f64, f64), String> {
    let place = text
        .split_once(',')
        .and_then(|(x, y)| finite(x).ok().zip(finite(y).ok()));
    place.ok_or_else(|| {
        "write two lengths in metres with a comma between, such as 1.2,3.4".to_owned()
    })
}

/// A number that is neither infinite nor none.
pub fn finite(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        _ => Err("write a number such as 1.1".to_owned()),
    }
}

/// Whether a name is a scene's.
pub fn names_scene(name: &str) -> bool {
    Path::new(name)
        .extension()
        .is_some_and(|ending| ending == "toml")
}

/// A scene ready to be played over these channels: `antenna` at `spot`, or a terminator, from `begins` on. Fading and drift
/// count from the full hour before.
pub fn scene(
    name: &str,
    antenna: Option<&str>,
    spot: &str,
    channels: &[Channel],
    begins: Timestamp,
    dwell_s: f64,
) -> Result<SimulatedSource, Failure> {
    let scene = Scene::read(Path::new(name))?;
    let setup = setup(&scene, antenna, spot, channels, begins, dwell_s)?;
    Ok(SimulatedSource::new(&scene, setup)?)
}

/// What [`scene`] plays.
pub fn setup(
    scene: &Scene,
    antenna: Option<&str>,
    spot: &str,
    channels: &[Channel],
    begins: Timestamp,
    dwell_s: f64,
) -> Result<Setup, Failure> {
    let edges: Vec<(Hertz, Hertz)> = channels
        .iter()
        .map(|channel| (channel.low, channel.high))
        .collect();
    let second = begins.as_second();
    let hour = Timestamp::from_second(second - second.rem_euclid(3600))?;
    Ok(Setup {
        antenna: antenna.map(str::to_owned),
        tunings: tile(&edges, Hertz(f64::from(scene.dongle.sample_rate_hz))),
        scene_epoch: hour,
        dwell_s,
        take_seed: 2 * (begins.as_nanosecond() as u64 / 2) + u64::from(antenna.is_some()),
        ..Setup::terminated(spot, begins)
    })
}

/// When a recording was made, where it doesn't say: when its file was last written, else `now`.
pub fn time_of(name: &str, now: Timestamp) -> Timestamp {
    std::fs::metadata(name)
        .and_then(|about| about.modified())
        .ok()
        .and_then(|time| Timestamp::try_from(time).ok())
        .unwrap_or(now)
}

/// Where the logbook is.
#[derive(Debug, Clone, Args)]
pub struct LogArguments {
    /// The logbook [default: $GAINSAY_LOG, else logbook.sqlite in the user's data folder].
    #[arg(long, value_name = "FILE")]
    pub log: Option<PathBuf>,
}

impl LogArguments {
    /// The logbook's path.
    pub fn path(&self) -> Result<PathBuf, Failure> {
        Ok(logbook::resolve(
            self.log.clone(),
            std::env::var_os(logbook::PATH_VARIABLE),
        )?)
    }
}
