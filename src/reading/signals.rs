//! What a pass heard, made into signals: which pilots are pilots, how far off the receiver is, which channels are OFDM.

use super::guard::Ofdm;
use super::listen::{Heard, HeardPilot, PILOT_OVER_NEIGHBOURS};
use super::pilot::{
    Agreement, FrequencyError, PILOT_ABOVE_EDGE_HZ, Pilot, PilotOffset, PilotPower, frequency_error,
};
use super::survey::{Survey, TuningSpectrum};
use super::{FrequencyReading, OutlyingStation};
use crate::channels::{Channel, ChannelId};

/// Stations' pilots lie within this of their nominal place, in hertz, but for deliberate offsets (common practice, no
/// source; the rules have no tolerance).
const STATION_LIMIT_HZ: f64 = 1e3;

/// A pilot known from another take is looked for within this of where it stood, in hertz: 0.5 ppm of a dongle's drift at
/// 600 MHz.
const DRIFT_HZ: f64 = 300.0;

/// A pilot where nothing explains its offset must show this much data beside it, relative to the noise, to be a station's
/// and no stray line: its ratio to the density beside it times 6 MHz, which is 0.15 for a strong station (see
/// [`PILOT_OVER_NEIGHBOURS`]) and 0.05 at a C/N of 0 dB.
const UNEXPLAINED_OVER_NEIGHBOURS: std::ops::Range<f64> = 0.05..PILOT_OVER_NEIGHBOURS;

/// The signals of a pass.
#[derive(Debug, Clone, Default)]
pub(super) struct Signals {
    signals: Vec<Signal>,
    /// The receiver's frequency error.
    pub frequency_error: Option<FrequencyReading>,
}

/// What is known of one channel's signal.
#[derive(Debug, Clone)]
pub(super) struct Signal {
    channel: ChannelId,
    /// Where the pilot should stand, in hertz at radio frequency.
    nominal_hz: f64,
    pub pilot: Option<SeenPilot>,
    pub ofdm: Option<Ofdm>,
    /// Whether a pilot, or a guard interval, would have been heard, were it there and strong.
    pub pilot_heard: bool,
    pub guard_heard: bool,
}

/// A pilot, found or measured at a known place.
#[derive(Debug, Clone, Copy)]
pub(super) struct SeenPilot {
    /// The tuning in which it was seen.
    pub centre_hz: f64,
    pub power: PilotPower,
    pub standard_error_hz: f64,
    pub found: bool,
}

impl SeenPilot {
    fn found(centre_hz: f64, pilot: Pilot) -> Self {
        SeenPilot {
            centre_hz,
            power: pilot.power,
            standard_error_hz: pilot.baseband_standard_error_hz,
            found: true,
        }
    }

    /// Where it seemed to stand, in hertz at radio frequency.
    pub fn apparent_hz(&self) -> f64 {
        self.centre_hz + self.power.baseband_hz
    }
}

impl Signals {
    /// Makes signals of what a pass heard in these channels. In those of `no_pilots` a line is known to be no pilot.
    pub fn of(survey: &Survey, channels: &[Channel], no_pilots: &[ChannelId]) -> Signals {
        let mut signals: Vec<Signal> = Vec::new();
        let mut heard_pilots: Vec<Option<&HeardPilot>> = Vec::new();
        for heard in &survey.heard {
            let Some(channel) = channels.iter().find(|channel| channel.id == heard.channel) else {
                continue;
            };
            let nominal_hz = channel.low.0 + PILOT_ABOVE_EDGE_HZ;
            let best = best_heard(survey, heard, nominal_hz)
                .filter(|_| !no_pilots.contains(&heard.channel));
            let pilot = best
                .and_then(|heard| Some(SeenPilot::found(heard.centre_hz, heard.spectrum.find()?)))
                .filter(|seen| HeardPilot::over_neighbours(&seen.power) < PILOT_OVER_NEIGHBOURS);
            signals.push(Signal {
                channel: heard.channel.clone(),
                nominal_hz,
                pilot,
                ofdm: heard.guard.as_ref().and_then(|guard| guard.decide()),
                pilot_heard: no_pilots.contains(&heard.channel)
                    || best.is_some_and(|heard| heard.spectrum.transforms() > 0),
                guard_heard: heard.guard.is_some(),
            });
            heard_pilots.push(best);
        }
        for signal in signals.iter_mut().filter(|signal| signal.ofdm.is_some()) {
            // A line of OFDM's own (a continual pilot) is no pilot of 8-VSB.
            signal.pilot = None;
        }
        let Some((places, error)) = error_of(&signals) else {
            return Signals {
                signals,
                frequency_error: None,
            };
        };
        let outlying: Vec<OutlyingStation> = error
            .outliers
            .iter()
            .filter_map(|outlier| {
                let signal = &mut signals[places[outlier.index]];
                let station = outlier.deliberate.is_some()
                    || error.agreement != Agreement::Majority
                    || signal.pilot.is_some_and(|seen| {
                        UNEXPLAINED_OVER_NEIGHBOURS
                            .contains(&HeardPilot::over_neighbours(&seen.power))
                    });
                if !station {
                    signal.pilot = None;
                    return None;
                }
                Some(OutlyingStation {
                    channel: signal.channel.clone(),
                    residual_hz: outlier.residual_hz,
                    deliberate: outlier.deliberate.map(|offset| offset.purpose.to_owned()),
                })
            })
            .collect();
        if error.agreement == Agreement::Majority {
            look_narrowly(&mut signals, &heard_pilots, &error);
        }
        Signals {
            signals,
            frequency_error: Some(FrequencyReading {
                ppm: error.ppm,
                low_ppm: error.low_ppm,
                high_ppm: error.high_ppm,
                pilots: error.pilots,
                agreement: error.agreement,
                outlying,
            }),
        }
    }

    /// What is known of a channel's signal; `None` where nothing was listened for.
    pub fn get(&self, channel: &ChannelId) -> Option<&Signal> {
        self.signals
            .iter()
            .find(|signal| signal.channel == *channel)
    }

    /// Looks once more for pilots that this pass did not show and `other` did, and measures the power where they stood.
    pub fn learn(&mut self, survey: &Survey, other: &Signals) {
        // Where both passes know the receiver's error, the change between them is taken off.
        let scale = match (&self.frequency_error, &other.frequency_error) {
            (Some(own), Some(theirs)) => (1.0 + theirs.ppm * 1e-6) / (1.0 + own.ppm * 1e-6),
            _ => 1.0,
        };
        for signal in &mut self.signals {
            let theirs = other.get(&signal.channel).and_then(|signal| signal.pilot);
            let (None, None, Some(theirs)) =
                (signal.pilot, &signal.ofdm, theirs.filter(|seen| seen.found))
            else {
                continue;
            };
            let heard = survey
                .heard
                .iter()
                .find(|heard| heard.channel == signal.channel)
                .and_then(|heard| best_heard(survey, heard, signal.nominal_hz));
            let Some(heard) = heard else { continue };
            let baseband_hz = theirs.apparent_hz() * scale - heard.centre_hz;
            let found = heard.spectrum.find_within(baseband_hz, DRIFT_HZ);
            signal.pilot = match found {
                Some(pilot) => Some(SeenPilot::found(heard.centre_hz, pilot)),
                None => heard
                    .spectrum
                    .measure_at(baseband_hz)
                    .map(|power| SeenPilot {
                        centre_hz: heard.centre_hz,
                        power,
                        standard_error_hz: theirs.standard_error_hz,
                        found: false,
                    }),
            };
        }
    }

    /// Where narrow lines are the stations' own.
    pub fn explained(&self, channels: &[Channel]) -> Explained {
        let mut explained = Explained::default();
        for signal in &self.signals {
            if let Some(pilot) = &signal.pilot {
                let hz = pilot.apparent_hz();
                (explained.pilots_hz).push((hz - PILOT_SKIRT_HZ, hz + PILOT_SKIRT_HZ));
            }
            let channel = channels.iter().find(|channel| channel.id == signal.channel);
            if let (Some(_), Some(channel)) = (&signal.ofdm, channel) {
                explained.ofdm_hz.push((channel.low.0, channel.high.0));
            }
        }
        explained
    }
}

/// Stretches, in hertz at radio frequency, in which narrow lines are the stations' own.
#[derive(Debug, Clone, Default)]
pub(super) struct Explained {
    /// Pilots of 8-VSB: any line is theirs.
    pub pilots_hz: Vec<(f64, f64)>,
    /// Channels that carry OFDM: lines as high as continual pilots are theirs.
    pub ofdm_hz: Vec<(f64, f64)>,
}

/// A pilot's line in bins of 600 Hz reaches no further than this to either side, in hertz.
const PILOT_SKIRT_HZ: f64 = 5e3;

impl Signal {
    /// How far above its nominal place the pilot seemed to stand, in hertz.
    pub fn offset_hz(&self, seen: &SeenPilot) -> f64 {
        seen.apparent_hz() - self.nominal_hz
    }
}

/// The tunings whose samples may be used.
fn sound(tuning: &TuningSpectrum) -> bool {
    !tuning.amplitude.clipping().clipped
}

/// Of the spectra about a pilot's place, the one of the tuning that answers for it; else the one with most transforms.
fn best_heard<'h>(survey: &Survey, heard: &'h Heard, nominal_hz: f64) -> Option<&'h HeardPilot> {
    let rank = |pilot: &&HeardPilot| {
        let tuning = survey.tunings.iter().find(|tuning| {
            tuning.centre_hz == pilot.centre_hz && tuning.gain_db == pilot.gain.map(|gain| gain.0)
        });
        let answers = tuning.is_some_and(|tuning| {
            (tuning.stretch.low_hz..tuning.stretch.high_hz).contains(&nominal_hz)
        });
        (
            tuning.is_some_and(sound),
            answers,
            pilot.spectrum.transforms(),
        )
    };
    let best = heard.pilots.iter().max_by_key(rank)?;
    rank(&best).0.then_some(best)
}

/// The receiver's frequency error from the pilots found, and which signals they belong to.
fn error_of(signals: &[Signal]) -> Option<(Vec<usize>, FrequencyError)> {
    let (places, offsets): (Vec<usize>, Vec<PilotOffset>) = signals
        .iter()
        .enumerate()
        .filter_map(|(place, signal)| {
            let seen = signal.pilot.as_ref()?;
            let offset = PilotOffset {
                nominal_hz: signal.nominal_hz,
                offset_hz: signal.offset_hz(seen),
                standard_error_hz: seen.standard_error_hz,
                baseband_hz: seen.power.baseband_hz,
            };
            Some((place, offset))
        })
        .unzip();
    Some((places, frequency_error(&offsets)?))
}

/// The second look, in the narrow stretch where a station's pilot stands once the receiver's error is known.
fn look_narrowly(signals: &mut [Signal], heard: &[Option<&HeardPilot>], error: &FrequencyError) {
    let doubt_ppm = (error.high_ppm - error.low_ppm) / 2.0;
    for (signal, heard) in signals.iter_mut().zip(heard) {
        let (None, None, Some(heard)) = (signal.pilot, &signal.ofdm, heard) else {
            continue;
        };
        let baseband_hz = signal.nominal_hz / (1.0 + error.ppm * 1e-6) - heard.centre_hz;
        let half_width_hz = STATION_LIMIT_HZ + doubt_ppm * 1e-6 * signal.nominal_hz;
        signal.pilot = heard
            .spectrum
            .find_within(baseband_hz, half_width_hz)
            .map(|pilot| SeenPilot::found(heard.centre_hz, pilot))
            .filter(|seen| HeardPilot::over_neighbours(&seen.power) < PILOT_OVER_NEIGHBOURS);
    }
}
