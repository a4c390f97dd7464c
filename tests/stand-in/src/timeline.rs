//! What was set when, so that samples that are handed over later still show what held when they were taken.

use std::sync::Arc;

use crate::receiver::Heard;

/// What holds from some moment on.
#[derive(Clone)]
pub struct Entry {
    pub from_s: f64,
    pub heard: Arc<Heard>,
    pub level: Level,
    /// The synthesiser is on its way to a frequency, until then.
    pub settles_s: Option<f64>,
}

/// How much the tuner lifts what it hears, and what the converter makes of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// Above the scene's levels.
    pub gain_db: f64,
    /// An automatic gain is at work.
    pub wanders: bool,
    /// A counter comes instead of samples.
    pub test_mode: bool,
}

/// Entries in order of time; never empty.
pub struct Timeline {
    entries: Vec<Entry>,
}

impl Timeline {
    pub fn new(first: Entry) -> Self {
        Timeline {
            entries: vec![first],
        }
    }

    fn place(&self, time_s: f64) -> usize {
        let after = self.entries.partition_point(|entry| entry.from_s <= time_s);
        after.saturating_sub(1)
    }

    /// What holds at `time_s`, and until when.
    pub fn at(&self, time_s: f64) -> (&Entry, f64) {
        let place = self.place(time_s);
        let until_s = self
            .entries
            .get(place + 1)
            .map_or(f64::INFINITY, |next| next.from_s);
        (&self.entries[place], until_s)
    }

    /// What will hold in the end.
    pub fn last(&self) -> &Entry {
        &self.entries[self.entries.len() - 1]
    }

    /// Changes what holds from `time_s` on.
    pub fn change(&mut self, time_s: f64, change: impl Fn(&mut Entry)) {
        let place = self.place(time_s);
        let split = Entry {
            from_s: time_s,
            ..self.entries[place].clone()
        };
        self.entries.insert(place + 1, split);
        self.entries[place + 1..].iter_mut().for_each(change);
    }

    /// From `time_s` on the tuner hears something else, once it has settled.
    pub fn retune(&mut self, time_s: f64, heard: Arc<Heard>, lock_s: f64) {
        let settled = Entry {
            from_s: time_s + lock_s,
            heard: heard.clone(),
            level: self.last().level,
            settles_s: None,
        };
        self.entries.retain(|entry| entry.from_s <= time_s);
        if lock_s > 0.0 {
            self.entries.push(Entry {
                from_s: time_s,
                settles_s: Some(settled.from_s),
                ..settled.clone()
            });
        }
        self.entries.push(settled);
    }

    /// Forgets what held before `time_s` only.
    pub fn forget(&mut self, time_s: f64) {
        let place = self.place(time_s);
        self.entries.drain(..place);
    }

    /// Time fell behind by `by_s` at `time_s`: what was set later was set earlier, but not before that.
    pub fn fall_behind(&mut self, time_s: f64, by_s: f64) {
        for entry in self
            .entries
            .iter_mut()
            .filter(|entry| entry.from_s > time_s)
        {
            entry.from_s = (entry.from_s - by_s).max(time_s);
            entry.settles_s = entry.settles_s.map(|until_s| (until_s - by_s).max(time_s));
        }
    }
}
