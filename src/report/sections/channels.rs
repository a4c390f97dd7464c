//! Channel by channel: the differences, and what each antenna receives.

use super::super::block::{Block, Cell, Section, Set, Table};
use super::super::words::{Names, channels, difference, interval, name, or_dash, percent};
use super::super::{Compared, Content};
use super::merit;
use crate::compare::{ChannelComparison, Comparison, Method, Side, Verdict};
use crate::draw::{Shown, Strip, clean, mhz, number};
use crate::reading::State;

pub(super) const ID: &str = "channels";
pub(super) const TITLE: &str = "Channel by channel";

pub(super) fn section(content: &Content, names: &Names) -> Option<Section> {
    let first = content.first()?;
    let verdicts = Block::Text(format!(
        "A verdict stands only where chance is ruled out over all channels together; undecided is no tie, it says that these \
         takes can't tell. The interval holds the true difference {} of the time, as far as what made it is understood.",
        percent(first.confidence)
    ));
    let Some(many) = &content.several else {
        let mut blocks = vec![Block::Heading("The difference".to_owned())];
        blocks.extend(differences(first, names));
        blocks.push(verdicts);
        blocks.push(Block::Heading("What each antenna receives".to_owned()));
        blocks.push(Block::Table(levels_table(first)));
        return Some(Section::new(ID, TITLE, blocks));
    };
    let mut blocks = vec![Block::Table(merit::channels(many, names)), verdicts];
    blocks.extend(content.compared.iter().map(|Compared { comparison, .. }| {
        let mut blocks = differences(comparison, names);
        blocks.push(Block::Table(levels_table(comparison)));
        Block::Folded(pair(comparison), blocks)
    }));
    Some(Section::new(ID, TITLE, blocks))
}

/// `tape loop against rabbit ears`.
pub(super) fn pair(comparison: &Comparison) -> String {
    format!("{} against {}", name(&comparison.a), name(&comparison.b))
}

/// The table of differences, and what is to be said of single channels.
fn differences(comparison: &Comparison, names: &Names) -> Vec<Block> {
    let (empty, shown): (Vec<&ChannelComparison>, Vec<&ChannelComparison>) =
        comparison.channels.iter().partition(|one| is_empty(one));
    if shown.is_empty() {
        return vec![Block::Text(
            "No channel shows a signal with either antenna.".to_owned(),
        )];
    }
    let mut blocks = vec![Block::Table(difference_table(comparison))];
    let reasons = reasons(comparison, names);
    if !reasons.is_empty() {
        blocks.push(Block::Sentences(reasons));
    }
    if !empty.is_empty() {
        blocks.push(Block::Text(format!(
            "Left out here: {}, on which neither antenna shows a signal.",
            channels(&empty)
        )));
    }
    blocks
}

/// Whether neither antenna shows a signal, so that there is nothing to say of a difference.
fn is_empty(one: &ChannelComparison) -> bool {
    let silent = |side: &Side| side.state == Some(State::Vacant);
    one.verdict == Verdict::NotComparable && silent(&one.a) && silent(&one.b)
}

/// A less B on each channel on which either shows something.
pub(in crate::report) fn difference_table(comparison: &Comparison) -> Table {
    let shown: Vec<Shown> = comparison.channels.iter().map(Shown::from).collect();
    let strip = Strip::of(&shown);
    let level = percent(comparison.confidence);
    let row = |one: &ChannelComparison| {
        let value = match one.difference_db {
            Some(db) => Cell::with(difference(one, db), interval(one)),
            None => Cell::with(interval(one), String::new()),
        };
        let by = match one.method {
            Some(Method::Pilot) => "by pilot",
            _ => "",
        };
        vec![
            channel(one),
            Cell::drawing(strip.row(&Shown::from(one))),
            value,
            Cell::with(verdict(one.verdict), by),
        ]
    };
    Table {
        caption: format!("A less B in dB, with its {level} interval; above zero A is better"),
        head: vec![
            (Cell::with("Channel", "MHz"), Set::Words),
            (Cell::drawing(strip.axis()), Set::Drawing),
            (
                Cell::with("A − B, dB", format!("{level} interval")),
                Set::Number,
            ),
            (Cell::new("Verdict"), Set::Words),
        ],
        rows: (comparison.channels.iter())
            .filter(|one| !is_empty(one))
            .map(row)
            .collect(),
    }
}

/// Why there is no verdict on a channel, or what limits it.
pub(in crate::report) fn reasons(comparison: &Comparison, names: &Names) -> Vec<String> {
    let shown = comparison.channels.iter().filter(|one| !is_empty(one));
    shown
        .filter_map(|one| {
            let reason = names.sentence(one.reason.as_deref()?);
            let channel = clean(&one.channel.to_string());
            let cannot = match one.verdict {
                Verdict::NotComparable => " can't be compared",
                _ => "",
            };
            Some(format!(
                "Channel {channel}{cannot}: {}.",
                reason.trim_end_matches('.')
            ))
        })
        .collect()
}

fn channel(one: &ChannelComparison) -> Cell {
    Cell::with(clean(&one.channel.to_string()), mhz_of(one))
}

/// `506–512`.
pub(super) fn mhz_of(one: &ChannelComparison) -> String {
    mhz_between(one.low_hz, one.high_hz)
}

/// The same of edges in hertz.
pub(super) fn mhz_between(low_hz: f64, high_hz: f64) -> String {
    format!("{}–{}", mhz(low_hz), mhz(high_hz))
}

fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::A => "A better",
        Verdict::B => "B better",
        Verdict::Undecided => "undecided",
        Verdict::NotComparable => "not comparable",
    }
}

/// Levels and states of both antennas on every channel.
fn levels_table(comparison: &Comparison) -> Table {
    let sides = [("A", &comparison.a), ("B", &comparison.b)];
    let mut head = vec![
        (Cell::new("Channel"), Set::Words),
        (Cell::new("MHz"), Set::Number),
    ];
    for (letter, typed) in sides {
        head.push((
            Cell::with(format!("{letter} state"), name(typed)),
            Set::Words,
        ));
        head.push((Cell::with(format!("{letter} signal"), "dBFS"), Set::Number));
        head.push((Cell::with(format!("{letter} C/N"), "dB"), Set::Number));
        head.push((Cell::with(format!("{letter} margin"), "dB"), Set::Number));
    }
    head.push((Cell::new("Carries"), Set::Words));
    let row = |one: &ChannelComparison| {
        let Cell { text, small, .. } = channel(one);
        let mut row = vec![Cell::new(text), Cell::new(small)];
        row.extend([&one.a, &one.b].into_iter().flat_map(side));
        let carries = [&one.a, &one.b]
            .into_iter()
            .find_map(|side| side.identity.as_ref());
        row.push(Cell::new(carries.map_or_else(
            || "–".to_owned(),
            |identity| clean(&identity.to_string()),
        )));
        row
    };
    Table {
        caption: "Level of the signal, carrier-to-noise ratio (C/N) and margin over what the standard needs; < is an upper \
                  bound where nothing was found"
            .to_owned(),
        rows: comparison.channels.iter().map(row).collect(),
        head,
    }
}

fn side(side: &Side) -> [Cell; 4] {
    let state = side.state.map_or("not measured", |state| state.word());
    let partly = match side.covered {
        covered if covered > 0.0 && covered < 1.0 => {
            format!("only {} of the channel", percent(covered))
        }
        _ => String::new(),
    };
    let signal = match (side.signal_dbfs, side.signal_upper_dbfs) {
        (None, Some(upper)) => format!("< {}", number(upper, 1)),
        (level, _) => or_dash(level, 1),
    };
    [
        Cell::with(state, partly),
        Cell::new(signal),
        Cell::new(or_dash(side.cn_db, 1)),
        Cell::new(or_dash(side.margin_db, 1)),
    ]
}
