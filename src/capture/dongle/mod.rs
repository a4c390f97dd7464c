//! A dongle as a source of live samples, behind the cargo feature `dongle`.
//!
//! `list` says what is plugged in, `Receiver::open` opens one, `LiveSource` makes a pass over a plan of tunings with it.
//! `driver` is the only part that calls the driver's functions, `handler` is what runs in its callback. Without the feature
//! there are only the plain data: what can be chosen, what can go wrong, what was measured.
//!
//! None of this was run on real hardware: it was tried on a library with the driver's interface that plays invented scenes
//! and faults.

mod choice;
mod error;
mod figures;
mod gains;

#[cfg(feature = "dongle")]
pub(crate) mod bands;
#[cfg(feature = "dongle")]
mod control;
#[cfg(feature = "dongle")]
mod driver;
#[cfg(feature = "dongle")]
mod handler;
#[cfg(feature = "dongle")]
mod live;
#[cfg(feature = "dongle")]
mod receiver;

pub use choice::{Choice, Listed};
pub use error::DongleError;
#[cfg(feature = "dongle")]
pub(crate) use error::LOST_TUNINGS;
pub use figures::{DongleFigures, FrequencyFigure, GainStep, Lost, Retuning};
pub use gains::GainTable;

#[cfg(feature = "dongle")]
pub use driver::{Tuner, choose, list, tuner};
#[cfg(feature = "dongle")]
pub use handler::Transfers;
#[cfg(feature = "dongle")]
pub use live::{LiveSource, MOST_SAMPLES, live};
#[cfg(feature = "dongle")]
pub use receiver::{
    ATTEMPTS, Begin, Capture, Dongle, Patience, Receiver, Setting, Settings, UNMEASURED_SETTLING,
};
