//! Channel plans: what a plan's file holds, and choosing channels from it.

use std::fmt;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::Standard;
use crate::units::Hertz;

/// A channel's name: a number in most plans, now and then a number with a letter.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(untagged)]
pub enum ChannelId {
    /// A plain number.
    Number(u16),
    /// Anything else, such as `9A`.
    Name(String),
}

impl fmt::Display for ChannelId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ChannelId::Number(number) => f.pad(&number.to_string()),
            ChannelId::Name(name) => f.pad(name),
        }
    }
}

/// One channel of a plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Channel {
    /// Its name.
    pub id: ChannelId,
    /// Lower edge.
    pub low: Hertz,
    /// Upper edge.
    pub high: Hertz,
    /// Standards in use, the one to assume first.
    pub standards: Vec<Standard>,
    /// A remark, such as where it is not used.
    pub note: Option<String>,
}

/// A channel plan: channels ascending by frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    /// Short name, as typed after `--plan`.
    pub name: String,
    /// Name in words.
    pub title: String,
    /// Where its figures come from.
    pub source: String,
    /// The channels, ascending.
    pub channels: Vec<Channel>,
}

/// What can be wrong with a channel plan or a choice of channels.
#[derive(Debug, thiserror::Error)]
pub enum PlanError {
    /// A plan's file that can't be read.
    #[error("{path}: {problem}")]
    Unreadable {
        /// The file.
        path: String,
        /// What is wrong.
        problem: String,
    },
    /// No such plan.
    #[error(
        "no channel plan is called {name:?}: there are {known}; a file of your own must end in .toml"
    )]
    Unknown {
        /// The name given.
        name: String,
        /// The names of the embedded plans.
        known: String,
    },
    /// A choice of channels that can't be understood, or names a channel that the plan hasn't.
    #[error("channels {text:?}: {problem}")]
    Choice {
        /// The text given.
        text: String,
        /// What is wrong.
        problem: String,
    },
}

impl Plan {
    /// The embedded plans, in the order in which they are listed.
    pub fn embedded() -> Vec<Plan> {
        todo!()
    }

    /// The embedded plan of this name (or one of its other names), or, where `name` ends in `.toml`, the plan in that
    /// file.
    ///
    /// # Errors
    /// [`PlanError::Unknown`] or [`PlanError::Unreadable`].
    pub fn find(name: &str) -> Result<Plan, PlanError> {
        let _ = Path::new(name);
        todo!()
    }

    /// The channels that `choice` names: `14-36`, `7,9,20-23`.
    ///
    /// # Errors
    /// [`PlanError::Choice`].
    pub fn choose(&self, choice: &str) -> Result<Vec<Channel>, PlanError> {
        let _ = choice;
        todo!()
    }
}
