//! Gainsay says by how many decibels one television antenna beats another, channel by channel, and how sure that is.
//!
//! Data flows one way, and a module uses only those above it in this list:
//!
//! - [`statistics`][]: distributions and moments
//! - [`units`][]: quantities
//! - [`channels`][]: channel plans and thresholds
//! - [`capture`][]: where samples come from
//! - [`spectrum`][]: from samples to power spectral density
//! - [`reading`][]: from spectrum to a channel's reading
//! - `live`: a dongle's gain plan and its check, with the feature `dongle`
//! - [`logbook`][]: takes kept in one SQLite file
//! - [`compare`][]: A against B, with intervals and verdicts
//! - [`trial`][]: A and B taken in turn: order, looks before the end, forgotten swaps, two receivers
//! - [`survey`][]: spots ranked and mapped, rotations drawn up
//! - [`draw`][]: plots
//! - [`report`][]: one HTML file to publish, or Markdown for a forum
//!
//! The binary's `cli` knows them all.

#![deny(missing_docs)]

pub mod capture;
pub mod channels;
pub mod compare;
pub mod draw;
#[cfg(feature = "dongle")]
pub mod live;
pub mod logbook;
pub mod reading;
pub mod report;
pub mod spectrum;
pub mod statistics;
pub mod survey;
pub mod trial;
pub mod units;
