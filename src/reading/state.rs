//! The four states of a channel.

use std::fmt;

use serde::{Deserialize, Serialize};

/// How well a channel is received, judged by its carrier-to-noise ratio against the standard's threshold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum State {
    /// Nothing found.
    Vacant,
    /// A signal, below the threshold.
    Trace,
    /// Within 3 dB above the threshold: the digital cliff.
    Brink,
    /// 3 dB or more above the threshold.
    Firm,
}

impl State {
    /// Every state, from nothing to good.
    pub const ALL: [State; 4] = [State::Vacant, State::Trace, State::Brink, State::Firm];

    /// The state of a channel in which a signal was found, by its margin over the threshold in dB.
    pub fn from_margin(margin_db: f64) -> State {
        if margin_db < 0.0 {
            State::Trace
        } else if margin_db < 3.0 {
            State::Brink
        } else {
            State::Firm
        }
    }

    /// The state's word.
    pub const fn word(self) -> &'static str {
        match self {
            State::Vacant => "vacant",
            State::Trace => "trace",
            State::Brink => "brink",
            State::Firm => "firm",
        }
    }
}

impl fmt::Display for State {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}
