//! What must be kept to go on with a trial that was stopped, at whatever moment.
//!
//! What was asked for is kept when the trial begins. How far it is stands in the takes themselves: each carries a mark in
//! its note, kept together with it, so that no moment lies between a take and the knowledge of it. The numbers of the takes
//! are kept besides, for takes whose note was changed since.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::order::Plan;

/// A trial that is under way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// When it began; also tells it from others.
    pub started_at: Timestamp,
    /// Name of the antenna A.
    pub a: String,
    /// Name of the antenna B.
    pub b: String,
    /// Name of the spot.
    pub spot: String,
    /// Blocks planned.
    pub blocks: usize,
    /// Serial numbers of two receivers, or of the one that was named; none for the only one there is.
    #[serde(default)]
    pub receivers: Vec<String>,
    /// Name of the channel plan, or its file.
    pub plan: String,
    /// Channels asked for; `None` for all.
    pub channels: Option<String>,
    /// Thresholds set.
    #[serde(default)]
    pub thresholds: Vec<String>,
    /// The scene that is played; `None` for live takes.
    pub from: Option<String>,
    /// When the scene's first pass is made; `None` for the time on the clock.
    #[serde(default)]
    pub begins: Option<Timestamp>,
    /// How the noise is measured.
    pub terminator: Terminator,
    /// Time on each tuning in seconds.
    pub dwell_s: f64,
    /// Chance of any wrong verdict over all looks.
    pub verdict_level: f64,
    /// The takes kept so far.
    #[serde(default)]
    pub kept: Vec<Kept>,
}

/// How a trial's noise is measured.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Terminator {
    /// First of all, with a terminator put on.
    First,
    /// From a recording of this name.
    Recording(String),
    /// Not at all: the noise is estimated.
    Absent,
}

/// A take's place in the trial.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Kept {
    /// Which of the trial's takes, from 0: step × receivers + receiver.
    pub place: usize,
    /// Its number in the logbook.
    pub take: i64,
}

impl Record {
    /// The order of the takes.
    pub fn order(&self) -> Plan {
        match self.receivers.len() {
            2 => Plan::of_two(self.blocks),
            _ => Plan::of_one(self.blocks),
        }
    }

    /// The mark that the note of the take at `place` (from 0) begins with.
    pub fn mark(&self, place: usize) -> String {
        format!(
            "{}{} of {}",
            self.mark_begins(),
            place + 1,
            self.order().takes()
        )
    }

    fn mark_begins(&self) -> String {
        format!("trial of {}, take ", self.started_at)
    }

    /// Where a take of this number with this note belongs; `None` where it is not one of this trial's.
    pub fn place_of(&self, take: i64, note: &str) -> Option<usize> {
        let marked = || {
            let (_, rest) = note.split_once(&self.mark_begins())?;
            rest.split(' ')
                .next()?
                .parse::<usize>()
                .ok()?
                .checked_sub(1)
        };
        let known = || {
            self.kept
                .iter()
                .find(|kept| kept.take == take)
                .map(|kept| kept.place)
        };
        marked()
            .or_else(known)
            .filter(|&place| place < self.order().takes())
    }

    /// Notes that `take` is the one at `place`.
    pub fn keep(&mut self, place: usize, take: i64) {
        self.kept.retain(|kept| kept.place != place);
        self.kept.push(Kept { place, take });
    }

    /// Of `(number, note)` of takes, each step's takes, one a receiver, from the first step to the last that is whole;
    /// empty where a step is missing. A take that comes later in the list counts before an earlier one of the same place.
    pub fn steps_done<'n>(&self, takes: impl IntoIterator<Item = (i64, &'n str)>) -> Vec<Vec<i64>> {
        let order = self.order();
        let mut places: Vec<Option<i64>> = vec![None; order.takes()];
        for (take, note) in takes {
            if let Some(place) = self.place_of(take, note) {
                places[place] = Some(take);
            }
        }
        let whole = |step: &[Option<i64>]| step.iter().copied().collect::<Option<Vec<i64>>>();
        let mut steps: Vec<Vec<i64>> = (places.chunks(order.receivers))
            .map(|step| whole(step).unwrap_or_default())
            .collect();
        while steps.last().is_some_and(Vec::is_empty) {
            steps.pop();
        }
        steps
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(receivers: &[&str]) -> Record {
        Record {
            started_at: "2026-05-09T10:00:00.25Z".parse().unwrap(),
            a: "loop".into(),
            b: "ears".into(),
            spot: "window".into(),
            blocks: 2,
            receivers: receivers.iter().map(ToString::to_string).collect(),
            plan: "us".into(),
            channels: None,
            thresholds: Vec::new(),
            from: None,
            begins: None,
            terminator: Terminator::First,
            dwell_s: 0.02,
            verdict_level: 0.05,
            kept: Vec::new(),
        }
    }

    #[test]
    fn what_is_done_is_read_off_the_notes_alone() {
        let record = record(&[]);
        let notes: Vec<String> = (0..3)
            .map(|place| record.mark(place) + "; doubt: …")
            .collect();
        let takes = notes
            .iter()
            .enumerate()
            .map(|(index, note)| (index as i64 + 7, note.as_str()));
        assert_eq!(record.steps_done(takes), [[7], [8], [9]]);
    }

    #[test]
    fn a_take_whose_note_was_changed_is_known_by_its_number() {
        let mut record = record(&[]);
        record.keep(0, 7);
        record.keep(1, 8);
        assert_eq!(
            record.steps_done([(7, "the cat sat on it"), (8, ""), (9, "")]),
            [[7], [8]]
        );
    }

    #[test]
    fn takes_of_another_trial_are_not_this_ones() {
        let record = record(&[]);
        let other = Record {
            started_at: "2026-05-09T10:00:00Z".parse().unwrap(),
            ..record.clone()
        };
        assert_eq!(record.place_of(1, &other.mark(0)), None);
        assert_eq!(
            record.place_of(1, "trial of 2026-05-09T10:00:00.25Z, take 99 of 8"),
            None
        );
        assert_eq!(
            record.place_of(1, "trial of 2026-05-09T10:00:00.25Z, take x"),
            None
        );
        assert_eq!(
            record.place_of(1, "trial of 2026-05-09T10:00:00.25Z, take 0 of 8"),
            None
        );
    }

    #[test]
    fn with_two_receivers_a_step_counts_when_both_takes_are_there() {
        let record = record(&["1", "2"]);
        let notes: Vec<String> = (0..3).map(|place| record.mark(place)).collect();
        let takes = |count: usize| {
            notes[..count]
                .iter()
                .enumerate()
                .map(|(i, note)| (i as i64, note.as_str()))
        };
        assert_eq!(record.steps_done(takes(1)), Vec::<Vec<i64>>::new());
        assert_eq!(record.steps_done(takes(3)), [[0, 1]]);
    }

    #[test]
    fn a_deleted_take_leaves_a_gap_and_the_trial_goes_on_after_the_last() {
        let record = record(&[]);
        let notes = [record.mark(0), record.mark(2)];
        let done = record.steps_done([(1, notes[0].as_str()), (3, notes[1].as_str())]);
        assert_eq!(done, [vec![1], vec![], vec![3]]);
    }

    #[test]
    fn a_record_comes_back_from_json() {
        let mut record = record(&["1", "2"]);
        record.keep(3, 12);
        let json = serde_json::to_string(&record).unwrap();
        assert_eq!(serde_json::from_str::<Record>(&json).unwrap(), record);
    }
}
