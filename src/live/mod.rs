//! Getting a dongle ready to measure: at which gains to use it, and what it is like.
//!
//! [`plan_gains`] looks at each tuning for a few milliseconds and finds its gain; [`check()`] measures what comes after
//! tuning, what gain steps truly are, how far off the frequency is and whether samples are lost; [`measure_retuning`] measures
//! the first of these alone, which takes a second. All need the cargo feature `dongle`.

pub mod check;
mod gain_plan;
mod same;

pub use check::{check, measure_retuning};
pub use gain_plan::{HEADROOM, LOOK, Outcome, Planned, plan_gains};
pub use same::same_in_channels;
