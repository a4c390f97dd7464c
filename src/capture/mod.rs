//! Where samples come from, behind one trait: recordings ([`recording`]), simulated scenes ([`simulated`]), a dongle
//! ([`dongle`]).
//!
//! A [`Source`] hands out *tunings* one after another, and within each its samples in order. Samples are complex and
//! scaled so that full scale is 1 on each rail: an 8-bit unsigned sample is `((I − 127.5) + j(Q − 127.5)) / 127.5`.
//! No source keeps more than a block of samples in memory.

use jiff::Timestamp;
use num_complex::Complex;

use crate::units::{Decibels, Hertz};

pub mod bytes;
pub mod dongle;
mod error;
pub mod recording;
mod sigmf;
pub mod simulated;
pub mod tuning;
pub mod writer;

/// One complex sample, full scale 1 on each rail.
pub type Sample = Complex<f32>;

/// What a source says of itself.
#[derive(Debug, Clone, PartialEq)]
pub struct About {
    /// What to call it in messages: a file's path, `standard input`, a scene's name.
    pub name: String,
    /// Complex samples a second.
    pub sample_rate: Hertz,
    /// The converter's step on the scale where full scale is 1 (1/127.5 for 8 bits); `None` for floating point.
    pub step: Option<f64>,
    /// The antenna's name, where the source carries one.
    pub antenna: Option<String>,
    /// What made the recording, where it says so.
    pub hardware: Option<String>,
}

/// One stretch of samples with the receiver tuned to one frequency at one gain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tuning {
    /// Frequency that stands at 0 Hz in the samples, as the receiver was told (its own error is not corrected).
    pub centre: Hertz,
    /// Receiver gain in dB, where known.
    pub gain: Option<Decibels>,
    /// When its first sample was taken, where known.
    pub taken_at: Option<Timestamp>,
    /// How many samples it holds, where known beforehand.
    pub samples: Option<u64>,
}

/// A stream of samples, tuning after tuning.
///
/// Call [`next_tuning`](Source::next_tuning), then [`read`](Source::read) until it returns 0, and so on until
/// `next_tuning` returns `None`. Calling `next_tuning` early skips the rest of the tuning.
pub trait Source {
    /// What the source says of itself.
    fn about(&self) -> &About;

    /// Moves on to the next tuning; `None` at the end.
    ///
    /// # Errors
    /// When the source can't go on: the message names the source and what is wrong.
    fn next_tuning(&mut self) -> Result<Option<Tuning>, CaptureError>;

    /// Fills `into` with the next samples of the current tuning and returns how many; 0 at the tuning's end.
    ///
    /// # Errors
    /// When the source can't be read: the message names the source and what is wrong.
    fn read(&mut self, into: &mut [Sample]) -> Result<usize, CaptureError>;
}

pub use error::CaptureError;
