//! What was compared, where, when, and with what.

use super::super::Content;
use super::super::block::{Block, Cell, Section, Set, Table};
use super::super::words::{Names, clock, counted, day, distinct, list, name};
use crate::channels::Plan;
use crate::compare::{Basis, Comparison};
use crate::draw::{clean, mhz, number};
use crate::reading::{NoiseSource, Take};

/// More sources than this are left to the list of takes.
const SOURCES_SHOWN: usize = 4;

pub(super) fn section(content: &Content, names: &Names) -> Section {
    let mut facts = antennas(content, names);
    let spot = names.spot.clone();
    facts.push(fact(
        "Spot",
        [spot.unwrap_or_else(|| "not stated".to_owned())],
    ));
    facts.push(fact("When", [dates(content)]));
    if let Some(by) = content.by.as_deref().map(clean).filter(|by| !by.is_empty()) {
        facts.push(fact("Measured by", [by]));
    }
    facts.push(fact("Takes", [takes(content)]));
    facts.extend(content.first().map(|one| fact("Channels", [channels(one)])));
    facts.push(fact("Receiver", [receiver(content)]));
    facts.push(fact("Gain", [gains(content)]));
    facts.push(fact("Noise", noise(content)));
    facts.push(fact("Source", sources(content)));
    let mut blocks = vec![Block::Facts(facts)];
    if content.takes.iter().any(|takes| !takes.is_empty()) {
        blocks.push(Block::Folded(
            "The takes, one by one".to_owned(),
            vec![Block::Table(list_of_takes(content, names))],
        ));
    }
    Section::new("what", "What was compared", blocks)
}

/// A and B, or all of several with the number of their takes.
fn antennas(content: &Content, names: &Names) -> Vec<(String, Vec<String>)> {
    let Some(many) = &content.several else {
        let letters = ["Antenna A", "Antenna B"].into_iter().zip(&names.all);
        return letters
            .map(|(letter, name)| fact(letter, [name.clone()]))
            .collect();
    };
    let each = names.all.iter().zip(&content.takes).zip(&many.antennas);
    let each = each.map(|((name, takes), typed)| {
        let reference = match *typed == many.reference {
            true => ", the reference",
            false => "",
        };
        format!("{name}: {}{reference}", counted(takes.len(), "take"))
    });
    vec![fact("Antennas", each)]
}

fn fact(name: &str, values: impl IntoIterator<Item = String>) -> (String, Vec<String>) {
    (name.to_owned(), values.into_iter().collect())
}

/// `9 May 2026, 10:00 to 10:10 UTC`.
fn dates(content: &Content) -> String {
    let takes = content.by_time();
    let (Some(first), Some(last)) = (takes.first(), takes.last()) else {
        return "not stated".to_owned();
    };
    let (from, to) = (first.taken_at, last.taken_at);
    match (day(from) == day(to), clock(from) == clock(to)) {
        (true, true) => format!("{}, {} UTC", day(from), clock(from)),
        (true, false) => format!("{}, {} to {} UTC", day(from), clock(from), clock(to)),
        (false, _) => format!(
            "{}, {} to {}, {} UTC",
            day(from),
            clock(from),
            day(to),
            clock(to)
        ),
    }
}

/// `at north window, 9 May 2026, 10:00 to 10:10 UTC`.
pub(in crate::report) fn where_and_when(content: &Content, names: &Names) -> String {
    match &names.spot {
        Some(spot) => format!("at {spot}, {}", dates(content)),
        None => dates(content),
    }
}

fn takes(content: &Content) -> String {
    if let Some(many) = &content.several {
        let count: usize = content.takes.iter().map(Vec::len).sum();
        let how = match many.all_pairs {
            true => format!(
                "all antennas with all others, {}",
                counted(many.pairs.len(), "pair")
            ),
            false => format!("each antenna against {}", name(&many.reference)),
        };
        return format!("{} in all; {how}", counted(count, "take"));
    }
    let Some(comparison) = content.first() else {
        return "none".to_owned();
    };
    let how = match comparison.basis {
        Basis::Blocks => format!(
            "in {} of four in turn (A B B A or B A A B)",
            counted(comparison.blocks, "block")
        ),
        Basis::Pairs => format!("in {} of neighbours", counted(comparison.blocks, "pair")),
        Basis::Unpaired => "in no order that pairs them".to_owned(),
        Basis::Single => "without repeats".to_owned(),
    };
    format!(
        "{} of A and {} of B, {how}",
        counted(comparison.takes_a, "take"),
        comparison.takes_b
    )
}

fn channels(comparison: &Comparison) -> String {
    let plan = Plan::find(&comparison.plan).map_or_else(
        |_| clean(&comparison.plan),
        |plan| format!("{} ({})", clean(&plan.title), clean(&comparison.plan)),
    );
    let count = counted(comparison.channels.len(), "channel");
    let ends = comparison.channels.first().zip(comparison.channels.last());
    let span = ends.map_or_else(String::new, |(first, last)| {
        format!(", {} to {} MHz", mhz(first.low_hz), mhz(last.high_hz))
    });
    format!("{count} of the plan {plan}{span}")
}

fn receiver(content: &Content) -> String {
    let Some(take) = content.takes.iter().flatten().next() else {
        return "not stated".to_owned();
    };
    let settings = &take.settings;
    let rate = number(settings.sample_rate_hz / 1e6, 3);
    format!(
        "{} million samples a second, {} ms on each tuning",
        rate.trim_end_matches('0').trim_end_matches('.'),
        number(settings.dwell_s * 1e3, 0)
    )
}

fn gains(content: &Content) -> String {
    let takes = content.by_time();
    let gains: Vec<f64> = takes
        .iter()
        .flat_map(|take| take.settings.gains_db.iter().map(|(_, db)| *db))
        .collect();
    let low = gains.iter().copied().fold(f64::INFINITY, f64::min);
    let high = gains.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if gains.is_empty() {
        "not stated by the source; taken to be the same for all antennas".to_owned()
    } else if high - low < 0.05 {
        format!("{} dB throughout", number(low, 1))
    } else {
        format!("{} to {} dB, by tuning", number(low, 1), number(high, 1))
    }
}

/// How the receiver's own noise was found.
fn noise(content: &Content) -> Vec<String> {
    let takes = content.by_time();
    let terminated = distinct(takes.iter().filter_map(|take| take.terminated.as_deref()));
    let sources = || {
        takes
            .iter()
            .flat_map(|take| &take.readings)
            .filter_map(|reading| reading.noise_source)
    };
    let mut noise = Vec::new();
    if !terminated.is_empty() {
        let shown = &terminated[..terminated.len().min(SOURCES_SHOWN)];
        let more = match terminated.len() - shown.len() {
            0 => String::new(),
            more => format!(" and {more} more"),
        };
        noise.push(format!(
            "measured with a terminator in the antenna's place ({}{more})",
            list(shown)
        ));
    }
    if sources().any(|source| source == NoiseSource::VacantChannels) {
        noise.push(
            "estimated, on some channels, from stretches in which nothing was found".to_owned(),
        );
    }
    if sources().any(|source| source == NoiseSource::QuietestStretch) {
        noise.push("on some channels no more than an upper bound is known".to_owned());
    }
    if noise.is_empty() {
        noise.push("not measured".to_owned());
    }
    noise
}

fn sources(content: &Content) -> Vec<String> {
    let takes = content.by_time();
    let all = distinct(takes.iter().map(|take| take.source.as_str()));
    let simulated = |source: &String| source.to_lowercase().ends_with(".toml");
    let mut shown: Vec<String> = (all.iter().take(SOURCES_SHOWN))
        .map(|source| match simulated(source) {
            true => format!("{source} (a scene played by the program: simulated)"),
            false => source.clone(),
        })
        .collect();
    if all.len() > SOURCES_SHOWN {
        shown.push(format!(
            "and {} more, listed with the takes",
            all.len() - SOURCES_SHOWN
        ));
    }
    if shown.is_empty() {
        shown.push("not stated".to_owned());
    }
    shown
}

fn list_of_takes(content: &Content, names: &Names) -> Table {
    let takes = content.by_time();
    let side = |take: &Take| {
        let of = |takes: &Vec<Take>| takes.iter().any(|one| std::ptr::eq(one, take));
        match (&content.several, content.takes.iter().position(of)) {
            (None, Some(0)) => "A".to_owned(),
            (None, _) => "B".to_owned(),
            (Some(_), place) => place.map_or_else(String::new, |place| names.all[place].clone()),
        }
    };
    let any_scan = takes.iter().any(|take| take.scan_count.is_some());
    let mut head = vec![
        (Cell::new("Take"), Set::Words),
        (Cell::new("Time, UTC"), Set::Number),
        (Cell::new("Antenna"), Set::Words),
        (Cell::new("Source"), Set::Words),
        (Cell::new("Note"), Set::Words),
    ];
    if any_scan {
        head.push((Cell::new("Stations a scan found"), Set::Number));
    }
    let rows = takes.iter().map(|take| {
        let number = take.id.map_or_else(|| "–".to_owned(), |id| id.to_string());
        let mut row = vec![
            Cell::new(number),
            Cell::new(take.taken_at.strftime("%Y-%m-%d %H:%M:%S").to_string()),
            Cell::new(side(take)),
            Cell::new(clean(&take.source)),
            Cell::new(clean(&take.note)),
        ];
        if any_scan {
            row.push(Cell::new(
                take.scan_count
                    .map_or_else(String::new, |count| count.to_string()),
            ));
        }
        row
    });
    Table {
        caption: "The takes in order of time".to_owned(),
        rows: rows.collect(),
        head,
    }
}
