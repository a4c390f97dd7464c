//! Takes out of the logbook: which of them a comparison uses.

use gainsay::channels::Plan;
use gainsay::compare;
use gainsay::logbook::{Filter, Logbook};
use gainsay::reading::{Take, Trace};

use super::{Arguments, Material};
use crate::cli::Failure;
use crate::cli::output;

/// All takes of each antenna at one spot.
pub fn load(arguments: &Arguments) -> Result<Material, Failure> {
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
    let antennas = &arguments.antennas;
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
    let mut takes: Vec<Vec<Take>> = Vec::new();
    for antenna in antennas {
        let chosen = takes_at(
            &logbook,
            antenna,
            &spot,
            arguments.channels.channels.as_deref(),
        )?;
        chosen
            .remarks
            .iter()
            .for_each(|remark| output::remark(remark));
        takes.push(chosen.takes);
    }
    let latest = |takes: &Vec<Take>| -> Result<Option<Trace>, Failure> {
        let id = takes.last().and_then(|take| take.id);
        let whole = id.map(|id| logbook.take(id)).transpose()?;
        Ok(whole.and_then(|take| take.spectrum))
    };
    let spectra = match &arguments.spectrum {
        None => vec![None; takes.len()],
        Some(_) => takes.iter().map(latest).collect::<Result<_, _>>()?,
    };
    Ok(Material { takes, spectra })
}

/// The takes of an antenna at a spot that count, in the order of time, and what is to be known of the choice.
pub struct Chosen {
    pub takes: Vec<Take>,
    pub remarks: Vec<String>,
}

/// The takes of an antenna at a spot, without those of rotations and those that are there twice, narrowed to the channels
/// asked for.
pub fn takes_at(
    logbook: &Logbook,
    antenna: &str,
    spot: &str,
    channels: Option<&str>,
) -> Result<Chosen, Failure> {
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
    if let Some(choice) = channels {
        narrow(&mut takes, choice)?;
    }
    Ok(Chosen { takes, remarks })
}

/// Takes at a bearing are of a rotation: the antenna doesn't look there by itself.
fn leave_out_rotations(
    takes: &mut Vec<Take>,
    antenna: &str,
    spot: &str,
) -> Result<Option<String>, Failure> {
    let before = takes.len();
    takes.retain(|take| take.bearing.is_none());
    if takes.is_empty() {
        return Err(Failure::Failed(format!(
            "all {before} take(s) of {antenna:?} at {spot:?} are of a rotation, at a bearing each: make one without a bearing"
        )));
    }
    let left_out = before - takes.len();
    Ok((left_out > 0).then(|| {
        format!(
            "{left_out} take(s) of {antenna:?} are of a rotation, at a bearing each, and left out"
        )
    }))
}

/// Keeps the channels that were asked for.
fn narrow(takes: &mut [Take], choice: &str) -> Result<(), Failure> {
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
