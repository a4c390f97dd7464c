//! Channel plans as data: names and edges of channels, the standards in use, and reception thresholds.
//!
//! A plan is a TOML file; the plans of the world's regions are embedded (`src/channels/plans/`), and a user may bring
//! one of his own. Edges are in hertz; a channel spans `low <= f < high`.

mod plan;
mod standard;

pub use plan::{Channel, ChannelId, Plan, PlanError};
pub use standard::{PathClass, Standard, Threshold};
