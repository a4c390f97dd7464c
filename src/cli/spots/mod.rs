//! `gainsay spots`: places ranked, floor plan drawn.

pub mod floor;

use std::path::PathBuf;

use clap::Args;
use gainsay::channels::{ChannelId, Plan};
use gainsay::compare;
use gainsay::draw;
use gainsay::logbook::{Filter, Logbook};
use gainsay::reading::Take;
use gainsay::survey::map::{MapError, NextPlace};
use gainsay::survey::spots::{self, Options, Ranking, Spot, SpotChannel, SpotsError};
use gainsay::survey::turn;

use serde::Serialize;

use self::floor::{Mapped, Shown};
use super::Failure;
use super::input::{LogArguments, ThresholdArguments};
use super::output::{self, Format};
use super::table::{Set, cell, number, paragraphs, table};
use super::wanted::Wanted;

/// Rank the places where an antenna stood: by the weakest wanted channel, then by how many are firm.
///
/// Takes at named spots are read from the logbook: make several at each spot, a few centimetres apart (five: the corners of
/// a small square and its middle), since indoors the field stands in waves and one take is luck. Spots that chance alone may
/// have put in order share a rank, and the table says so.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    gainsay take --antenna \"tape loop\" --spot shelf --at 1.2,3.4      (several times, then the next spot)\n  \
    gainsay spots --want 7,9,20-23\n\n\
    How to read it: the margin is the C/N of the weakest wanted channel above its threshold, the median over the spot's \
    takes, with its 95 % interval; ≤ where that channel shows nothing. Rank 1–3 is a spot that may truly be first, second \
    or third. Firm: 3 dB above the threshold or more; brink: less than that; trace: below; vacant: nothing found.\n\n\
    The floor plan, every field of which may be left out (metres; x to the right, y up):\n  \
    width = 6.0                  # or extent = [left, lower, right, upper]\n  \
    depth = 4.5\n  \
    outline = [[0, 0], [6, 0], [6, 4.5], [0, 4.5]]\n  \
    holes = [[[2, 2], [3, 2], [3, 3]]]          # what is no floor within it\n  \
    walls = [[[2, 0], [2, 3]], [[4, 4.5], [4, 2], [5, 2]]]\n  \
    image = \"plan.png\"           # PNG or JPEG, beside the plan\n  \
    metres_wide = 6.0            # the width of the whole picture\n  \
    image_at = [0, 0]            # its lower left corner\n  \
    [[label]]\n  \
    text = \"window\"\n  \
    at = [0.1, 4.4]")]
pub struct Arguments {
    /// The antenna [default: the only one in the logbook].
    #[arg(long, value_name = "NAME")]
    antenna: Option<String>,
    /// The channels you want to receive, such as 7,9,20-23, kept in the logbook as your list from then on; all forgets the
    /// list [default: the list kept, else every channel in which any take found a signal].
    #[arg(long, value_name = "CHANNELS")]
    want: Option<String>,
    /// The channel plan, where there are takes by several.
    #[arg(long, value_name = "PLAN")]
    plan: Option<String>,
    /// Standard deviation in dB of a channel from place to place within a spot, where too few spots have several takes to
    /// show it.
    #[arg(long, value_name = "DB", default_value_t = Options::default().spread_db, allow_negative_numbers = true)]
    spread: f64,
    /// Draw the spots on the floor into this .svg or .png, with a map between them from six positions on.
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// The floor to draw on: a plan in TOML (see below).
    #[arg(long, value_name = "PLAN.toml")]
    floor: Option<PathBuf>,
    /// Draw and map this wanted channel instead of each spot's weakest.
    #[arg(long, value_name = "CHANNEL")]
    channel: Option<String>,
    /// Draw a small floor for each wanted channel instead.
    #[arg(long, requires = "plot", conflicts_with = "channel")]
    each: bool,
    #[command(flatten)]
    judged: ThresholdArguments,
    #[command(flatten)]
    log: LogArguments,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// What a program gets: the ranking, and where to try next.
#[derive(Debug, Serialize)]
struct Outcome<'r> {
    #[serde(flatten)]
    ranking: &'r Ranking,
    /// Which channel the map is of; `None` for each spot's weakest.
    mapped_channel: Option<&'r ChannelId>,
    /// The most promising place to try next.
    next_place: Option<&'r NextPlace>,
    /// Why there is no map.
    no_map: Option<String>,
}

pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    if let Some(path) = &arguments.plot {
        draw::check_ending(path).map_err(Failure::usage)?;
    }
    let plan = floor::plan(arguments.floor.as_deref())?;
    let mut logbook = Logbook::open_existing(&arguments.log.path()?)?;
    let antenna = antenna(arguments, &logbook)?;
    let thresholds = arguments.judged.thresholds()?;
    let mut takes = takes(arguments, &logbook, &antenna)?;
    takes
        .iter_mut()
        .for_each(|take| take.judge_anew(&thresholds));
    let channels = &takes[0].settings.plan;
    let wanted = Wanted::of(arguments.want.as_deref(), Some(&logbook), channels)?;
    let options = Options {
        spread_db: arguments.spread,
        ..Options::default()
    };
    let ranked = spots::rank(&takes, wanted.channels.as_deref(), &options);
    let mut ranking = ranked.map_err(|error| match error {
        SpotsError::Option { .. } => Failure::usage(format!("--{error}")),
        other => other.into(),
    })?;
    let shown = shown(arguments, &ranking)?;
    let outside = floor::outside(&ranking, &plan);
    if !outside.is_empty() {
        let names = outside.join(", ");
        ranking.remarks.push(format!(
            "Outside the floor plan's outline, and drawn there: {names}."
        ));
    }
    let mapped = floor::mapped(&ranking, &plan, shown);
    if let Some(path) = &arguments.plot {
        floor::figure(&ranking, &plan, shown, &mapped, arguments.each)?.write(path)?;
    }
    wanted.keep(&mut logbook, channels);
    let next_place = mapped.as_ref().ok().and_then(|mapped| mapped.next.as_ref());
    match arguments.format {
        Format::Json => output::print_json(&Outcome {
            ranking: &ranking,
            mapped_channel: match shown {
                Shown::Channel(index) => ranking.wanted.get(index),
                Shown::Weakest => None,
            },
            next_place,
            no_map: mapped.as_ref().err().map(ToString::to_string),
        }),
        Format::Csv => print_csv(&ranking),
        Format::Table => output::print(&as_text(&ranking, wanted.whose, &mapped)),
    }?;
    if let Some(path) = &arguments.plot {
        output::remark(&format!("drawn: {}", path.display()));
    }
    Ok(())
}

/// What the figure and the map show.
fn shown(arguments: &Arguments, ranking: &Ranking) -> Result<Shown, Failure> {
    let Some(name) = &arguments.channel else {
        return Ok(Shown::Weakest);
    };
    let id = ChannelId::from(name.trim());
    let place = ranking
        .wanted
        .iter()
        .position(|channel| channel.matches(&id));
    place.map(Shown::Channel).ok_or_else(|| {
        let wanted: Vec<String> = ranking.wanted.iter().map(ToString::to_string).collect();
        Failure::usage(format!(
            "--channel {name}: not among the wanted channels that have figures: {}",
            wanted.join(", ")
        ))
    })
}

/// The antenna named, or the only one.
fn antenna(arguments: &Arguments, logbook: &Logbook) -> Result<String, Failure> {
    if let Some(antenna) = &arguments.antenna {
        logbook.check_antenna(antenna)?;
        return Ok(antenna.clone());
    }
    let antennas = logbook.antennas()?;
    match antennas.as_slice() {
        [] => Err(SpotsError::NoTakes.into()),
        [only] => Ok(only.name.clone()),
        several => {
            let names: Vec<String> = several
                .iter()
                .map(|one| format!("{:?}", one.name))
                .collect();
            Err(Failure::usage(format!(
                "spots are ranked for one antenna, and the logbook has {}: choose one with --antenna",
                names.join(", ")
            )))
        }
    }
}

/// The antenna's takes by one plan, without those of rotations.
fn takes(arguments: &Arguments, logbook: &Logbook, antenna: &str) -> Result<Vec<Take>, Failure> {
    let filter = Filter {
        antenna: Some(antenna.to_owned()),
        ..Filter::default()
    };
    let mut takes = logbook.load(&filter)?;
    let turned = turn::leave_out_turned(&mut takes);
    if takes.is_empty() {
        return Err(Failure::Failed(if turned == 0 {
            format!("there is no take of {antenna:?}: make some at several spots with gainsay take")
        } else {
            format!(
                "all takes of {antenna:?} belong to rotations: make some at several spots with gainsay take"
            )
        }));
    }
    let twins = compare::leave_out_twins(&mut takes);
    if twins > 0 {
        output::remark(&format!(
            "{twins} take(s) of {antenna:?} are in the logbook more than once; each counts once"
        ));
    }
    let mut plans: Vec<String> = takes
        .iter()
        .map(|take| take.settings.plan.clone())
        .collect();
    plans.sort();
    plans.dedup();
    let plan = match (&arguments.plan, plans.as_slice()) {
        (Some(asked), _) => {
            let name = Plan::find(asked).map_or_else(|_| asked.clone(), |plan| plan.name);
            if !plans.contains(&name) {
                return Err(Failure::usage(format!(
                    "--plan {asked}: the takes of {antenna:?} are by {}",
                    plans.join(", ")
                )));
            }
            name
        }
        (None, [only]) => only.clone(),
        (None, several) => {
            return Err(Failure::usage(format!(
                "there are takes of {antenna:?} by {}: choose a plan with --plan",
                several.join(", ")
            )));
        }
    };
    takes.retain(|take| take.settings.plan == plan);
    Ok(takes)
}

/// The ranking for people: heading, table, what it means, what to bear in mind.
pub fn as_text(ranking: &Ranking, whose: &str, mapped: &Result<Mapped, MapError>) -> String {
    let wanted: Vec<String> = ranking.wanted.iter().map(ToString::to_string).collect();
    let mut text = format!(
        "{} at {} spot(s), {} take(s); plan {}; intervals {:.0} %\nwanted: {} ({whose})\n\n",
        ranking.antenna,
        ranking.spots.len(),
        ranking.takes,
        ranking.plan,
        ranking.confidence * 100.0,
        wanted.join(", ")
    );
    let head = [
        ("rank", Set::Left),
        ("spot", Set::Left),
        ("takes", Set::Right),
        ("weakest", Set::Right),
        ("margin dB", Set::Right),
        ("interval dB", Set::Right),
        ("spread dB", Set::Right),
        ("firm", Set::Right),
        ("brink", Set::Right),
        ("trace", Set::Right),
        ("vacant", Set::Right),
        ("remark", Set::Left),
    ];
    text += &table(&head, ranking.spots.iter().map(row));
    let mut remarks = ranking.remarks.clone();
    let next = match mapped {
        Ok(mapped) => {
            remarks.extend(mapped.remarks.iter().cloned());
            mapped.next.iter().map(next_place).collect()
        }
        Err(_) => Vec::new(),
    };
    text + &paragraphs(&[
        ("What it means", &ranking.meaning),
        ("Where to try next", &next),
        ("To bear in mind", &remarks),
    ])
}

fn next_place(next: &NextPlace) -> String {
    let [x, y] = [next.x_m, next.y_m].map(|metres| number(Some(metres), 1));
    format!("At {x}, {y} m: {}.", next.reason)
}

fn row(spot: &Spot) -> Vec<String> {
    let rank = match spot.worst_rank {
        worst if worst > spot.rank => format!("{}–{worst}", spot.rank),
        _ => spot.rank.to_string(),
    };
    let weakest = spot.weakest.as_ref();
    let margin = weakest.map_or_else(String::new, |weakest| {
        let bound = if weakest.is_bound { "≤ " } else { "" };
        format!("{bound}{}", number(Some(weakest.margin_db), 1))
    });
    let interval = weakest.map_or_else(String::new, |weakest| match weakest.low_db {
        Some(_) => format!(
            "{} … {}",
            number(weakest.low_db, 1),
            number(Some(weakest.high_db), 1)
        ),
        None => format!("at most {}", number(Some(weakest.high_db), 1)),
    });
    vec![
        rank,
        spot.name.clone(),
        spot.takes.to_string(),
        weakest.map_or_else(String::new, |weakest| weakest.channel.to_string()),
        margin,
        interval,
        number(weakest.and_then(|weakest| weakest.spread_db), 1),
        spot.states.firm.to_string(),
        spot.states.brink.to_string(),
        spot.states.trace.to_string(),
        spot.states.vacant.to_string(),
        spot.remarks.join("; "),
    ]
}

/// The ranking for spreadsheets: a row a spot and channel.
fn print_csv(ranking: &Ranking) -> Result<(), Failure> {
    let head = [
        "rank",
        "worst_rank",
        "spot",
        "spot_takes",
        "x_m",
        "y_m",
        "height_m",
        "weakest_channel",
        "weakest_margin_db",
        "weakest_is_bound",
        "weakest_low_db",
        "weakest_high_db",
        "weakest_spread_db",
        "firm",
        "brink",
        "trace",
        "vacant",
        "not_measured",
        "surely_firm",
        "possibly_firm",
        "weak",
        "channel",
        "takes",
        "margin_db",
        "is_bound",
        "low_db",
        "high_db",
        "standard_uncertainty_db",
        "spread_db",
        "own_spread",
        "state",
        "reason",
    ];
    let rows = ranking.spots.iter().flat_map(|spot| {
        let of_spot = spot_cells(spot);
        let cells = move |channel| {
            of_spot
                .iter()
                .cloned()
                .chain(channel_cells(channel))
                .collect()
        };
        spot.channels.iter().map(cells)
    });
    output::print_csv(std::iter::once(head.map(String::from).to_vec()).chain(rows))
}

fn spot_cells(spot: &Spot) -> Vec<String> {
    let weakest = spot.weakest.as_ref();
    vec![
        spot.rank.to_string(),
        spot.worst_rank.to_string(),
        spot.name.clone(),
        spot.takes.to_string(),
        cell(spot.position.map(|at| at.x_m)),
        cell(spot.position.map(|at| at.y_m)),
        cell(spot.position.and_then(|at| at.height_m)),
        cell(weakest.map(|one| &one.channel)),
        cell(weakest.map(|one| one.margin_db)),
        cell(weakest.map(|one| one.is_bound)),
        cell(weakest.and_then(|one| one.low_db)),
        cell(weakest.map(|one| one.high_db)),
        cell(weakest.and_then(|one| one.spread_db)),
        spot.states.firm.to_string(),
        spot.states.brink.to_string(),
        spot.states.trace.to_string(),
        spot.states.vacant.to_string(),
        spot.not_measured.to_string(),
        spot.surely_firm.to_string(),
        spot.possibly_firm.to_string(),
        spot.weak.to_string(),
    ]
}

fn channel_cells(channel: &SpotChannel) -> Vec<String> {
    vec![
        channel.channel.to_string(),
        channel.takes.to_string(),
        cell(channel.margin_db),
        channel.is_bound.to_string(),
        cell(channel.low_db),
        cell(channel.high_db),
        cell(channel.standard_uncertainty_db),
        cell(channel.spread_db),
        channel.own_spread.to_string(),
        cell(channel.state),
        cell(channel.reason.as_ref()),
    ]
}
