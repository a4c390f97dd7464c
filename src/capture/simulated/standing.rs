//! The standing waves of a room: what moving the antenna by a few centimetres changes.

use std::f64::consts::TAU;

use num_complex::Complex;
use rand::RngExt;

use super::random::{Purpose, generator};
use super::waveform::phasor;
use crate::units::{Hertz, db_to_ratio, ratio_to_db};

/// Speed of light in metres a second (exact by definition of the metre).
const SPEED_OF_LIGHT: f64 = 299_792_458.0;

/// Waves that come back from the room.
const WAVES: usize = 12;

/// By how many dB a transmitter's level at `position_m` differs from the mean over the room, where reflected waves from all
/// round, `scattered_db` in all relative to the direct one, add to it.
///
/// Each wave's phase goes with the place along its direction, less that of the direct wave, so that levels a wavelength
/// apart are hardly alike. A sum of many such waves and a steady one is a Ricean field. Source: S. O. Rice, Bell System
/// Technical Journal 23 (1944), for the law; that a room is like this is common practice, no source.
pub(super) fn standing_db(
    seed: u64,
    stream: u64,
    middle: Hertz,
    bearing_deg: f64,
    scattered_db: f64,
    position_m: (f64, f64),
) -> f64 {
    let mut random = generator(seed, Purpose::Standing, stream);
    let scattered = db_to_ratio(scattered_db);
    let amplitude = (scattered / WAVES as f64).sqrt();
    let per_metre = middle.0 / SPEED_OF_LIGHT;
    let along = |bearing: f64| position_m.0 * bearing.sin() + position_m.1 * bearing.cos();
    let direct = along(bearing_deg.to_radians());
    let sum: Complex<f64> = (0..WAVES)
        .map(|_| {
            let bearing = TAU * random.random::<f64>();
            let turns = random.random::<f64>() + per_metre * (along(bearing) - direct);
            amplitude * phasor(turns)
        })
        .sum();
    ratio_to_db((1.0 + sum).norm_sqr() / (1.0 + scattered))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::Moments;

    /// Level in linear power over many places of several rooms.
    fn powers(scattered_db: f64) -> Vec<f64> {
        (0..400)
            .flat_map(|seed| {
                (0..50).map(move |place| {
                    let at = (f64::from(place) * 0.37, f64::from(place % 7) * 0.53);
                    db_to_ratio(standing_db(seed, 3, Hertz(500e6), 20.0, scattered_db, at))
                })
            })
            .collect()
    }

    #[test]
    fn the_mean_power_stays_and_its_spread_is_that_of_a_ricean_field() {
        // Variance of a Ricean power with mean 1 and ratio K of direct to scattered: (1 + 2K)/(1 + K)².
        // Source: Rice 1944, the second moments of an envelope with a steady part; here K = 4 (−6.02 dB).
        let moments = Moments::of(&powers(-6.0206)).unwrap();
        assert!((moments.mean - 1.0).abs() < 0.02, "{moments:?}");
        let expected: f64 = 9.0 / 25.0;
        assert!(
            (moments.standard_deviation / expected.sqrt() - 1.0).abs() < 0.05,
            "{moments:?}"
        );
    }

    #[test]
    fn a_few_millimetres_change_little_and_half_a_wavelength_much() {
        let spread = |step_m: f64| {
            let changes: Vec<f64> = (0..200)
                .map(|seed| {
                    let at = |x| standing_db(seed, 0, Hertz(500e6), 70.0, -3.0, (1.0 + x, 2.0));
                    at(step_m) - at(0.0)
                })
                .collect();
            Moments::of(&changes).unwrap().standard_deviation
        };
        let (near, far) = (spread(0.005), spread(0.3));
        assert!(near < 0.6 && far > 3.0, "{near} {far}");
    }
}
