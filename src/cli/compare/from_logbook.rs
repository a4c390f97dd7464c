//! Takes out of the logbook: which of them a comparison uses.

use gainsay::channels::{Plan, Thresholds};
use gainsay::compare;
use gainsay::logbook::{Filter, Logbook};
use gainsay::reading::{Take, Trace};
use gainsay::survey::turn;
use jiff::civil::Date;

use super::{Arguments, Material};
use crate::cli::Failure;
use crate::cli::output;

/// All takes of each antenna at one spot.
pub fn load(arguments: &Arguments) -> Result<Material, Failure> {
    if arguments.terminated.is_some()
        || arguments.raw.rate.is_some()
        || arguments.raw.tuned.is_some()
    {
        return Err(Failure::usage(
            "--terminated, --rate and --tuned go with recordings; takes in the logbook have theirs",
        ));
    }
    let logbook = Logbook::open_existing(&arguments.log.path()?)?;
    let known: Vec<String> = (logbook.antennas()?.into_iter())
        .map(|antenna| antenna.name)
        .collect();
    let chosen: Vec<Chosen> = (arguments.antennas().iter())
        .map(|word| Chosen::of(word, &known))
        .collect();
    let days = days(&chosen, arguments)?;
    let antennas: Vec<String> = (chosen.iter().map(|one| one.antenna.clone()))
        .chain(arguments.tie.clone())
        .collect();
    for antenna in &antennas {
        logbook.check_antenna(antenna)?;
    }
    if let Some(spot) = &arguments.spot {
        logbook.check_spot(spot)?;
    }
    let spot = match &arguments.spot {
        Some(spot) => spot.clone(),
        None => shared_spot(&logbook, &antennas)?,
    };
    let takes: Vec<Vec<Take>> = (chosen.iter().zip(&days))
        .map(|(one, day)| {
            let mut takes = takes_at(&logbook, &one.antenna, &spot, arguments)?;
            keep_day(&mut takes, &one.antenna, day.as_deref())?;
            Ok(takes)
        })
        .collect::<Result<_, Failure>>()?;
    let tie = (arguments.tie.as_ref())
        .map(|tie| takes_at(&logbook, tie, &spot, arguments))
        .transpose()?;
    let latest = |takes: &Vec<Take>| -> Result<Option<Trace>, Failure> {
        let id = takes.last().and_then(|take| take.id);
        let whole = id.map(|id| logbook.take(id)).transpose()?;
        Ok(whole.and_then(|take| take.spectrum))
    };
    let spectra = match &arguments.spectrum {
        None => vec![None; takes.len()],
        Some(_) => takes.iter().map(latest).collect::<Result<_, _>>()?,
    };
    Ok(Material {
        takes,
        spectra,
        tie,
    })
}

/// An antenna as it was named: all its takes, or those of one day.
struct Chosen {
    antenna: String,
    day: Option<String>,
}

impl Chosen {
    /// `NAME@DAY`, unless an antenna is called just so.
    fn of(word: &str, known: &[String]) -> Chosen {
        let whole = || Chosen {
            antenna: word.to_owned(),
            day: None,
        };
        if known.iter().any(|name| name == word) {
            return whole();
        }
        match word.rsplit_once('@') {
            Some((antenna, day)) if day.parse::<Date>().is_ok() => Chosen {
                antenna: antenna.trim_end().to_owned(),
                day: Some(day.to_owned()),
            },
            _ => whole(),
        }
    }
}

/// The day of each antenna's takes, where one is named. Without a tie it is one day for both.
fn days(chosen: &[Chosen], arguments: &Arguments) -> Result<Vec<Option<String>>, Failure> {
    let named: Vec<Option<String>> = chosen.iter().map(|one| one.day.clone()).collect();
    let mut all: Vec<&String> = named.iter().flatten().collect();
    all.dedup();
    match all.as_slice() {
        _ if arguments.tie.is_some() => Ok(named),
        [] => Ok(named),
        [day] => Ok(vec![Some((*day).clone()); chosen.len()]),
        _ => Err(Failure::usage(format!(
            "takes of {} are of different days: name an antenna that was taken on both with --tie",
            (all.iter().map(|day| day.as_str()).collect::<Vec<_>>()).join(" and ")
        ))),
    }
}

/// Keeps the takes of a day, by Coordinated Universal Time, as the logbook shows it.
fn keep_day(takes: &mut Vec<Take>, antenna: &str, day: Option<&str>) -> Result<(), Failure> {
    let Some(day) = day else { return Ok(()) };
    let of = |take: &Take| take.taken_at.strftime("%Y-%m-%d").to_string();
    let mut days: Vec<String> = takes.iter().map(of).collect();
    days.dedup();
    takes.retain(|take| of(take) == day);
    if takes.is_empty() {
        return Err(Failure::Failed(format!(
            "there is no take of {antenna:?} on {day}, only on {}",
            days.join(", ")
        )));
    }
    Ok(())
}

/// The takes of an antenna at a spot that count, in the order of time.
fn takes_at(
    logbook: &Logbook,
    antenna: &str,
    spot: &str,
    arguments: &Arguments,
) -> Result<Vec<Take>, Failure> {
    let (takes, remarks) = takes_and_remarks(
        logbook,
        antenna,
        spot,
        arguments.channels.channels.as_deref(),
        &arguments.channels.thresholds()?,
    )?;
    remarks.iter().for_each(|remark| output::remark(remark));
    Ok(takes)
}

/// The takes that count, narrowed to the channels asked for and judged by the thresholds given, and what is to be known of
/// the choice.
pub fn takes_and_remarks(
    logbook: &Logbook,
    antenna: &str,
    spot: &str,
    channels: Option<&str>,
    thresholds: &Thresholds,
) -> Result<(Vec<Take>, Vec<String>), Failure> {
    let mut takes = logbook.load(&Filter {
        antenna: Some(antenna.to_owned()),
        spot: Some(spot.to_owned()),
        deleted: false,
    })?;
    if takes.is_empty() {
        return Err(Failure::Failed(format!(
            "there is no take of {antenna:?} at {spot:?}: make one with gainsay take"
        )));
    }
    let mut remarks = Vec::from_iter(leave_out_rotations(&mut takes, antenna, spot)?);
    let twins = compare::leave_out_twins(&mut takes);
    if twins > 0 {
        remarks.push(format!(
            "{twins} take(s) of {antenna:?} are in the logbook more than once; each counts once"
        ));
    }
    narrow(&mut takes, channels)?;
    takes
        .iter_mut()
        .for_each(|take| take.judge_anew(thresholds));
    Ok((takes, remarks))
}

/// Takes at a bearing are of a rotation: the antenna doesn't look there by itself.
fn leave_out_rotations(
    takes: &mut Vec<Take>,
    antenna: &str,
    spot: &str,
) -> Result<Option<String>, Failure> {
    let left_out = turn::leave_out_turned(takes);
    if takes.is_empty() {
        return Err(Failure::Failed(format!(
            "all {left_out} take(s) of {antenna:?} at {spot:?} are of a rotation, at a bearing each: make one without a bearing"
        )));
    }
    Ok((left_out > 0).then(|| {
        format!(
            "{left_out} take(s) of {antenna:?} are of a rotation, at a bearing each, and left out"
        )
    }))
}

/// Keeps the channels that were asked for.
pub fn narrow(takes: &mut [Take], channels: Option<&str>) -> Result<(), Failure> {
    let Some(choice) = channels else {
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

/// The only spot at which all of these antennas have takes.
pub fn shared_spot(logbook: &Logbook, antennas: &[String]) -> Result<String, Failure> {
    let mut everywhere: Vec<(&String, Vec<String>)> = Vec::new();
    for antenna in antennas {
        let filter = Filter {
            antenna: Some(antenna.clone()),
            ..Filter::default()
        };
        let mut spots: Vec<String> = (logbook.list(&filter)?.into_iter())
            .map(|entry| entry.spot)
            .collect();
        spots.sort();
        spots.dedup();
        everywhere.push((antenna, spots));
    }
    let mut shared = everywhere
        .first()
        .map_or_else(Vec::new, |one| one.1.clone());
    shared.retain(|spot| everywhere.iter().all(|(_, spots)| spots.contains(spot)));
    match shared.as_slice() {
        [spot] => Ok(spot.clone()),
        [] => {
            let was = |(at, (antenna, spots)): (usize, &(&String, Vec<String>))| {
                let was = if at == 0 { "was at" } else { "at" };
                format!("{antenna:?} {was} {}", spots.join(", "))
            };
            let were: Vec<String> = everywhere.iter().enumerate().map(was).collect();
            Err(Failure::Failed(format!(
                "{}: antennas are compared at one and the same spot",
                were.join(" and ")
            )))
        }
        several => Err(Failure::usage(format!(
            "{} antennas were at {}: choose one with --spot",
            if antennas.len() == 2 { "both" } else { "these" },
            several
                .iter()
                .map(|spot| format!("{spot:?}"))
                .collect::<Vec<_>>()
                .join(", ")
        ))),
    }
}
