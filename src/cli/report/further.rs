//! What else the logbook holds of the antennas: scan counts, spots and rotations.

use gainsay::channels::Thresholds;
use gainsay::compare;
use gainsay::draw::{self, FloorPlan};
use gainsay::logbook::{Filter, Logbook};
use gainsay::reading::Take;
use gainsay::report::{self, Content, Section};
use gainsay::survey::spots;
use gainsay::survey::turn::{self, Rotation};

use crate::cli::Failure;
use crate::cli::spots::floor::{self, Shown};
use crate::cli::turn::rotations as rotations_of;
use crate::cli::wanted;

/// Adds the sections that the takes allow.
pub fn add(
    logbook: &Logbook,
    content: &mut Content,
    spot: &str,
    thresholds: &Thresholds,
    floor: &FloorPlan,
) -> Result<(), Failure> {
    content.further.extend(scans(content));
    let found = [
        places(logbook, content, thresholds, floor)?,
        rotations(logbook, content, spot, thresholds)?,
    ];
    for (section, takes) in found.into_iter().flatten() {
        content.further.push(section);
        let known: Vec<Option<i64>> = content.all_takes().map(|take| take.id).collect();
        let new = takes.into_iter().filter(|take| !known.contains(&take.id));
        content.further_takes.extend(new);
    }
    Ok(())
}

/// A section and the takes that it rests on.
type Found = Option<(Section, Vec<Take>)>;

/// The spots of the first antenna, where it was at several.
fn places(
    logbook: &Logbook,
    content: &Content,
    thresholds: &Thresholds,
    floor: &FloorPlan,
) -> Result<Found, Failure> {
    let Some(first) = content.takes.first().and_then(|takes| takes.first()) else {
        return Ok(None);
    };
    let mut takes = logbook.load(&Filter {
        antenna: Some(first.antenna.clone()),
        ..Filter::default()
    })?;
    turn::leave_out_turned(&mut takes);
    takes.retain(|take| take.settings.plan == first.settings.plan);
    compare::leave_out_twins(&mut takes);
    judge(&mut takes, thresholds);
    if takes.iter().all(|take| take.spot == first.spot) {
        return Ok(None);
    }
    let wanted = wanted::kept(logbook, &first.settings.plan)?;
    let Ok(ranking) = spots::rank(&takes, wanted.as_deref(), &spots::Options::default()) else {
        return Ok(None);
    };
    let has_place = ranking.spots.iter().any(|spot| spot.position.is_some());
    let drawn = has_place
        .then(|| {
            let mapped = floor::mapped(&ranking, floor, Shown::Weakest);
            floor::figure(&ranking, floor, Shown::Weakest, &mapped, false)
        })
        .transpose()?;
    Ok(Some((report::spots(&ranking, drawn), takes)))
}

fn judge(takes: &mut [Take], thresholds: &Thresholds) {
    takes
        .iter_mut()
        .for_each(|take| take.judge_anew(thresholds));
}

/// The scan counts of two antennas, where any was noted.
fn scans(content: &Content) -> Option<Section> {
    let ([a, b], [compared]) = (content.takes.as_slice(), content.compared.as_slice()) else {
        return None;
    };
    let comparison = &compared.comparison;
    let scans = compare::compare_scans(a, b, comparison)?;
    Some(report::scans(&scans, comparison))
}

/// The last rotations of the first two antennas at the spot, those that there are, with their takes.
fn rotations(
    logbook: &Logbook,
    content: &Content,
    spot: &str,
    thresholds: &Thresholds,
) -> Result<Found, Failure> {
    let antennas = content.takes.iter().filter_map(|takes| takes.first());
    let mut turned: Vec<(Vec<Take>, Rotation)> = Vec::new();
    for take in antennas.take(2) {
        turned.extend(last_rotation(logbook, &take.antenna, spot, thresholds)?);
    }
    let patterns = match turned.as_slice() {
        [] => return Ok(None),
        [one, other] if lie_over_each_other(one, other) => draw::polar(&one.1, Some(&other.1))?,
        [one, ..] => draw::polar(&one.1, None)?,
    };
    let (takes, rotations): (Vec<Vec<Take>>, Vec<Rotation>) = turned.into_iter().unzip();
    let section = report::rotations(&rotations, patterns);
    Ok(Some((section, takes.concat())))
}

/// Whether bearings are counted from the same direction, and levels were taken at the same gains.
fn lie_over_each_other(one: &(Vec<Take>, Rotation), other: &(Vec<Take>, Rotation)) -> bool {
    let firsts = one.0.first().zip(other.0.first());
    one.1.zero == other.1.zero
        && firsts.is_none_or(|(one, other)| turn::different_gain(one, other).is_none())
}

/// What the last rotation of an antenna comes to; takes that make none are passed over.
fn last_rotation(
    logbook: &Logbook,
    antenna: &str,
    spot: &str,
    thresholds: &Thresholds,
) -> Result<Option<(Vec<Take>, Rotation)>, Failure> {
    let Some(mut last) = rotations_of(logbook, antenna, spot, None)?.pop() else {
        return Ok(None);
    };
    judge(&mut last, thresholds);
    let wanted = match last.first() {
        Some(take) => wanted::kept(logbook, &take.settings.plan)?,
        None => None,
    };
    let options = turn::Options {
        wanted,
        ..turn::Options::default()
    };
    let rotation = turn::pattern(&last, &options).ok();
    Ok(rotation.map(|rotation| (last, rotation)))
}
