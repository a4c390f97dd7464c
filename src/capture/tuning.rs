//! The plan of tunings: where to set the receiver so that what it sees well tiles the wanted channels exactly.
//!
//! A dongle sees a slice as wide as its sample rate, but the outer sixth on each side is slope and folding. What is left,
//! 5/6 of the rate, is its *usable* width: 2 MHz at 2.4 MS/s. A channel is cut into the fewest equal parts that are no
//! wider than that, and each part gets one tuning at its middle. Channels are cut one by one, so a part never straddles
//! two channels, and channels that adjoin leave no gap and share nothing.

use crate::units::Hertz;

/// Share of the sample rate within which a tuning is used.
pub const USABLE: f64 = 5.0 / 6.0;

/// How much wider than the usable width a part may be, relative, before another is added: rounding in the edges (a
/// channel of 6 MHz computed as 6 000 000.000 1 Hz) must not cost a tuning.
const TOLERANCE: f64 = 1e-9;

/// How many tunings a channel of this width takes at this sample rate; 0 where either is not a positive number.
pub fn parts(width: Hertz, sample_rate: Hertz) -> usize {
    let usable_hz = sample_rate.0 * USABLE;
    if !(width.0 > 0.0 && width.0.is_finite() && usable_hz > 0.0 && usable_hz.is_finite()) {
        return 0;
    }
    (width.0 / usable_hz * (1.0 - TOLERANCE)).ceil().max(1.0) as usize
}

/// Centres of the tunings that tile `channels`, given as lower and upper edges, in the order given and ascending within
/// each channel.
///
/// The part of a channel around each centre is `(high - low) / parts(high - low)` wide. A channel without a positive
/// width takes no tuning.
///
/// ```
/// use gainsay::{capture::tuning::tile, units::Hertz};
///
/// let channel = (Hertz::from_mhz(506.0), Hertz::from_mhz(512.0));
/// let centres = tile(&[channel], Hertz(2.4e6));
/// assert_eq!(centres, [507.0, 509.0, 511.0].map(Hertz::from_mhz));
/// ```
pub fn tile(channels: &[(Hertz, Hertz)], sample_rate: Hertz) -> Vec<Hertz> {
    let mut centres = Vec::new();
    for &(low, high) in channels {
        let width = high - low;
        let count = parts(width, sample_rate);
        centres.extend(
            (0..count).map(|part| Hertz(low.0 + width.0 * (part as f64 + 0.5) / count as f64)),
        );
    }
    centres
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const RATE: Hertz = Hertz(2.4e6);

    fn mhz(low: f64, high: f64) -> (Hertz, Hertz) {
        (Hertz::from_mhz(low), Hertz::from_mhz(high))
    }

    #[test]
    fn channels_of_6_7_and_8_mhz_take_3_4_and_4_tunings_at_2_4_ms() {
        assert_eq!(
            tile(&[mhz(470.0, 476.0)], RATE),
            [471.0, 473.0, 475.0].map(Hertz::from_mhz)
        );
        assert_eq!(
            tile(&[mhz(470.0, 478.0)], RATE),
            [471.0, 473.0, 475.0, 477.0].map(Hertz::from_mhz)
        );
        assert_eq!(
            tile(&[mhz(174.0, 181.0)], RATE),
            [174.875, 176.625, 178.375, 180.125].map(Hertz::from_mhz)
        );
    }

    #[test]
    fn the_fixtures_tunings_come_out() {
        // RF 20-23 of the US plan, as the recordings in fixtures/ are tuned.
        let channels: Vec<_> = (20..24)
            .map(|n| mhz(470.0 + 6.0 * (n - 14) as f64, 476.0 + 6.0 * (n - 14) as f64))
            .collect();
        let expected: Vec<Hertz> = (0..12)
            .map(|i| Hertz::from_mhz(507.0 + 2.0 * i as f64))
            .collect();
        assert_eq!(tile(&channels, RATE), expected);
    }

    #[test]
    fn rounding_in_the_edges_does_not_cost_a_tuning() {
        assert_eq!(parts(Hertz(6e6 + 1e-4), RATE), 3);
        assert_eq!(parts(Hertz(6e6 + 10.0), RATE), 4);
        assert_eq!(parts(Hertz(1.0), RATE), 1);
    }

    #[test]
    fn widths_and_rates_that_are_no_positive_numbers_take_no_tuning() {
        for bad in [0.0, -6e6, f64::NAN, f64::INFINITY] {
            assert_eq!(parts(Hertz(bad), RATE), 0, "width {bad}");
            assert_eq!(parts(Hertz(6e6), Hertz(bad)), 0, "rate {bad}");
        }
    }

    proptest! {
        #[test]
        fn parts_tile_each_channel_without_gap_or_overlap(
            low_khz in 40_000u32..900_000,
            width_khz in 100u32..20_000,
            rate_khz in 230u32..3_200,
        ) {
            let low = Hertz(f64::from(low_khz) * 1e3);
            let high = Hertz(low.0 + f64::from(width_khz) * 1e3);
            let rate = Hertz(f64::from(rate_khz) * 1e3);
            let centres = tile(&[(low, high)], rate);
            let part = (high - low).0 / centres.len() as f64;
            // No wider than usable, and one fewer would be too few.
            prop_assert!(part <= rate.0 * USABLE * (1.0 + 1e-8));
            if centres.len() > 1 {
                prop_assert!((high - low).0 / (centres.len() - 1) as f64 > rate.0 * USABLE);
            }
            // Each part begins where the last one ended, the first at the lower edge, the last ends at the upper one:
            // within a microhertz, which is what double precision leaves of 900 MHz.
            let mut edge = low.0;
            for centre in &centres {
                prop_assert!((centre.0 - part / 2.0 - edge).abs() < 1e-6);
                edge = centre.0 + part / 2.0;
            }
            prop_assert!((edge - high.0).abs() < 1e-6);
        }
    }
}
