//! What a rotation means, in sentences, and what to bear in mind.

use super::check::GUESSED_FROM_DEG;
use super::types::{Aim, BearingFigure, Figure, Pattern, Rotation};
use crate::channels::ChannelId;

/// A wanted channel is called all-round with no more than this between its strongest and its weakest bearing, in dB.
const ALL_ROUND_DB: f64 = 3.0;

/// What to bear in mind: what was remarked on the way, and what holds of the whole.
pub(super) fn remarks(rotation: &Rotation, mut remarks: Vec<String>) -> Vec<String> {
    if rotation.widest_gap_deg > GUESSED_FROM_DEG {
        remarks.push(format!(
            "between two bearings lie {:.0}°: there the curve is a guess, and no figure holds that rests on it",
            rotation.widest_gap_deg
        ));
    } else if rotation.bearings_deg.len() < 12 {
        remarks.push(format!(
            "{} bearings show broad lobes only: take one every 30°, better every 15°",
            rotation.bearings_deg.len()
        ));
    }
    let order = |p: &Pattern| p.fit.as_ref().map(|fit| fit.order);
    if let Some(order) = rotation.channels.iter().filter_map(order).max() {
        remarks.push(format!(
            "with these bearings no lobe or null much narrower than {:.0}° can be seen",
            180.0 / order as f64
        ));
    }
    let restless: Vec<&ChannelId> = (rotation.channels.iter())
        .filter(|p| p.fit.as_ref().is_some_and(|fit| fit.inflation > 2.0))
        .map(|p| &p.channel)
        .collect();
    if !restless.is_empty() {
        remarks.push(format!(
            "channel(s) {} scatter more than twice as much as foreseen; their intervals are wider by that",
            list(restless)
        ));
    }
    if rotation.channels.iter().all(|p| p.closure.is_none()) {
        remarks.push(
            "no bearing was measured twice, so a drift during the rotation can't be told from the pattern: measure the \
             first bearing again at the end"
                .into(),
        );
    }
    remarks.push(
        "a pattern is what arrives with the antenna turned there: indoors it is the pattern with the room, at this spot only"
            .into(),
    );
    remarks
}

/// What it means for the household.
pub(super) fn meaning(rotation: &Rotation) -> Vec<String> {
    let mut meaning = Vec::new();
    match &rotation.aim {
        Some(aim) => meaning.extend(aimed(rotation, aim)),
        None => meaning.push(
            "No wanted channel has a margin at any bearing, so there is no best way to aim.".into(),
        ),
    }
    let curves: Vec<&Pattern> = (rotation.channels.iter())
        .filter(|p| p.wanted && p.figures.is_some())
        .collect();
    if curves.is_empty() {
        return meaning;
    }
    let roundness = |p: &&Pattern| p.figures.as_ref().map(|f| f.roundness_db.clone());
    let at_most = |db: f64| {
        (curves.iter().filter_map(roundness))
            .filter(|r| r.value.is_some_and(|value| value <= db))
            .count()
    };
    let surely_uneven = (curves.iter().filter_map(roundness))
        .filter(|r| r.low.is_some_and(|low| low > ALL_ROUND_DB))
        .count();
    let all = curves.len();
    meaning.push(if at_most(ALL_ROUND_DB) == all {
        format!(
            "It is nearly all-round here: on {} the strongest bearing is no more than {ALL_ROUND_DB:.0} dB above the weakest.",
            every(all)
        )
    } else if surely_uneven == all {
        format!(
            "It is not all-round here: on {} the weakest bearing is surely more than {ALL_ROUND_DB:.0} dB down.",
            every(all)
        )
    } else {
        format!(
            "It is uneven on some channels: surely more than {ALL_ROUND_DB:.0} dB between bearings on {surely_uneven} of {all}."
        )
    });
    if let Some(band) = rotation
        .band
        .as_ref()
        .filter(|band| band.channels.len() > 1)
    {
        let best = match &band.figures.best_bearing_deg.value {
            Some(best) => format!("most arrives at {best:.0}°{}", counted(&rotation.zero)),
            None => "no bearing brings more than another".into(),
        };
        meaning.push(format!(
            "Over {} channels together {best}; stations stand in different directions, so that is no picture of the antenna \
             alone.",
            band.channels.len()
        ));
    }
    meaning
}

fn every(count: usize) -> String {
    match count {
        1 => "the one channel".into(),
        2 => "both channels".into(),
        count => format!("all {count} channels"),
    }
}

/// ` clockwise from north`.
fn counted(zero: &str) -> String {
    format!(" clockwise from {zero}")
}

fn aimed(rotation: &Rotation, aim: &Aim) -> Vec<String> {
    let mut said = Vec::new();
    let margin = match aim.margin_db.value {
        Some(margin) if margin >= 0.0 => format!("{margin:.1} dB above its threshold"),
        Some(margin) => format!(
            "{:.1} dB below its threshold, not enough for a picture",
            -margin
        ),
        None => "hardly above nothing".into(),
    };
    let bearing = bearing(&aim.bearing_deg, &rotation.zero);
    said.push(match aim.channels.len() {
        1 => format!("Aim it at {bearing}: there channel {} is {margin}.", aim.weakest),
        _ => format!(
            "For all wanted channels aim it at {bearing}: there the weakest of them, channel {}, is {margin}.",
            aim.weakest
        ),
    });
    if !aim.left_out.is_empty() {
        said.push(format!(
            "Left out of that: channel(s) {}, out of reach at every bearing, or without a threshold.",
            list(aim.left_out.iter())
        ));
    }
    said
}

/// `20° (12° to 28°) clockwise from north`.
fn bearing(figure: &BearingFigure, zero: &str) -> String {
    let interval = match (figure.low, figure.high) {
        (Some(low), Some(high)) => format!(" ({low:.0}° to {high:.0}°)"),
        _ => String::new(),
    };
    let or = (figure.remark.as_ref()).map_or_else(String::new, |remark| format!("; {remark}"));
    format!(
        "{:.0}°{interval}{}{or}",
        figure.value.unwrap_or(0.0),
        counted(zero)
    )
}

fn list<'c>(channels: impl IntoIterator<Item = &'c ChannelId>) -> String {
    let names: Vec<String> = channels.into_iter().map(ToString::to_string).collect();
    names.join(", ")
}

impl Figure {
    /// `78°`-like words: `value (low to high)`, `at least low`, with so many decimals and no unit.
    pub fn words(&self, decimals: usize) -> String {
        let number = |value: f64| format!("{value:.decimals$}");
        match (self.value, self.low, self.high) {
            (Some(value), Some(low), Some(high)) => {
                format!("{} ({} to {})", number(value), number(low), number(high))
            }
            (Some(value), Some(low), None) => {
                format!("{} (at least {})", number(value), number(low))
            }
            (Some(value), None, _) => number(value),
            (None, Some(low), _) => format!("at least {}", number(low)),
            (None, None, _) => String::new(),
        }
    }
}
