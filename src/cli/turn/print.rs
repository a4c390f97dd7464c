//! A rotation as table, CSV and JSON.

use gainsay::survey::turn::{
    BearingFigure, Figure, Figures, Fit, NOTHING_FOUND, Pattern, Rotation,
};
use serde::Serialize;

use crate::cli::Failure;
use crate::cli::output::{self, Format};
use crate::cli::table::{Set, cell, edges_mhz, number, table};

#[derive(Serialize)]
struct Printed<'r> {
    #[serde(flatten)]
    rotation: &'r Rotation,
    with: Option<&'r Rotation>,
}

/// Prints a rotation, and the other one that is drawn over it.
pub fn rotation(
    rotation: &Rotation,
    other: Option<&Rotation>,
    format: Format,
) -> Result<(), Failure> {
    let all = || std::iter::once(rotation).chain(other);
    match format {
        Format::Json => output::print_json(&Printed {
            rotation,
            with: other,
        }),
        Format::Csv => {
            let head = COLUMNS.iter().map(|name| (*name).to_owned()).collect();
            output::print_csv(std::iter::once(head).chain(all().flat_map(csv_rows)))
        }
        Format::Table => output::print(&all().map(as_text).collect::<Vec<_>>().join("\n")),
    }
}

/// For people: heading, table, what it means, what to bear in mind.
pub fn as_text(rotation: &Rotation) -> String {
    let mut text = format!(
        "{}   at {}\n{} take(s) at {} bearings, counted clockwise from {} (seen from above); plan {}; intervals {:.0} %\n\n",
        rotation.antenna,
        rotation.spot,
        rotation.takes,
        rotation.bearings_deg.len(),
        rotation.zero,
        rotation.plan,
        rotation.confidence * 100.0
    );
    let head = [
        ("channel", Set::Right),
        ("MHz", Set::Right),
        ("bearings", Set::Right),
        ("best bearing °", Set::Left),
        ("beamwidth °", Set::Left),
        ("front-to-back dB", Set::Left),
        ("roundness dB", Set::Left),
        ("scatter dB", Set::Right),
        ("drift dB", Set::Right),
        ("remark", Set::Left),
    ];
    let empty = |channel: &&Pattern| channel.reason.as_deref() == Some(NOTHING_FOUND);
    let mut rows: Vec<Vec<String>> = (rotation.channels.iter())
        .filter(|channel| !empty(channel))
        .map(|channel| {
            let mut row = vec![
                channel.channel.to_string(),
                edges_mhz(channel.low_hz, channel.high_hz),
                channel.points.len().to_string(),
            ];
            row.extend(figures(channel.figures.as_ref(), channel.fit.as_ref()));
            row.push(
                channel
                    .closure
                    .and_then(|c| c.drift_db)
                    .map_or_else(String::new, |db| number(Some(db), 1)),
            );
            let said = channel.figures.as_ref().map(remarks).unwrap_or_default();
            row.push(channel.reason.clone().unwrap_or(said));
            row
        })
        .collect();
    if let Some(band) = rotation
        .band
        .as_ref()
        .filter(|band| band.channels.len() > 1)
    {
        let mut row = vec!["band".into(), String::new(), band.points.len().to_string()];
        row.extend(figures(Some(&band.figures), Some(&band.fit)));
        row.extend([String::new(), remarks(&band.figures)]);
        rows.push(row);
    }
    text += &table(&head, rows);
    let nothing: Vec<String> = (rotation.channels.iter().filter(empty))
        .map(|channel| channel.channel.to_string())
        .collect();
    if !nothing.is_empty() {
        text += &format!("Channel(s) {}: {NOTHING_FOUND}.\n", nothing.join(", "));
    }
    text += "\n";
    for sentence in &rotation.meaning {
        text += &format!("{sentence}\n");
    }
    if !rotation.remarks.is_empty() {
        text += "\nBear in mind:\n";
    }
    for remark in &rotation.remarks {
        text += &format!("- {remark}\n");
    }
    text
}

/// Best bearing, beamwidth, front-to-back, roundness and scatter.
fn figures(figures: Option<&Figures>, fit: Option<&Fit>) -> Vec<String> {
    let Some(figures) = figures else {
        return vec![String::new(); 5];
    };
    vec![
        bearing(&figures.best_bearing_deg),
        beamwidth(&figures.half_power_beamwidth_deg),
        figures.front_to_back_db.words(1),
        figures.roundness_db.words(1),
        number(fit.and_then(|fit| fit.residual_rms_db), 2),
    ]
}

fn bearing(figure: &BearingFigure) -> String {
    match (figure.value, figure.low, figure.high) {
        (Some(value), Some(low), Some(high)) => format!("{value:.0} ({low:.0} to {high:.0})"),
        _ => "none".into(),
    }
}

fn beamwidth(figure: &Figure) -> String {
    match figure.value {
        Some(_) => figure.words(0),
        None => "all round".into(),
    }
}

fn remarks(figures: &Figures) -> String {
    let said = [
        figures.best_bearing_deg.remark.as_deref(),
        figures.half_power_beamwidth_deg.remark.as_deref(),
    ];
    said.into_iter().flatten().collect::<Vec<_>>().join("; ")
}

const COLUMNS: [&str; 29] = [
    "antenna",
    "spot",
    "zero",
    "channel",
    "low_hz",
    "high_hz",
    "wanted",
    "bearings",
    "best_bearing_deg",
    "best_bearing_low_deg",
    "best_bearing_high_deg",
    "best_bearing_rivals_deg",
    "half_power_beamwidth_deg",
    "half_power_beamwidth_low_deg",
    "half_power_beamwidth_high_deg",
    "front_to_back_db",
    "front_to_back_low_db",
    "front_to_back_high_db",
    "roundness_db",
    "roundness_low_db",
    "roundness_high_db",
    "round_p",
    "maximum_db",
    "mean_db",
    "residual_rms_db",
    "inflation",
    "closure_difference_db",
    "drift_db",
    "reason",
];

fn csv_rows(rotation: &Rotation) -> Vec<Vec<String>> {
    let whose = [&rotation.antenna, &rotation.spot, &rotation.zero].map(String::clone);
    let mut rows: Vec<Vec<String>> = (rotation.channels.iter())
        .map(|channel| {
            let mut row = whose.to_vec();
            row.extend([
                channel.channel.to_string(),
                channel.low_hz.to_string(),
                channel.high_hz.to_string(),
                channel.wanted.to_string(),
                channel.points.len().to_string(),
            ]);
            row.extend(csv_figures(channel.figures.as_ref(), channel.fit.as_ref()));
            let closure = channel.closure;
            row.extend([
                cell(closure.and_then(|c| c.difference_db)),
                cell(closure.and_then(|c| c.drift_db)),
                channel.reason.clone().unwrap_or_default(),
            ]);
            row
        })
        .collect();
    if let Some(band) = &rotation.band {
        let mut row = whose.to_vec();
        row.extend(["band", "", "", "true"].map(String::from));
        row.push(band.points.len().to_string());
        row.extend(csv_figures(Some(&band.figures), Some(&band.fit)));
        row.extend(["", "", ""].map(String::from));
        rows.push(row);
    }
    rows
}

fn csv_figures(figures: Option<&Figures>, fit: Option<&Fit>) -> Vec<String> {
    let (Some(figures), Some(fit)) = (figures, fit) else {
        return vec![String::new(); 18];
    };
    let best = &figures.best_bearing_deg;
    let rivals: Vec<String> = best.rivals.iter().map(ToString::to_string).collect();
    let mut row = vec![
        cell(best.value),
        cell(best.low),
        cell(best.high),
        rivals.join(" "),
    ];
    for figure in [
        &figures.half_power_beamwidth_deg,
        &figures.front_to_back_db,
        &figures.roundness_db,
    ] {
        row.extend([cell(figure.value), cell(figure.low), cell(figure.high)]);
    }
    row.extend([
        figures.round_p.to_string(),
        fit.maximum_db.to_string(),
        fit.mean_db.to_string(),
        cell(fit.residual_rms_db),
        fit.inflation.to_string(),
    ]);
    row
}
