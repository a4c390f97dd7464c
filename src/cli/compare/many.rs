//! More than two antennas: the table of merit, and each channel.

use gainsay::compare::{
    self, Against, ChannelComparison, Comparison, ManyComparison, Merit, Options, Standing,
    StateCounts, Verdict,
};
use gainsay::draw;
use gainsay::reading::Take;

use super::show::{difference_cells, sentences, with_difference};
use super::{Arguments, explain};
use crate::cli::Failure;
use crate::cli::output::{self, Format};
use crate::cli::table::{Set, cell, edges_mhz, signed, table};

/// Refuses options that don't go with so many antennas.
pub fn check(arguments: &Arguments) -> Result<(), Failure> {
    let count = 2 + arguments.more.len();
    if count == 2 && (arguments.all_pairs || arguments.reference.is_some()) {
        return Err(Failure::usage(
            "--reference and --all-pairs go with three antennas or more; of two, the second is what the first is held against",
        ));
    }
    if count > 2 && arguments.spectrum.is_some() {
        return Err(Failure::usage(
            "--spectrum draws two antennas: name two of them",
        ));
    }
    Ok(())
}

/// Compares and prints.
pub fn run(arguments: &Arguments, takes: &[Vec<Take>], options: &Options) -> Result<(), Failure> {
    let names: Vec<&String> = (takes.iter())
        .filter_map(|takes| takes.first().map(|take| &take.antenna))
        .collect();
    let reference = match &arguments.reference {
        None => names.len() - 1,
        Some(wanted) => {
            // By the name that it has, or by the word that named it.
            let place = (names.iter().position(|name| *name == wanted))
                .or_else(|| arguments.antennas().iter().position(|word| word == wanted));
            place.ok_or_else(|| {
                let names: Vec<String> = names.iter().map(|name| format!("{name:?}")).collect();
                Failure::usage(format!(
                    "--reference {wanted:?} is none of the antennas compared: {}",
                    names.join(", ")
                ))
            })?
        }
    };
    let against = if arguments.all_pairs {
        Against::AllPairs { reference }
    } else {
        Against::Reference(reference)
    };
    let many = compare::compare_many(takes, against, options)?;
    match (&arguments.explain, arguments.format) {
        (Some(name), format) => explain_pairs(&many, name, format),
        (None, Format::Json) => output::print_json(&many),
        (None, Format::Csv) => print_csv(&many),
        (None, Format::Table) => output::print(&as_text(&many)),
    }?;
    if let Some(path) = &arguments.plot {
        draw::merit(&many)?.write(path)?;
        output::remark(&format!("drawn: {}", path.display()));
    }
    Ok(())
}

/// The budget of a channel, pair by pair.
fn explain_pairs(many: &ManyComparison, name: &str, format: Format) -> Result<(), Failure> {
    let several = many.pairs.len() > 1;
    if several && format != Format::Table {
        return Err(Failure::usage(
            "--explain of several pairs is a table: name two antennas, or take the budgets from --format json without it",
        ));
    }
    for (place, pair) in many.pairs.iter().enumerate() {
        if place > 0 {
            output::print("\n")?;
        }
        explain::explain(pair, name, format)?;
    }
    Ok(())
}

fn as_text(many: &ManyComparison) -> String {
    let mut text = format!("{} antennas", many.antennas.len());
    if let Some(spot) = &many.spot {
        text += &format!(" at {spot}");
    }
    let how = if many.all_pairs {
        format!(
            "all pairs ({}); differences are to {}",
            many.pairs.len(),
            many.reference
        )
    } else {
        format!("each against {}", many.reference)
    };
    text += &format!(
        "; {how}\nplan {}; intervals {:.0} % each; verdicts corrected over {} differences\n\n",
        many.plan,
        many.confidence * 100.0,
        many.corrected_over
    );
    text += &merits(many);
    text += &format!(
        "\nDifference to {} in dB, channel by channel\n\n",
        many.reference
    );
    text += &channels(many);
    text += "\n▲ better, ▼ worse, no mark: undecided, – not comparable; ≥ and ≤ where one of the two shows too little\n";
    text + &sentences(&many.meaning, &many.remarks)
}

fn merits(many: &ManyComparison) -> String {
    let head = [
        ("rank", Set::Right),
        ("antenna", Set::Left),
        ("takes", Set::Right),
        ("median dB", Set::Right),
        ("mean dB", Set::Right),
        ("interval dB", Set::Right),
        ("better", Set::Right),
        ("worse", Set::Right),
        ("undecided", Set::Right),
        ("not comp.", Set::Right),
        ("firm", Set::Right),
        ("brink", Set::Right),
        ("trace", Set::Right),
        ("vacant", Set::Right),
        ("weakest", Set::Left),
    ];
    let rows = many.merits.iter().map(|merit| {
        let is_reference = merit.standing == Standing::Reference;
        let count = |count: usize| {
            if is_reference {
                String::new()
            } else {
                count.to_string()
            }
        };
        let decibels = |value: Option<f64>| value.map_or_else(String::new, |db| signed(db, 2));
        let StateCounts {
            vacant,
            trace,
            brink,
            firm,
        } = merit.states;
        let mut row = vec![
            rank(merit),
            merit.antenna.clone(),
            merit.takes.to_string(),
            if is_reference {
                "reference".to_owned()
            } else {
                decibels(merit.median_difference_db)
            },
            decibels(merit.mean_difference_db),
            match (merit.mean_low_db, merit.mean_high_db) {
                (Some(low), Some(high)) => format!("{} … {}", signed(low, 2), signed(high, 2)),
                _ => String::new(),
            },
            count(merit.better),
            count(merit.worse),
            count(merit.undecided),
            count(merit.not_comparable),
        ];
        row.extend([firm, brink, trace, vacant].map(|count| count.to_string()));
        row.push(merit.weakest.as_ref().map_or_else(String::new, |weakest| {
            format!("{}: {} dB", weakest.channel, signed(weakest.margin_db, 1))
        }));
        row
    });
    table(&head, rows)
}

/// The rank, with a sign where it is shared.
fn rank(merit: &Merit) -> String {
    if merit.shared {
        format!("={}", merit.rank)
    } else {
        merit.rank.to_string()
    }
}

/// A row a channel, a column an antenna.
fn channels(many: &ManyComparison) -> String {
    let columns: Vec<(&str, &Comparison)> = (many.merits.iter())
        .filter_map(|merit| Some((merit.antenna.as_str(), many.with_reference(&merit.antenna)?)))
        .collect();
    let mut head = vec![("channel", Set::Right), ("MHz", Set::Right)];
    head.extend(columns.iter().map(|(name, _)| (*name, Set::Right)));
    let rows = edges(many).into_iter().map(|one| {
        let mut row = vec![one.channel.to_string(), edges_mhz(one.low_hz, one.high_hz)];
        row.extend(columns.iter().map(|(_, pair)| {
            (pair
                .channels
                .iter()
                .find(|other| other.channel == one.channel))
            .map_or_else(String::new, marked)
        }));
        row
    });
    table(&head, rows)
}

/// Every channel of any pair, ascending.
fn edges(many: &ManyComparison) -> Vec<&ChannelComparison> {
    let mut channels: Vec<&ChannelComparison> = Vec::new();
    for one in many.pairs.iter().flat_map(|pair| &pair.channels) {
        if !channels.iter().any(|known| known.channel == one.channel) {
            channels.push(one);
        }
    }
    channels.sort_by(|one, two| one.low_hz.total_cmp(&two.low_hz));
    channels
}

/// A difference with the mark of its verdict.
fn marked(one: &ChannelComparison) -> String {
    let mark = match one.verdict {
        Verdict::A => " ▲",
        Verdict::B => " ▼",
        Verdict::Undecided => "  ",
        Verdict::NotComparable => return "–  ".to_owned(),
    };
    let figure = match (one.difference_db, one.low_db, one.high_db) {
        (Some(difference), _, _) => signed(difference, 2),
        (None, Some(low), _) => format!("≥ {}", signed(low, 1)),
        (None, None, Some(high)) => format!("≤ {}", signed(high, 1)),
        (None, None, None) => "?".to_owned(),
    };
    figure + mark
}

/// A row a pair and channel; ranks and means are in JSON.
fn print_csv(many: &ManyComparison) -> Result<(), Failure> {
    let head = [
        "antenna",
        "against",
        "rank",
        "channel",
        "low_hz",
        "high_hz",
        "a_state",
        "b_state",
        "a_margin_db",
        "b_margin_db",
    ];
    let rank_of = |name: &String| {
        (many.merits.iter().find(|merit| merit.antenna == *name))
            .map_or_else(String::new, |merit| merit.rank.to_string())
    };
    let rows = many.pairs.iter().flat_map(|pair| {
        let rank = rank_of(&pair.a);
        pair.channels.iter().map(move |one| {
            let mut row = vec![
                pair.a.clone(),
                pair.b.clone(),
                rank.clone(),
                one.channel.to_string(),
                one.low_hz.to_string(),
                one.high_hz.to_string(),
                cell(one.a.state),
                cell(one.b.state),
                cell(one.a.margin_db),
                cell(one.b.margin_db),
            ];
            row.extend(difference_cells(one));
            row
        })
    });
    output::print_csv(std::iter::once(with_difference(&head)).chain(rows))
}
