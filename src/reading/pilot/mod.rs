//! The 8-VSB pilot: found, measured, and used to tell how far off the receiver's frequency is.
//!
//! A [`PilotProbe`] listens to one tuning around the place where a pilot should stand and hands out a
//! [`PilotSpectrum`]: the average power of transforms of [`SEGMENT_S`] each. Spectra of several visits to the same
//! tuning are [combined](PilotSpectrum::combine), incoherently, so that neither the length of a visit nor the pauses
//! between visits matter. [`PilotSpectrum::find`] decides whether a pilot is there and measures it;
//! [`PilotSpectrum::measure_at`] measures at a frequency known from elsewhere, without choosing.
//! [`frequency_error()`] turns the offsets of several pilots into the receiver's error in parts per million.
//!
//! Frequencies are in baseband, in hertz, 0 at the tuning's centre, negative below it. Powers are linear (mean |x|², 0
//! dBFS = 1), a pure tone of amplitude *a* having *a*², whatever the window. Nothing here corrects for the slope of the
//! receiver's passband.
//!
//! Sources: pilot 309.4405594 kHz above the channel's lower edge, 11.3 dB under the data (ATSC A/53 Part 2; 177/572
//! MHz); averaging: P. D. Welch, IEEE Trans. Audio Electroacoust. AU-15, 1967; Hann window: F. J. Harris, Proc. IEEE
//! 66(1), 1978; tail of the test: R. Lugannani and S. Rice, Adv. Appl. Prob. 12, 1980.

mod frequency_error;
mod probe;
mod spectrum;
mod tail;

pub use frequency_error::{
    Agreement, DELIBERATE_OFFSETS, DeliberateOffset, FrequencyError, OutlyingPilot, PilotOffset,
    frequency_error,
};
pub use probe::{PilotProbe, SEGMENT_S};
pub use spectrum::{FALSE_ALARM, Pilot, PilotPower, PilotSpectrum, UnlikeSpectra};

/// Height of the pilot above its channel's lower edge in hertz: 177/572 MHz.
///
/// Source: ATSC A/53 Part 2; half of what 6 MHz leaves beside half the symbol rate of 1539/143 MHz.
pub const PILOT_ABOVE_EDGE_HZ: f64 = crate::channels::VSB_PILOT_OFFSET.0;

/// Power of the pilot relative to that of the data in dB: 10 log(1.25²/21).
///
/// Source: ATSC A/53 Part 2, symbols ±1 ±3 ±5 ±7 with 1.25 added to each; the standard prints −11.3 dB.
pub const PILOT_OVER_DATA_DB: f64 = -11.2839926871781;

/// Power of the pilot relative to that of the whole signal, pilot included, in dB: 10 log(1.25²/22.5625).
pub const PILOT_OVER_TOTAL_DB: f64 = -11.5956719323362;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_pilots_ratios_follow_from_the_symbol_levels() {
        assert!((PILOT_OVER_DATA_DB - 10.0 * (1.5625f64 / 21.0).log10()).abs() < 1e-9);
        assert!((PILOT_OVER_TOTAL_DB - 10.0 * (1.5625f64 / 22.5625).log10()).abs() < 1e-9);
    }
}
