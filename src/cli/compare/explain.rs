//! The whole uncertainty budget of one channel.

use gainsay::channels::ChannelId;
use gainsay::compare::{ChannelComparison, Comparison};

use super::show::interval;
use crate::cli::Failure;
use crate::cli::output::{self, Format};
use crate::cli::table::{Set, cell, edges_mhz, number, signed, table};

/// Prints the budget of the channel called `name`.
pub fn explain(comparison: &Comparison, name: &str, format: Format) -> Result<(), Failure> {
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
            "--explain {name:?}: not among the channels compared: {}",
            known.join(", ")
        )));
    };
    if format != Format::Table && channel.budget.is_empty() {
        let reason = channel.reason.as_deref().unwrap_or("nothing was compared");
        output::remark(&format!(
            "channel {} has no budget: {reason}",
            channel.channel
        ));
    }
    match format {
        Format::Json => return output::print_json(&channel.budget),
        Format::Csv => return print_csv(channel),
        Format::Table => {}
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

/// The budget for spreadsheets, under the names that JSON has; degrees of freedom without end are left empty.
fn print_csv(channel: &ChannelComparison) -> Result<(), Failure> {
    let names = [
        "source",
        "value_db",
        "standard_uncertainty_db",
        "type",
        "degrees_of_freedom",
        "sensitivity",
        "share",
    ];
    let head = names.iter().map(|name| (*name).to_owned()).collect();
    let rows = channel.budget.iter().map(|row| {
        vec![
            row.source.clone(),
            cell(row.value_db),
            row.standard_uncertainty_db.to_string(),
            row.evaluation.to_string(),
            cell(Some(row.degrees_of_freedom).filter(|freedom| freedom.is_finite())),
            row.sensitivity.to_string(),
            row.share.to_string(),
        ]
    });
    output::print_csv(std::iter::once(head).chain(rows))
}
