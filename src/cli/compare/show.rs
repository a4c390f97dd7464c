//! Two antennas compared, for people and for spreadsheets.

use gainsay::compare::{ChannelComparison, Comparison, Side};
use gainsay::draw::Band;

use crate::cli::Failure;
use crate::cli::output;
use crate::cli::readings::{Assumption, assumptions};
use crate::cli::table::{Set, cell, edges_mhz, number, paragraphs, signed, table};

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
    text += &sentences(&comparison.meaning, &comparison.remarks);
    text + &footing(comparison)
}

/// What the states rest on.
fn footing(comparison: &Comparison) -> String {
    let sides = comparison.channels.iter().flat_map(|one| [&one.a, &one.b]);
    let assumed = assumptions(
        sides
            .filter(|side| side.cn_db.is_some())
            .filter_map(|side| {
                Some(Assumption {
                    standard: side.standard?,
                    path: side.path,
                    threshold_db: side.threshold_db,
                    assumes: side.threshold_assumes,
                })
            }),
    );
    assumed.map_or_else(String::new, |assumed| {
        format!("\nThresholds assumed for the states: {assumed}.\n")
    })
}

/// What it means and what to bear in mind, under their titles.
pub fn sentences(meaning: &[String], remarks: &[String]) -> String {
    paragraphs(&[("What it means", meaning), ("To bear in mind", remarks)])
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
pub fn method(channel: &ChannelComparison) -> String {
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
        "a_threshold_db",
        "a_threshold_assumes",
        "a_state",
        "a_carries",
        "a_sigma_sp_db",
        "b_signal_dbfs",
        "b_signal_upper_dbfs",
        "b_pilot_dbfs",
        "b_cn_db",
        "b_margin_db",
        "b_threshold_db",
        "b_threshold_assumes",
        "b_state",
        "b_carries",
        "b_sigma_sp_db",
    ];
    let sides = |side: &Side| {
        [
            cell(side.signal_dbfs),
            cell(side.signal_upper_dbfs),
            cell(side.pilot_dbfs),
            cell(side.cn_db),
            cell(side.margin_db),
            cell(side.threshold_db),
            cell(side.threshold_assumes),
            cell(side.state),
            cell(side.identity.as_ref()),
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
        row.extend(difference_cells(channel));
        row
    });
    output::print_csv(std::iter::once(with_difference(&head)).chain(rows))
}

/// The names of columns that end with those of [`difference_cells`].
pub fn with_difference(head: &[&str]) -> Vec<String> {
    let difference = [
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
    let all = head.iter().chain(&difference);
    all.map(|name| (*name).to_owned()).collect()
}

/// What a channel's difference is, for a spreadsheet.
pub fn difference_cells(channel: &ChannelComparison) -> Vec<String> {
    let mut cells = vec![method(channel)];
    cells.extend(
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
    cells.push(channel.verdict.to_string());
    cells.push(channel.reason.clone().unwrap_or_default());
    cells
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
