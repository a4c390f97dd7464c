//! Channel plans as data: names and edges of channels, the standards in use, and reception thresholds.
//!
//! A plan is a TOML file; the plans of the world's regions are embedded (`src/channels/plans/`), and a user may bring
//! one of his own. Edges are in hertz; a channel spans `low <= f < high`.

mod choice;
mod file;
mod plan;
mod standard;

pub use plan::{Channel, ChannelId, Plan, PlanError};
pub use standard::{
    ISDB_T_BLOCK_OFFSET, PathClass, Standard, Threshold, ThresholdError, Thresholds,
    UnknownStandard, VSB_PILOT_OFFSET,
};

/// What a user wrote, cut to `longest` characters for a message of one line.
fn shortened(text: &str, longest: usize) -> String {
    match text.char_indices().nth(longest) {
        None => text.to_owned(),
        Some(_) => text
            .chars()
            .take(longest.saturating_sub(1))
            .chain(['…'])
            .collect(),
    }
}
