//! `gainsay compare`: A against B, out of the logbook or straight from recordings.

use std::path::{Path, PathBuf};
use std::thread;

use clap::Args;
use gainsay::channels::{Channel, ChannelId, Plan};
use gainsay::compare::{self, ChannelComparison, Comparison, Options, Side};
use gainsay::draw::{self, Band, Line as DrawnLine};
use gainsay::logbook::{Filter, Logbook};
use gainsay::reading::assemble::{Subject, assemble_pair};
use gainsay::reading::survey::Survey;
use gainsay::reading::{Take, Trace};
use gainsay::survey::turn;
use jiff::{SignedDuration, Timestamp};

use super::Failure;
use super::input::{self, ChannelArguments, LogArguments, RawArguments};
use super::output::{self, Format};
use super::progress::Stop;
use super::table::{Set, edges_mhz, number, signed, table};

/// Compare two antennas: by how many dB A beats B on each channel, and how sure that is.
///
/// A and B are antennas in the logbook (all their takes at one spot, put against each other in the order in which they were
/// taken) or two recordings. Where nothing can be decided the table says so, and why.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    gainsay compare \"tape loop\" \"rabbit ears\" --spot \"north window\" --plot gain.png\n  \
    gainsay compare loop.sigmf-meta ears.sigmf-meta --terminated plug.sigmf-meta\n\n\
    How to read it: the difference is A less B in dB with its 95 % interval. A verdict a or b stands only where chance is \
    ruled out over all channels together (Holm's step-down); undecided says nothing about either. Under `by` stands what \
    was compared, power or pilot: the pilot where it tells more of a weak channel, though it is one frequency.")]
pub struct Arguments {
    /// Antenna in the logbook, or recording.
    a: String,
    /// Antenna in the logbook, or recording, to compare it with.
    b: String,
    /// The spot of the takes [default: the only one that both antennas were at].
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

/// Takes to compare, and a spectrum of either side for the plot.
struct Material {
    takes: [Vec<Take>; 2],
    spectra: [Option<Trace>; 2],
}

pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    for path in [&arguments.plot, &arguments.spectrum].into_iter().flatten() {
        draw::check_ending(path).map_err(Failure::usage)?;
    }
    let words = [arguments.a.as_str(), arguments.b.as_str()];
    let is_antenna = |word: &str| {
        let logbook = arguments
            .log
            .path()
            .ok()
            .and_then(|path| Logbook::open_existing(&path).ok());
        logbook.is_some_and(|logbook| logbook.check_antenna(word).is_ok())
    };
    let material = match words.map(|word| input::names_recording(word, is_antenna)) {
        [true, true] => from_recordings(arguments)?,
        [false, false] => from_logbook(arguments)?,
        [a_is_file, _] => {
            let (file, antenna) = if a_is_file {
                (words[0], words[1])
            } else {
                (words[1], words[0])
            };
            return Err(Failure::usage(format!(
                "{file} is a recording and {antenna:?} is not: name two recordings, or two antennas in the logbook"
            )));
        }
    };
    let options = Options {
        mating_db: arguments.mating,
        unsteadiness_db: arguments.unsteadiness,
        selective_fading_db: arguments.selective_fading,
        max_apart: arguments.apart,
        ..Options::default()
    };
    let [a, b] = &material.takes;
    let comparison = compare::compare(a, b, &options)?;
    show(arguments, &comparison)?;
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

fn from_recordings(arguments: &Arguments) -> Result<Material, Failure> {
    let plan = arguments.channels.plan()?;
    let wanted = arguments.channels.wanted(&plan)?;
    let stop = Stop::watch();
    let channels = wanted.channels();
    let survey =
        |name: &str, channels: &[Channel]| input::survey(name, arguments.raw, channels, &stop);
    let (a, b, terminated) = thread::scope(|scope| {
        let b = scope.spawn(|| survey(&arguments.b, channels));
        let terminated = arguments
            .terminated
            .as_deref()
            .map(|name| scope.spawn(move || survey(name, &[])));
        let a = survey(&arguments.a, channels);
        (a, joined(b), terminated.map(joined))
    });
    let (a, b, terminated) = (a?, b?, terminated.transpose()?);
    if let Some(terminated) = &terminated {
        terminated.serves(&a)?;
    }
    let names = labels([(&arguments.a, &a), (&arguments.b, &b)]);
    let now = Timestamp::now();
    let subject = |antenna: &str, name: &str| Subject {
        antenna: antenna.to_owned(),
        spot: arguments.spot.clone().unwrap_or_default(),
        taken_at: input::time_of(name, now),
        ..Subject::default()
    };
    let subjects = [
        subject(&names[0], &arguments.a),
        subject(&names[1], &arguments.b),
    ];
    let takes = assemble_pair([&a, &b], terminated.as_ref(), &wanted, subjects);
    if takes
        .iter()
        .all(|take| a.covers_any(&take.readings, &wanted).is_err())
    {
        a.covers_any(&takes[0].readings, &wanted)?;
    }
    let spectra = [takes[0].spectrum.clone(), takes[1].spectrum.clone()];
    Ok(Material {
        takes: takes.map(|take| vec![take]),
        spectra,
    })
}

fn joined<T>(handle: thread::ScopedJoinHandle<Result<T, Failure>>) -> Result<T, Failure> {
    handle
        .join()
        .unwrap_or_else(|panic| std::panic::resume_unwind(panic))
}

/// What to call two recordings: by the antenna they name, else by the file; never the same.
fn labels(recordings: [(&String, &Survey); 2]) -> [String; 2] {
    let stem = |path: &str| {
        Path::new(path).file_stem().map_or_else(
            || path.to_owned(),
            |stem| stem.to_string_lossy().into_owned(),
        )
    };
    let named =
        recordings.map(|(path, survey)| survey.about.antenna.clone().unwrap_or_else(|| stem(path)));
    if named[0] != named[1] {
        return named;
    }
    let stems = recordings.map(|(path, _)| stem(path));
    if stems[0] != stems[1] {
        stems
    } else {
        recordings.map(|(path, _)| path.clone())
    }
}

fn from_logbook(arguments: &Arguments) -> Result<Material, Failure> {
    if arguments.terminated.is_some()
        || arguments.raw.rate.is_some()
        || arguments.raw.tuned.is_some()
        || !arguments.channels.threshold.is_empty()
    {
        return Err(Failure::usage(
            "--terminated, --rate, --tuned and --threshold go with recordings; takes in the logbook have theirs",
        ));
    }
    let logbook = Logbook::open_existing(&arguments.log.path()?)?;
    let antennas = [&arguments.a, &arguments.b];
    for antenna in antennas {
        logbook.check_antenna(antenna)?;
    }
    if let Some(spot) = &arguments.spot {
        logbook.check_spot(spot)?;
    }
    let spot = match &arguments.spot {
        Some(spot) => spot.clone(),
        None => shared_spot(&logbook, antennas)?,
    };
    let filter = |antenna: &String| Filter {
        antenna: Some(antenna.clone()),
        spot: Some(spot.clone()),
        deleted: false,
    };
    let mut takes = [
        logbook.load(&filter(antennas[0]))?,
        logbook.load(&filter(antennas[1]))?,
    ];
    for (takes, antenna) in takes.iter_mut().zip(antennas) {
        leave_out_turned(takes, antenna);
        if takes.is_empty() {
            return Err(Failure::Failed(format!(
                "there is no take of {antenna:?} at {spot:?}: make one with gainsay take"
            )));
        }
        let twins = compare::leave_out_twins(takes);
        if twins > 0 {
            output::remark(&format!(
                "{twins} take(s) of {antenna:?} are in the logbook more than once; each counts once"
            ));
        }
        narrow(takes, arguments)?;
    }
    let spectra = match &arguments.spectrum {
        None => [None, None],
        Some(_) => {
            let latest = |takes: &[Take]| takes.last().and_then(|take| take.id);
            let load = |id: Option<i64>| id.map(|id| logbook.take(id)).transpose();
            [load(latest(&takes[0]))?, load(latest(&takes[1]))?]
                .map(|take| take.and_then(|take| take.spectrum))
        }
    };
    Ok(Material { takes, spectra })
}

/// Leaves the takes of rotations out: they look where the antenna usually doesn't.
fn leave_out_turned(takes: &mut Vec<Take>, antenna: &str) {
    let turned = turn::leave_out_turned(takes);
    if turned > 0 {
        output::remark(&format!(
            "{turned} take(s) of {antenna:?} belong to a rotation and are left out; gainsay turn draws them up"
        ));
    }
}

/// Keeps the channels that were asked for.
fn narrow(takes: &mut [Take], arguments: &Arguments) -> Result<(), Failure> {
    let Some(choice) = &arguments.channels.channels else {
        return Ok(());
    };
    for take in takes {
        let plan = Plan::find(&take.settings.plan)?;
        let chosen = plan.choose(choice).map_err(Failure::usage)?;
        take.readings
            .retain(|reading| chosen.iter().any(|channel| channel.id == reading.channel));
    }
    Ok(())
}

/// The only spot at which both antennas have takes.
fn shared_spot(logbook: &Logbook, antennas: [&String; 2]) -> Result<String, Failure> {
    let spots = |antenna: &String| -> Result<Vec<String>, Failure> {
        let filter = Filter {
            antenna: Some(antenna.clone()),
            ..Filter::default()
        };
        let mut spots: Vec<String> = logbook
            .list(&filter)?
            .into_iter()
            .map(|entry| entry.spot)
            .collect();
        spots.sort();
        spots.dedup();
        Ok(spots)
    };
    let (a, b) = (spots(antennas[0])?, spots(antennas[1])?);
    let shared: Vec<&String> = a.iter().filter(|spot| b.contains(spot)).collect();
    match shared.as_slice() {
        [spot] => Ok((*spot).clone()),
        [] => Err(Failure::Failed(format!(
            "{:?} was at {} and {:?} at {}: antennas are compared at one and the same spot",
            antennas[0],
            a.join(", "),
            antennas[1],
            b.join(", ")
        ))),
        several => Err(Failure::usage(format!(
            "both antennas were at {}: choose one with --spot",
            several
                .iter()
                .map(|spot| format!("{spot:?}"))
                .collect::<Vec<_>>()
                .join(", ")
        ))),
    }
}

fn show(arguments: &Arguments, comparison: &Comparison) -> Result<(), Failure> {
    if let Some(name) = &arguments.explain {
        return explain(comparison, name, arguments.format);
    }
    match arguments.format {
        Format::Json => output::print_json(comparison),
        Format::Csv => print_csv(comparison),
        Format::Table => output::print(&as_text(comparison)),
    }
}

/// The comparison for people: heading, table, what it means, what to bear in mind.
pub fn as_text(comparison: &Comparison) -> String {
    let mut text = format!("A: {}   B: {}", comparison.a, comparison.b);
    if let Some(spot) = &comparison.spot {
        text += &format!("   at {spot}");
    }
    text += &format!(
        "\n{} take(s) of A, {} of B; plan {}; intervals {:.0} %\n\n",
        comparison.takes_a,
        comparison.takes_b,
        comparison.plan,
        comparison.confidence * 100.0
    );
    let head = [
        ("channel", Set::Right),
        ("MHz", Set::Right),
        ("A dBFS", Set::Right),
        ("", Set::Left),
        ("B dBFS", Set::Right),
        ("", Set::Left),
        ("A − B dB", Set::Right),
        ("interval dB", Set::Right),
        ("by", Set::Left),
        ("verdict", Set::Left),
        ("reason", Set::Left),
    ];
    text += &table(
        &head,
        comparison.channels.iter().map(|channel| {
            let (a, b) = (side(&channel.a), side(&channel.b));
            vec![
                channel.channel.to_string(),
                edges_mhz(channel.low_hz, channel.high_hz),
                a.0,
                a.1,
                b.0,
                b.1,
                channel
                    .difference_db
                    .map_or_else(String::new, |difference| signed(difference, 2)),
                interval(channel),
                method(channel),
                channel.verdict.to_string(),
                channel.reason.clone().unwrap_or_default(),
            ]
        }),
    );
    for (title, sentences) in [
        ("What it means", &comparison.meaning),
        ("To bear in mind", &comparison.remarks),
    ] {
        if !sentences.is_empty() {
            text += &format!("\n{title}\n");
            for sentence in sentences {
                text += &format!("  {sentence}\n");
            }
        }
    }
    text
}

/// One side's level and state.
fn side(side: &Side) -> (String, String) {
    let level = match (side.signal_dbfs, side.signal_upper_dbfs) {
        (Some(_), _) => number(side.signal_dbfs, 2),
        (None, Some(_)) => format!("< {}", number(side.signal_upper_dbfs, 1)),
        (None, None) => String::new(),
    };
    (
        level,
        side.state
            .map_or_else(String::new, |state| state.to_string()),
    )
}

/// The interval in words: both ends, or the one that there is.
pub fn interval(channel: &ChannelComparison) -> String {
    match (channel.low_db, channel.high_db) {
        (Some(low), Some(high)) => format!("{} … {}", signed(low, 2), signed(high, 2)),
        (Some(low), None) => format!("at least {}", signed(low, 1)),
        (None, Some(high)) => format!("at most {}", signed(high, 1)),
        (None, None) => String::new(),
    }
}

/// By what a channel was compared.
fn method(channel: &ChannelComparison) -> String {
    (channel.method).map_or_else(String::new, |method| method.to_string())
}

/// The comparison for spreadsheets.
pub fn print_csv(comparison: &Comparison) -> Result<(), Failure> {
    let head = [
        "channel",
        "low_hz",
        "high_hz",
        "a_signal_dbfs",
        "a_signal_upper_dbfs",
        "a_pilot_dbfs",
        "a_cn_db",
        "a_margin_db",
        "a_state",
        "a_carries",
        "a_sigma_sp_db",
        "b_signal_dbfs",
        "b_signal_upper_dbfs",
        "b_pilot_dbfs",
        "b_cn_db",
        "b_margin_db",
        "b_state",
        "b_carries",
        "b_sigma_sp_db",
        "method",
        "difference_db",
        "low_db",
        "high_db",
        "standard_uncertainty_db",
        "degrees_of_freedom",
        "p",
        "p_adjusted",
        "verdict",
        "reason",
    ];
    let cell = |value: Option<f64>| value.map_or_else(String::new, |value| value.to_string());
    let sides = |side: &Side| {
        [
            cell(side.signal_dbfs),
            cell(side.signal_upper_dbfs),
            cell(side.pilot_dbfs),
            cell(side.cn_db),
            cell(side.margin_db),
            side.state
                .map_or_else(String::new, |state| state.to_string()),
            (side.identity.as_ref()).map_or_else(String::new, |identity| identity.to_string()),
            cell(side.sigma_sp_db),
        ]
    };
    let rows = comparison.channels.iter().map(|channel| {
        let mut row = vec![
            channel.channel.to_string(),
            channel.low_hz.to_string(),
            channel.high_hz.to_string(),
        ];
        row.extend(sides(&channel.a));
        row.extend(sides(&channel.b));
        row.push(method(channel));
        row.extend(
            [
                channel.difference_db,
                channel.low_db,
                channel.high_db,
                channel.standard_uncertainty_db,
                channel.degrees_of_freedom,
                channel.p,
                channel.p_adjusted,
            ]
            .map(cell),
        );
        row.push(channel.verdict.to_string());
        row.push(channel.reason.clone().unwrap_or_default());
        row
    });
    output::print_csv(std::iter::once(head.map(String::from).to_vec()).chain(rows))
}

fn explain(comparison: &Comparison, name: &str, format: Format) -> Result<(), Failure> {
    let id = ChannelId::from(name);
    let Some(channel) = comparison
        .channels
        .iter()
        .find(|channel| channel.channel.matches(&id))
    else {
        let known: Vec<String> = comparison
            .channels
            .iter()
            .map(|channel| channel.channel.to_string())
            .collect();
        return Err(Failure::usage(format!(
            "--explain {name}: not among the channels compared: {}",
            known.join(", ")
        )));
    };
    if format == Format::Json {
        return output::print_json(&channel.budget);
    }
    let head = [
        ("source", Set::Left),
        ("value", Set::Right),
        ("std uncertainty dB", Set::Right),
        ("type", Set::Left),
        ("degrees of freedom", Set::Right),
        ("sensitivity", Set::Right),
        ("share %", Set::Right),
    ];
    let degrees = |degrees: f64| {
        if degrees < 1e4 {
            format!("{degrees:.1}")
        } else {
            "∞".into()
        }
    };
    let rows = channel.budget.iter().map(|row| {
        vec![
            row.source.clone(),
            number(row.value_db, 2),
            format!("{:.3}", row.standard_uncertainty_db),
            row.evaluation.to_string(),
            degrees(row.degrees_of_freedom),
            number(Some(row.sensitivity), 3),
            format!("{:.1}", row.share * 100.0),
        ]
    });
    if format == Format::Csv {
        let names = head.iter().map(|(name, _)| (*name).to_owned()).collect();
        return output::print_csv(std::iter::once(names).chain(rows));
    }
    let mut text = format!(
        "Channel {} ({} MHz): {} less {}\n\n",
        channel.channel,
        edges_mhz(channel.low_hz, channel.high_hz),
        comparison.a,
        comparison.b
    );
    text += &table(&head, rows);
    match (
        channel.difference_db,
        channel.standard_uncertainty_db,
        channel.degrees_of_freedom,
    ) {
        (Some(difference), Some(uncertainty), Some(freedom)) => {
            text += &format!(
                "\nDifference {} dB, combined standard uncertainty {uncertainty:.3} dB, effective degrees of freedom {},\n\
                 {:.0} % interval {} dB\n",
                signed(difference, 2),
                degrees(freedom),
                comparison.confidence * 100.0,
                interval(channel)
            );
        }
        _ => {
            text += &format!(
                "\n{}\n",
                channel.reason.as_deref().unwrap_or("Nothing was compared.")
            )
        }
    }
    output::print(&text)
}

fn spectrum(comparison: &Comparison, material: &Material, path: &Path) -> Result<(), Failure> {
    let [Some(a), b] = &material.spectra else {
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

/// The channels of a comparison as bands of a spectrum.
pub fn bands(comparison: &Comparison) -> Vec<Band> {
    let band = |channel: &ChannelComparison| Band {
        label: channel.channel.to_string(),
        low_hz: channel.low_hz,
        high_hz: channel.high_hz,
    };
    comparison.channels.iter().map(band).collect()
}
