//! A tuning taken apart: what each transmitter, the noise and the spurs add, for a player that mixes them itself.
//!
//! Mixing is cheap and making is not. A player that must keep up with a clock makes the parts once and mixes them over
//! and over, with the fading and the gain of the moment.

use super::scene::Dongle;
use super::{SimulatedSource, bytes};
use crate::capture::Sample;
use crate::units::{Decibels, db_to_ratio};

/// The next samples of a tuning, part by part, at the scene's levels: without fading, gain, drift, image, spike and
/// rounding.
#[derive(Debug, Clone, PartialEq)]
pub struct Parts {
    /// Those transmitters of which something reaches the tuning; none with a terminator.
    pub transmitters: Vec<Part>,
    /// The receiver's noise.
    pub noise: Vec<Sample>,
    /// The spurs within the passband.
    pub spurs: Vec<Carrier>,
}

/// What one transmitter adds.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// Its place in the scene's list.
    pub transmitter: usize,
    /// Turns that its carrier makes in a sample. Who repeats the samples turns each repetition by this times their
    /// count, so that the carrier runs on.
    pub carrier_turns: f64,
    /// Its samples.
    pub samples: Vec<Sample>,
}

/// A steady carrier.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Carrier {
    /// Turns a sample, from 0 at the tuning's first one.
    pub turns: f64,
    /// Amplitude; full scale is 1.
    pub amplitude: f64,
}

impl SimulatedSource {
    /// The next `count` samples of the current tuning, taken apart; nothing before the first tuning.
    ///
    /// The tuning's length doesn't limit them. Samples taken apart are gone for [`read`](crate::capture::Source::read).
    pub fn take_apart(&mut self, count: usize) -> Parts {
        let Some(tuned) = &mut self.tuned else {
            return Parts {
                transmitters: Vec::new(),
                noise: Vec::new(),
                spurs: Vec::new(),
            };
        };
        let mut noise = vec![Sample::default(); count];
        tuned.noise.add_to(&mut noise, 1.0);
        let transmitters = tuned.slices.iter_mut().map(|(transmitter, slice)| {
            let mut samples = vec![Sample::default(); count];
            slice.add_to(&mut samples, (1.0, 1.0));
            Part {
                transmitter: *transmitter,
                carrier_turns: slice.carrier_turns(),
                samples,
            }
        });
        let spurs = tuned
            .spurs
            .iter()
            .map(|&(turns, amplitude)| Carrier { turns, amplitude });
        Parts {
            transmitters: transmitters.collect(),
            noise,
            spurs: spurs.collect(),
        }
    }

    /// How far a transmitter's fading lifts it at `time_s` after the scene's epoch; 0 dB for one without fading.
    pub fn fading(&self, transmitter: usize, time_s: f64) -> Decibels {
        let fading = self
            .senders
            .get(transmitter)
            .and_then(|sender| sender.fading.as_ref());
        Decibels(fading.map_or(0.0, |fading| fading.at(time_s)))
    }
}

impl Dongle {
    /// What the converter makes of `samples`: adds image and spike, and rounds to 8 bits; `into` takes two bytes a
    /// sample.
    pub fn convert(&self, samples: &mut [Sample], into: &mut [u8]) {
        let image = self
            .image_rejection_db
            .map_or(0.0, |db| db_to_ratio(-db).sqrt()) as f32;
        let spike = Sample::new(self.centre_spike.0 as f32, self.centre_spike.1 as f32);
        for sample in &mut *samples {
            *sample += sample.conj() * image + spike;
        }
        bytes::from_samples(samples, into);
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Scene, Setup};
    use super::*;
    use crate::capture::Source;
    use crate::units::Hertz;

    #[test]
    fn parts_mixed_again_give_the_bytes_of_the_whole() {
        let mut scene = Scene::demo().unwrap();
        scene.dongle.gain_drift_db_per_minute = 0.0;
        scene.transmitters.iter_mut().for_each(|t| t.fading = None);
        // Two transmitters and a spur of the demo are heard here.
        scene.dongle.spurs[0].frequency_mhz = 511.7;
        let setup = Setup {
            antenna: Some("tape loop".to_owned()),
            tunings: vec![Hertz::from_mhz(512.0)],
            ..Setup::terminated("north window", "2026-05-09T10:00:00Z".parse().unwrap())
        };
        let source = || {
            let mut source = SimulatedSource::new(&scene, setup.clone()).unwrap();
            source.next_tuning().unwrap();
            source
        };
        let count = 5000;
        let mut whole = vec![0; 2 * count];
        assert_eq!(source().read_bytes(&mut whole), 2 * count);

        let parts = source().take_apart(count);
        assert_eq!((parts.transmitters.len(), parts.spurs.len()), (2, 1));
        let mut sum = parts.noise;
        for part in &parts.transmitters {
            for (sum, x) in sum.iter_mut().zip(&part.samples) {
                *sum += x;
            }
        }
        let Carrier { turns, amplitude } = parts.spurs[0];
        for (n, sum) in sum.iter_mut().enumerate() {
            let spur = super::super::waveform::phasor(turns * n as f64) * amplitude;
            *sum += Sample::new(spur.re as f32, spur.im as f32);
        }
        let mut mixed = vec![0; 2 * count];
        scene.dongle.convert(&mut sum, &mut mixed);
        // Added up in another order, a sum may round to the next byte.
        let differ = whole.iter().zip(&mixed).filter(|(a, b)| a != b).count();
        assert!(differ < 5, "{differ} bytes differ");
        assert!(whole.iter().zip(&mixed).all(|(a, b)| a.abs_diff(*b) <= 1));
    }

    #[test]
    fn fading_is_the_one_that_is_played() {
        let scene = Scene::demo().unwrap();
        let start = "2026-05-09T10:00:00Z".parse().unwrap();
        let setup = Setup {
            antenna: Some("tape loop".to_owned()),
            ..Setup::terminated("north window", start)
        };
        let source = SimulatedSource::new(&scene, setup).unwrap();
        let expected = super::super::path::Fading::new(scene.seed, 2, 0.4, 30.0);
        assert_eq!(source.fading(2, 7.0).0, expected.at(7.0));
        assert_eq!(source.fading(99, 7.0).0, 0.0);
    }
}
