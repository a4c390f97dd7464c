//! What a pattern's figure says in words.

use super::super::font::clean;
use super::Shown;
use crate::survey::turn::{BearingFigure, Figure, Figures, Fit, Pattern, Rotation};

/// A name, cleaned; an empty one is said to be so.
pub(super) fn name(text: &str) -> String {
    let cleaned = clean(text);
    if cleaned.is_empty() {
        "(no name)".into()
    } else {
        cleaned
    }
}

/// `tape loop and rabbit ears turned round — north window`.
pub(super) fn title(rotation: &Rotation, other: Option<&Rotation>) -> String {
    let short = |text: &str| -> String {
        let name = name(text);
        match name.char_indices().nth(60) {
            Some((end, _)) => format!("{}…", name[..end].trim_end()),
            None => name,
        }
    };
    let both = match other {
        Some(other) => format!("{} and {}", short(&rotation.antenna), short(&other.antenna)),
        None => short(&rotation.antenna),
    };
    format!("{both} turned round — {}", short(&rotation.spot))
}

/// How it was measured.
pub(super) fn subtitle(rotation: &Rotation) -> String {
    format!(
        "{} bearings, clockwise from {} seen from above · what arrives with the antenna turned there, with the room · \
         intervals {:.0} %",
        rotation.bearings_deg.len(),
        name(&rotation.zero),
        rotation.confidence * 100.0
    )
}

/// `A: tape loop` where there are two.
pub(super) fn side(letter: &str, antenna: &str, two: bool) -> String {
    match two {
        true => format!("{letter}: {}", name(antenna)),
        false => name(antenna),
    }
}

/// Channels without a curve, those with one reason together.
pub(super) fn without(channels: &[Shown]) -> String {
    let mut reasons: Vec<(String, Vec<&str>)> = Vec::new();
    for shown in channels {
        let why = clean(shown.reason.as_deref().unwrap_or("no pattern"));
        match reasons.iter_mut().find(|(reason, _)| *reason == why) {
            Some((_, labels)) => labels.push(&shown.label),
            None => reasons.push((why, vec![&shown.label])),
        }
    }
    let parts: Vec<String> = (reasons.iter())
        .map(|(why, labels)| format!("{}: {why}", labels.join(", ")))
        .collect();
    format!("Channels without a pattern: {}", parts.join("; "))
}

/// What the large dial shows.
pub(super) fn band_heading(rotation: &Rotation, other: Option<&Rotation>) -> String {
    let count = rotation.band.as_ref().map_or(0, |band| band.channels.len());
    let what = match count {
        1 => "The one wanted channel".to_owned(),
        count => format!(
            "{count} channels together: the mean of their patterns, each over its own mean round the circle"
        ),
    };
    match other {
        Some(_) => format!("{what}; B's level by the median over the common channels"),
        None => format!("{what}; dB under the strongest"),
    }
}

/// Lines beside the large dial.
pub(super) fn large(figures: &Figures, fit: &Fit) -> Vec<String> {
    let mut lines = vec![format!(
        "best bearing {}",
        bearing(&figures.best_bearing_deg)
    )];
    if let Some(remark) = &figures.best_bearing_deg.remark {
        lines.push(remark.clone());
    }
    lines.push(format!(
        "3 dB beamwidth {}",
        beamwidth(&figures.half_power_beamwidth_deg)
    ));
    lines.push(format!(
        "front-to-back (exactly 180° behind) {}",
        with_unit(&figures.front_to_back_db, " dB")
    ));
    lines.push(format!(
        "strongest to weakest bearing {}",
        with_unit(&figures.roundness_db, " dB")
    ));
    if let Some(rms) = fit.residual_rms_db {
        lines.push(format!("points about the curve {rms:.2} dB rms"));
    }
    lines
}

/// Lines beneath a small dial.
pub(super) fn small(figures: &Figures) -> [String; 2] {
    let best = figures.best_bearing_deg.value;
    let width = figures.half_power_beamwidth_deg.value;
    let first = match (best, width) {
        (Some(best), Some(width)) => format!("best {best:.0}° · width {width:.0}°"),
        (Some(best), None) => format!("best {best:.0}° · never −3 dB"),
        (None, _) => "no best bearing".into(),
    };
    [
        first,
        format!(
            "back {} · round {} dB",
            short(&figures.front_to_back_db),
            short(&figures.roundness_db)
        ),
    ]
}

/// `12.3`, or `≥ 18` where it is a bound.
fn short(figure: &Figure) -> String {
    match (figure.value, figure.low) {
        (Some(value), _) => format!("{value:.1}"),
        (None, Some(low)) => format!("≥ {low:.0}"),
        (None, None) => "–".into(),
    }
}

fn bearing(figure: &BearingFigure) -> String {
    match (figure.value, figure.low, figure.high) {
        (Some(value), Some(low), Some(high)) => format!("{value:.0}° ({low:.0}° to {high:.0}°)"),
        _ => "none".into(),
    }
}

fn beamwidth(figure: &Figure) -> String {
    match figure.value {
        Some(_) => with_unit(figure, "°"),
        None => "none: it never falls 3 dB".into(),
    }
}

fn with_unit(figure: &Figure, unit: &str) -> String {
    let digits = if unit == "°" { 0 } else { 1 };
    let words = figure.words(digits);
    match words.split_once(" (") {
        Some((value, interval)) => format!("{value}{unit} ({interval}"),
        None => format!("{words}{unit}"),
    }
}

/// The text alternative.
pub(super) fn description(title: &str, rotation: &Rotation, other: Option<&Rotation>) -> String {
    let mut said = vec![format!("{title}. {}.", subtitle(rotation))];
    for rotation in std::iter::once(rotation).chain(other) {
        said.push(format!("{}.", name(&rotation.antenna)));
        if let Some(band) = rotation
            .band
            .as_ref()
            .filter(|band| band.channels.len() > 1)
        {
            said.push(format!("Band: {}.", figures(&band.figures)));
        }
        said.extend(rotation.channels.iter().map(channel));
    }
    said.join(" ")
}

fn channel(pattern: &Pattern) -> String {
    match (&pattern.figures, &pattern.reason) {
        (Some(found), _) => format!("Channel {}: {}.", pattern.channel, figures(found)),
        (None, reason) => format!(
            "Channel {}: {}.",
            pattern.channel,
            reason.as_deref().unwrap_or("no pattern")
        ),
    }
}

fn figures(figures: &Figures) -> String {
    format!(
        "best bearing {}, beamwidth {}, front-to-back {}, strongest to weakest {}",
        bearing(&figures.best_bearing_deg),
        beamwidth(&figures.half_power_beamwidth_deg),
        with_unit(&figures.front_to_back_db, " dB"),
        with_unit(&figures.roundness_db, " dB")
    )
}
