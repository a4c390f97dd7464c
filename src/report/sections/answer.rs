//! The answer in plain words.

use super::super::Content;
use super::super::block::{Block, Cell, Section, Set, Table};
use super::super::words::Names;
use super::merit;
use crate::compare::{Comparison, StateCounts};

/// What a decibel is, for whoever hasn't met one.
const DECIBELS: &str = "3 dB is twice the power, 10 dB ten times, 1 dB a quarter more. All of it holds at this spot, in this \
                        room, for the directions of these stations; half a metre on it may be otherwise.";

pub(super) fn section(content: &Content, names: &Names) -> Section {
    let (lead, rest) = answer_in_words(content, names);
    let mut blocks = vec![Block::Lead(lead)];
    if !rest.is_empty() {
        blocks.push(Block::Sentences(rest));
    }
    blocks.push(Block::Text(DECIBELS.to_owned()));
    let remarks = to_bear_in_mind(content, names);
    if !remarks.is_empty() {
        blocks.push(Block::Remarks("To bear in mind".to_owned(), remarks));
    }
    blocks.extend(match (&content.several, content.first()) {
        (Some(many), _) => Some(Block::Table(merit::table(many, names))),
        (None, Some(comparison)) => Some(Block::Table(states(comparison, names))),
        (None, None) => None,
    });
    Section::new("answer", "The answer", blocks)
}

/// The sentence that matters most, and the others.
pub(in crate::report) fn answer_in_words(
    content: &Content,
    names: &Names,
) -> (String, Vec<String>) {
    let meaning = match (&content.several, content.first()) {
        (Some(many), _) => many.meaning.as_slice(),
        (None, Some(comparison)) => comparison.meaning.as_slice(),
        (None, None) => &[],
    };
    let mut sentences = names.sentences(meaning).into_iter();
    let lead = sentences.next().unwrap_or_else(|| {
        "Nothing can be said: no channel was measured with both antennas.".to_owned()
    });
    (lead, sentences.collect())
}

/// The comparison's remarks and those on the choice of takes.
pub(in crate::report) fn to_bear_in_mind(content: &Content, names: &Names) -> Vec<String> {
    let own = match (&content.several, content.first()) {
        (Some(many), _) => many.remarks.as_slice(),
        (None, Some(comparison)) => comparison.remarks.as_slice(),
        (None, None) => &[],
    };
    let mut remarks = names.sentences(own);
    remarks.extend(names.sentences(&content.remarks));
    remarks
}

/// How many channels each antenna has in each state, the state in words.
fn states(comparison: &Comparison, names: &Names) -> Table {
    let summary = &comparison.summary;
    let shown = |place: usize| names.all.get(place).cloned().unwrap_or_default();
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
            (Cell::with("A", shown(0)), Set::Number),
            (Cell::with("B", shown(1)), Set::Number),
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
