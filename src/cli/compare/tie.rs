//! Antennas of different days, tied by one that was taken on both.

use gainsay::compare::{self, Comparison, Options, OverTime, TieOptions, TiedComparison};
use gainsay::draw;
use gainsay::reading::Take;

use super::show::{interval, method, sentences};
use super::{Arguments, explain, print_csv};
use crate::cli::Failure;
use crate::cli::output::{self, Format};
use crate::cli::table::{Set, edges_mhz, signed, table};

/// Refuses options that don't go together.
pub fn check(arguments: &Arguments) -> Result<(), Failure> {
    if arguments.tie.is_none() {
        return Ok(());
    }
    if !arguments.more.is_empty() {
        return Err(Failure::usage(
            "--tie goes with two antennas: name two of them",
        ));
    }
    if arguments.spectrum.is_some() {
        return Err(Failure::usage(
            "--spectrum draws takes of one day: leave --tie out",
        ));
    }
    Ok(())
}

/// Compares by the tie. Gives the comparison where the antennas turned out to share a session; else it is printed.
pub fn run(
    arguments: &Arguments,
    [a, b]: [&[Take]; 2],
    tie: &[Take],
    options: &Options,
) -> Result<Option<Comparison>, Failure> {
    let tie_options = TieOptions {
        steadiness_db: arguments.tie_steadiness,
        session: arguments.session,
    };
    let tied = match compare::compare_over_time(a, b, tie, options, &tie_options)? {
        OverTime::Direct(comparison) => return Ok(Some(*comparison)),
        OverTime::Tied(tied) => tied,
    };
    let comparison = &tied.comparison;
    if let Some(name) = &arguments.explain {
        explain::explain(comparison, name, arguments.format)?;
    } else {
        match arguments.format {
            Format::Json => output::print_json(&tied)?,
            Format::Csv => print_csv(comparison)?,
            Format::Table => output::print(&as_text(&tied))?,
        }
    }
    if let Some(path) = &arguments.plot {
        draw::tied(&tied)?.write(path)?;
        output::remark(&format!("drawn: {}", path.display()));
    }
    Ok(None)
}

fn as_text(tied: &TiedComparison) -> String {
    let comparison = &tied.comparison;
    let mut text = format!("A: {}   B: {}", comparison.a, comparison.b);
    if let Some(spot) = &comparison.spot {
        text += &format!("   at {spot}");
    }
    text += &format!("   tied by {}\n", tied.tie);
    for ((side, half), occasion) in ["A", "B"].iter().zip(&tied.halves).zip(&tied.occasions) {
        text += &format!(
            "{side}: {} take(s) beside {} of the tie, {} to {}\n",
            half.takes_a, half.takes_b, occasion.from, occasion.to
        );
    }
    text += &format!(
        "plan {}; intervals {:.0} %; the tie itself {} dB\n\n",
        comparison.plan,
        comparison.confidence * 100.0,
        tied.tie_steadiness_db
    );
    let head = [
        ("channel", Set::Right),
        ("MHz", Set::Right),
        ("A − tie dB", Set::Right),
        ("B − tie dB", Set::Right),
        ("A − B dB", Set::Right),
        ("interval dB", Set::Right),
        ("by", Set::Left),
        ("verdict", Set::Left),
        ("reason", Set::Left),
    ];
    text += &table(
        &head,
        comparison.channels.iter().map(|one| {
            let [a, b] = [0, 1].map(|half: usize| {
                (tied.halves[half].channels.iter())
                    .find(|other| other.channel == one.channel)
                    .map_or_else(String::new, |other| match other.difference_db {
                        Some(db) => signed(db, 2),
                        None => interval(other),
                    })
            });
            vec![
                one.channel.to_string(),
                edges_mhz(one.low_hz, one.high_hz),
                a,
                b,
                one.difference_db
                    .map_or_else(String::new, |db| signed(db, 2)),
                interval(one),
                method(one),
                one.verdict.to_string(),
                one.reason.clone().unwrap_or_default(),
            ]
        }),
    );
    text + &sentences(&comparison.meaning, &comparison.remarks)
}
