//! Several antennas: the table of merit, and their differences to the reference on each channel.

use super::super::block::{Cell, Set, Table};
use super::super::words::{Names, name, percent};
use super::channels::mhz_of;
use crate::compare::{ChannelComparison, Comparison, ManyComparison, Merit, Standing, Verdict};
use crate::draw::{Shown, Strip, clean, signed};

/// The antennas, the best first: mean difference to the reference, channels better and worse, channels in each state.
pub(in crate::report) fn table(many: &ManyComparison, names: &Names) -> Table {
    let rows: Vec<Shown> = many.merits.iter().map(mean).collect();
    let strip = Strip::of(&rows);
    let row = |(merit, shown): (&Merit, &Shown)| {
        let is_reference = merit.standing == Standing::Reference;
        let counts = match is_reference {
            true => Cell::new("reference"),
            false => Cell::with(format!("{} / {}", merit.better, merit.worse), rest(merit)),
        };
        let states = merit.states;
        let weakest = merit.weakest.as_ref().map_or_else(
            || Cell::new("–"),
            |weakest| {
                Cell::with(
                    signed(weakest.margin_db, 1),
                    format!("channel {}", clean(&weakest.channel.to_string())),
                )
            },
        );
        vec![
            Cell::new(names.sentence(&merit.antenna)),
            Cell::new(format!(
                "{}{}",
                if merit.shared { "=" } else { "" },
                merit.rank
            )),
            Cell::drawing(strip.row(shown)),
            difference(merit, is_reference),
            counts,
            Cell::new(states.firm.to_string()),
            Cell::new(states.brink.to_string()),
            Cell::new(states.trace.to_string()),
            Cell::new(states.vacant.to_string()),
            weakest,
        ]
    };
    Table {
        caption: format!(
            "Table of merit: mean over channels of the difference to {}, its interval wide rather than narrow; ranks with = are \
             shared. firm: 3 dB or more to spare; brink: less; trace: too weak to decode; vacant: nothing found",
            name(&many.reference)
        ),
        head: vec![
            (Cell::new("Antenna"), Set::Words),
            (Cell::new("Rank"), Set::Number),
            (Cell::drawing(strip.axis()), Set::Drawing),
            (
                Cell::with("Mean, dB", format!("{} interval", percent(many.confidence))),
                Set::Number,
            ),
            (Cell::with("Better / worse", "channels"), Set::Number),
            (Cell::new("firm"), Set::Number),
            (Cell::new("brink"), Set::Number),
            (Cell::new("trace"), Set::Number),
            (Cell::new("vacant"), Set::Number),
            (Cell::with("To spare, dB", "weakest received"), Set::Number),
        ],
        rows: many.merits.iter().zip(&rows).map(row).collect(),
    }
}

fn mean(merit: &Merit) -> Shown {
    Shown {
        difference_db: merit.mean_difference_db,
        low_db: merit.mean_low_db,
        high_db: merit.mean_high_db,
        verdict: match merit.standing {
            Standing::Better => Verdict::A,
            Standing::Worse => Verdict::B,
            _ => Verdict::Undecided,
        },
    }
}

fn difference(merit: &Merit, is_reference: bool) -> Cell {
    match (
        merit.mean_difference_db,
        merit.mean_low_db,
        merit.mean_high_db,
    ) {
        (Some(mean), Some(low), Some(high)) if !is_reference => Cell::with(
            signed(mean, 1),
            format!("{} … {}", signed(low, 1), signed(high, 1)),
        ),
        _ => Cell::new("–"),
    }
}

/// What of the channels is neither better nor worse.
fn rest(merit: &Merit) -> String {
    let parts = [
        (merit.undecided, "undecided"),
        (merit.not_comparable, "not comparable"),
    ];
    let said: Vec<String> = (parts.iter())
        .filter(|(count, _)| *count > 0)
        .map(|(count, what)| format!("{count} {what}"))
        .collect();
    said.join(", ")
}

/// A row a channel, a column an antenna: its difference to the reference.
pub(in crate::report) fn channels(many: &ManyComparison, names: &Names) -> Table {
    let pairs: Vec<&Comparison> = (many.merits.iter())
        .filter_map(|merit| many.with_reference(&merit.antenna))
        .collect();
    let mut channels: Vec<&ChannelComparison> = Vec::new();
    for one in pairs.iter().flat_map(|pair| &pair.channels) {
        if !channels.iter().any(|known| known.channel == one.channel) {
            channels.push(one);
        }
    }
    channels.sort_by(|one, other| one.low_hz.total_cmp(&other.low_hz));
    let mut head = vec![
        (Cell::new("Channel"), Set::Words),
        (Cell::new("MHz"), Set::Number),
    ];
    head.extend(
        pairs
            .iter()
            .map(|pair| (Cell::new(names.sentence(&pair.a)), Set::Number)),
    );
    let row = |channel: &&ChannelComparison| {
        let mut row = vec![
            Cell::new(clean(&channel.channel.to_string())),
            Cell::new(mhz_of(channel)),
        ];
        row.extend(pairs.iter().map(|pair| {
            let own = pair
                .channels
                .iter()
                .find(|one| one.channel == channel.channel);
            own.map_or_else(|| Cell::new("–"), cell)
        }));
        row
    };
    Table {
        caption: format!(
            "Difference to {} in dB, channel by channel; ≥ and ≤ are bounds where one of the two shows too little",
            name(&many.reference)
        ),
        rows: channels.iter().map(row).collect(),
        head,
    }
}

/// A difference with its verdict.
fn cell(one: &ChannelComparison) -> Cell {
    let verdict = match one.verdict {
        Verdict::A => "better",
        Verdict::B => "worse",
        Verdict::Undecided => "undecided",
        Verdict::NotComparable => return Cell::new("–"),
    };
    let figure = match (one.difference_db, one.low_db, one.high_db) {
        (Some(db), _, _) => signed(db, 1),
        (None, Some(low), _) => format!("≥ {}", signed((low * 10.0).floor() / 10.0, 1)),
        (None, None, Some(high)) => format!("≤ {}", signed((high * 10.0).ceil() / 10.0, 1)),
        (None, None, None) => "–".to_owned(),
    };
    Cell::with(figure, verdict)
}
