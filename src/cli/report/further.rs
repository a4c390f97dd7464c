//! What else the logbook holds of the antennas: scan counts and rotations.

use gainsay::compare;
use gainsay::draw;
use gainsay::logbook::{Filter, Logbook};
use gainsay::reading::Take;
use gainsay::report::{self, Content, Section};
use gainsay::survey::turn::{self, Rotation};

use crate::cli::Failure;
use crate::cli::turn::PAUSE;

/// Adds the sections that the takes allow.
pub fn add(logbook: &Logbook, content: &mut Content, spot: &str) -> Result<(), Failure> {
    content.further.extend(scans(content));
    if let Some((section, takes)) = rotations(logbook, content, spot)? {
        content.further.push(section);
        content.further_takes.extend(takes);
    }
    Ok(())
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
) -> Result<Option<(Section, Vec<Take>)>, Failure> {
    let antennas = content.takes.iter().filter_map(|takes| takes.first());
    let mut turned: Vec<(Vec<Take>, Rotation)> = Vec::new();
    for take in antennas.take(2) {
        turned.extend(last_rotation(logbook, &take.antenna, spot)?);
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
) -> Result<Option<(Vec<Take>, Rotation)>, Failure> {
    let mut takes: Vec<Take> = logbook.load(&Filter {
        antenna: Some(antenna.to_owned()),
        spot: Some(spot.to_owned()),
        deleted: false,
    })?;
    takes.retain(|take| take.bearing.is_some());
    compare::leave_out_twins(&mut takes);
    let Some(last) = turn::rotations(takes, PAUSE).pop() else {
        return Ok(None);
    };
    let rotation = turn::pattern(&last, &turn::Options::default()).ok();
    Ok(rotation.map(|rotation| (last, rotation)))
}
