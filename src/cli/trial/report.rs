//! What a trial says on its way and at its end.

use gainsay::channels::ChannelId;
use gainsay::compare::{Comparison, Verdict};
use gainsay::trial::receivers::ReceiversDifference;
use gainsay::trial::swap::Doubt;
use gainsay::trial::{Look, Record};
use jiff::Timestamp;
use serde::Serialize;

use crate::cli::Failure;
use crate::cli::compare::{self, interval};
use crate::cli::output::{self, Format};
use crate::cli::table::{Set, signed, table};

/// One line before any trial.
pub const CAUTION: &str = "Outdoors, on a roof, mast or ladder? --outdoors shows the cautions; the README has them in full.\n";

/// Before a trial at a spot outdoors. Common knowledge, kept short: local codes and licensed people decide.
pub const CAUTIONS: &str = "\
Before you go out (your local code and a licensed person decide):
  Power lines kill: keep antenna, mast, ladder and cable away by their whole length, fallen over, plus 3 m.
  Roof, mast, ladder: dry and calm weather only, never alone, no metal ladder near wires.
  Lightning: an outdoor mast and cable shield are bonded to the building's grounding by code; measure nothing when you hear
  thunder, and unplug before a storm, not in it.
  Cut sheet metal and wire ends are sharp: fold or tape them, wear gloves and glasses.
";

/// Antennas and spot, and how much there is to do.
pub fn heading(record: &Record, done: usize) -> String {
    let takes = record.order().takes();
    let so_far = match done {
        0 => String::new(),
        done => format!(", {done} made already"),
    };
    format!(
        "A: {}   B: {}   at {}\n{takes} takes in {} block(s){so_far}. Ctrl-C keeps what is taken.\n",
        record.a, record.b, record.spot, record.blocks
    )
}

/// The running difference after a block.
pub fn running(look: &Look, record: &Record) -> String {
    let comparison = &look.comparison;
    let mut text = format!(
        "\nAfter block {} of {}: {} less {}\n",
        look.blocks, look.planned, record.a, record.b
    );
    let compared = (comparison.channels.iter()).filter(|one| one.verdict != Verdict::NotComparable);
    let rows: Vec<Vec<String>> = compared
        .map(|one| {
            vec![
                one.channel.to_string(),
                one.difference_db
                    .map_or_else(String::new, |db| signed(db, 2)),
                interval(one),
                one.verdict.to_string(),
            ]
        })
        .collect();
    if rows.is_empty() {
        return text + "no channel can be compared yet\n\n";
    }
    let head = [
        ("channel", Set::Right),
        ("A − B dB", Set::Right),
        ("interval dB", Set::Right),
        ("verdict", Set::Left),
    ];
    text += &table(&head, rows);
    if let Some(level) = comparison.remarks.last() {
        text += level;
        text += "\n";
    }
    text + "\n"
}

/// A terminator's take that shows stations. `again` is what asks for the terminator once more.
pub fn not_terminated(channels: &[ChannelId], again: &str) -> String {
    let names: Vec<String> = channels.iter().map(ToString::to_string).collect();
    format!(
        "was the terminator on? its take shows television on channel {}, as with an antenna. It is not used: the noise is \
         estimated instead. To take it again: Ctrl-C, then {again}",
        names.join(", ")
    )
}

/// Why a take is doubted.
pub fn doubt(doubt: &Doubt, should: &str, looks_like: &str) -> String {
    let channels = doubt.channels;
    match doubt.from_same_db {
        Some(same_db) => format!(
            "it looks like {looks_like}, not {should}: over {channels} channel(s) it lies {:.1} dB rms from {looks_like}'s takes \
             and {same_db:.1} dB from {should}'s",
            doubt.from_other_db
        ),
        None => format!(
            "it looks like {looks_like} still: over {channels} channel(s) it lies {:.1} dB rms from {looks_like}'s takes",
            doubt.from_other_db
        ),
    }
}

/// What is printed at the end.
pub struct Outcome<'o> {
    /// The last look.
    pub look: &'o Look,
    /// What the receivers differ by, where there are two.
    pub receivers: Option<&'o ReceiversDifference>,
    /// The trial.
    pub record: &'o Record,
    /// Numbers of its takes.
    pub takes: Vec<i64>,
}

#[derive(Serialize)]
struct Printed<'o> {
    #[serde(flatten)]
    comparison: &'o Comparison,
    trial: About<'o>,
    dongles: Option<Dongles<'o>>,
}

#[derive(Serialize)]
struct About<'o> {
    started_at: Timestamp,
    blocks: usize,
    blocks_planned: usize,
    takes: &'o [i64],
}

#[derive(Serialize)]
struct Dongles<'o> {
    serials: &'o [String],
    #[serde(flatten)]
    difference: &'o ReceiversDifference,
}

impl Outcome<'_> {
    /// Prints it to standard output.
    pub fn print(&self, format: Format) -> Result<(), Failure> {
        let comparison = &self.look.comparison;
        match format {
            Format::Table => {
                let mut text = compare::as_text(comparison);
                if let Some(difference) = self.receivers {
                    text += &dongles(difference, &self.record.receivers);
                }
                output::print(&text)
            }
            Format::Csv => compare::print_csv(comparison),
            Format::Json => output::print_json(&Printed {
                comparison,
                trial: About {
                    started_at: self.record.started_at,
                    blocks: self.look.blocks,
                    blocks_planned: self.look.planned,
                    takes: &self.takes,
                },
                dongles: self.receivers.map(|difference| Dongles {
                    serials: &self.record.receivers,
                    difference,
                }),
            }),
        }
    }
}

fn dongles(difference: &ReceiversDifference, serials: &[String]) -> String {
    let [first, second] = serials else {
        return String::new();
    };
    let Some(median_db) = difference.median_db else {
        return "\nThe dongles: no channel was found by both antennas on both.\n".into();
    };
    let head = [
        ("channel", Set::Right),
        ("difference dB", Set::Right),
        ("std error dB", Set::Right),
    ];
    let rows = difference.channels.iter().map(|one| {
        vec![
            one.channel.to_string(),
            signed(one.difference_db, 2),
            one.standard_error_db
                .map_or_else(String::new, |db| format!("{db:.2}")),
        ]
    });
    format!(
        "\nThe dongles: {first} less {second}, median {} dB; it cancels in the figures above\n{}",
        signed(median_db, 2),
        table(&head, rows)
    )
}
