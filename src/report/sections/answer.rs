//! The answer in plain words.

use super::super::Compared;
use super::super::block::{Block, Cell, Section, Set, Table};
use super::super::words::Names;
use crate::compare::StateCounts;

/// What a decibel is, for whoever hasn't met one.
const DECIBELS: &str = "3 dB is twice the power, 10 dB ten times, 1 dB a quarter more. All of it holds at this spot, in this \
                        room, for the directions of these stations; half a metre on it may be otherwise.";

pub(super) fn section(compared: &Compared, names: &Names) -> Section {
    let (lead, rest) = answer_in_words(compared, names);
    let mut blocks = vec![Block::Lead(lead)];
    if !rest.is_empty() {
        blocks.push(Block::Sentences(rest));
    }
    blocks.push(Block::Text(DECIBELS.to_owned()));
    let remarks = to_bear_in_mind(compared, names);
    if !remarks.is_empty() {
        blocks.push(Block::Remarks("To bear in mind".to_owned(), remarks));
    }
    blocks.push(Block::Table(states(compared, names)));
    Section::new("answer", "The answer", blocks)
}

/// The sentence that matters most, and the others.
pub(in crate::report) fn answer_in_words(
    compared: &Compared,
    names: &Names,
) -> (String, Vec<String>) {
    let mut sentences = names.sentences(&compared.comparison.meaning).into_iter();
    let lead = sentences.next().unwrap_or_else(|| {
        "Nothing can be said: no channel was measured with both antennas.".to_owned()
    });
    (lead, sentences.collect())
}

/// The comparison's remarks and those on the choice of takes.
pub(in crate::report) fn to_bear_in_mind(compared: &Compared, names: &Names) -> Vec<String> {
    let mut remarks = names.sentences(&compared.comparison.remarks);
    remarks.extend(names.sentences(&compared.remarks));
    remarks
}

/// How many channels each antenna has in each state, the state in words.
fn states(compared: &Compared, names: &Names) -> Table {
    let summary = &compared.comparison.summary;
    let row = |state: &str, means: &str, count: fn(&StateCounts) -> usize| {
        vec![
            Cell::with(state, means),
            Cell::new(count(&summary.states_a).to_string()),
            Cell::new(count(&summary.states_b).to_string()),
        ]
    };
    Table {
        caption: "Channels in each state".to_owned(),
        head: vec![
            (Cell::new("State"), Set::Words),
            (Cell::with("A", names.a.clone()), Set::Number),
            (Cell::with("B", names.b.clone()), Set::Number),
        ],
        rows: vec![
            row("firm", "enough, with 3 dB or more to spare", |c| c.firm),
            row(
                "brink",
                "enough, by less than 3 dB: fails when it rains",
                |c| c.brink,
            ),
            row("trace", "a signal, too weak to decode", |c| c.trace),
            row("vacant", "nothing found", |c| c.vacant),
        ],
    }
}
