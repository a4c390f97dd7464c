//! A and B taken in turn: what comes next, what the takes say so far, and whether one is the wrong antenna's.
//!
//! A [`Plan`] is the order of the takes, step by step ([`order`]). After each take [`swap`] asks whether it looks like the
//! other antenna; after each block [`look()`] compares what there is, at a level of the verdicts ([`spending`]) that keeps
//! the promise of one comparison over all looks together. With two receivers a step is two takes at once, and
//! [`receivers`] has the arithmetic that cancels their difference. [`record`] is what must be kept to go on after a stop.
//!
//! Nothing here knows a terminal, a file or a clock.

pub mod look;
pub mod order;
pub mod receivers;
pub mod record;
pub mod spending;
pub mod swap;

pub use look::{Look, look};
pub use order::{Plan, Step};
pub use record::Record;
