//! What a pass listens for beside power: pilots of 8-VSB and guard intervals of OFDM, in the channels that may carry them.
//!
//! Pilots are listened for in every sample of the tunings that cover their place, in ±100 ppm and the largest deliberate
//! offset. A guard interval is looked for in the first 20 ms of each visit to a tuning, and only as long as the channel is
//! not known: that costs some 45 ns a sample, more than all else together.

use num_complex::Complex;

use super::guard::{Family, GuardEvidence, GuardProbe, STRETCH_S};
use super::pilot::{PILOT_ABOVE_EDGE_HZ, PilotProbe, PilotSpectrum};
use crate::capture::tuning::USABLE;
use crate::capture::{Sample, Tuning};
use crate::channels::{Channel, ChannelId, Standard};
use crate::units::{Decibels, Hertz};

/// The receiver's frequency error is looked for up to this much.
const WORST_PPM: f64 = 100.0;

/// Room for a deliberate offset of a station, in hertz: the largest in use is 28.6 kHz (ATSC A/64B §5.1.6.1).
const OFFSET_ROOM_HZ: f64 = 29e3;

/// Search widths are multiples of this, in hertz.
const WIDTH_STEP_HZ: f64 = 10e3;

/// A pilot is not looked for where there is no room for at least this to either side, in hertz.
const LEAST_ROOM_HZ: f64 = 10e3;

/// A part of a channel narrower than this is not searched for guard intervals, in hertz.
const LEAST_BAND_HZ: f64 = 200e3;

/// A strong pilot stands so far over the density beside it times 6 MHz: 8.3 dB under it, less what noise adds to that. With
/// such a pilot nothing else is looked for. The upper end leaves out lines that are no pilot.
const STRONG_PILOT: std::ops::Range<f64> = 0.04..PILOT_OVER_NEIGHBOURS;

/// No pilot stands higher over the density beside it times 6 MHz: the data, 11.3 dB above it over 5.4 MHz, are at half
/// their density there, and what fades the pilot fades them, so 10^(−0.83) is the most; twice that leaves room for chance.
pub(super) const PILOT_OVER_NEIGHBOURS: f64 = 0.3;

/// Evidence against noise below this, as a decimal logarithm, is worth another look.
const SUGGESTIVE: f64 = -1.0;

/// What was heard in one channel.
#[derive(Debug, Clone)]
pub struct Heard {
    /// The channel.
    pub channel: ChannelId,
    /// Spectra about the pilot's place, one for each tuning and gain that cover it.
    pub pilots: Vec<HeardPilot>,
    /// What was found of guard intervals; `None` where none was looked for.
    pub guard: Option<GuardEvidence>,
}

/// What one tuning heard about a pilot's place.
#[derive(Debug, Clone)]
pub struct HeardPilot {
    /// The tuning's frequency in hertz, as the receiver was told.
    pub centre_hz: f64,
    /// Its gain, where known.
    pub gain: Option<Decibels>,
    /// The spectrum, all visits together.
    pub spectrum: PilotSpectrum,
}

impl Heard {
    /// Adds what another pass heard in the same channel.
    pub(super) fn join(&mut self, other: Heard) {
        for pilot in other.pilots {
            self.join_pilot(pilot);
        }
        match (&mut self.guard, other.guard) {
            (Some(guard), Some(more)) => {
                // Of one width and the same families, they always combine.
                let _ = guard.combine(&more);
            }
            (None, more) => self.guard = more,
            (Some(_), None) => {}
        }
    }

    /// Adds a spectrum to those of the same tuning and gain.
    fn join_pilot(&mut self, pilot: HeardPilot) {
        let same = |heard: &&mut HeardPilot| {
            heard.centre_hz == pilot.centre_hz && heard.gain == pilot.gain
        };
        // Spectra at one frequency differ only where the sample rate does, which it can't within a pass.
        let joined = (self.pilots.iter_mut().find(same))
            .is_some_and(|heard| heard.spectrum.combine(&pilot.spectrum).is_ok());
        if !joined {
            self.pilots.push(pilot);
        }
    }
}

impl HeardPilot {
    /// Power of a pilot over that of its neighbourhood, were it 6 MHz wide.
    pub(super) fn over_neighbours(pilot: &super::pilot::PilotPower) -> f64 {
        pilot.power / (pilot.noise_density * 6e6)
    }
}

/// The families of OFDM that a channel's standards may be. The two DVB systems share sizes, and a plan may name one alone.
pub(super) fn families(standards: &[Standard]) -> Vec<Family> {
    let any = |which: &[Standard]| standards.iter().any(|standard| which.contains(standard));
    let dvb = any(&[Standard::DvbT, Standard::DvbT2]);
    let wanted = [
        (dvb, Family::DvbT),
        (dvb, Family::DvbT2),
        (any(&[Standard::IsdbT]), Family::IsdbT),
        (any(&[Standard::Atsc3]), Family::Atsc3),
    ];
    wanted
        .into_iter()
        .filter_map(|(wanted, family)| wanted.then_some(family))
        .collect()
}

/// Listens to the tunings of a pass.
pub(super) struct Listener<'c> {
    rate_hz: f64,
    targets: Vec<Target<'c>>,
    /// Probes not in use: making one takes longer than using it for a tuning.
    idle_pilots: Vec<PilotEar>,
    guards: Vec<GuardEar>,
    tuned: Option<Tuning>,
    pilots: Vec<(usize, PilotEar)>,
    /// Beginning of the tuning, for guard intervals, and how much of it is there.
    beginning: Vec<Sample>,
    filled: usize,
    /// Targets whose guard interval is to be looked for in this tuning, with their band about its centre.
    bands: Vec<(usize, f64, f64)>,
}

struct Target<'c> {
    channel: &'c Channel,
    families: Vec<Family>,
    heard: Heard,
    /// Whether it is 8-VSB beyond doubt, or OFDM.
    known: bool,
    /// Tunings at which a guard interval was looked for.
    looked_at: Vec<f64>,
}

struct PilotEar {
    expected_hz: f64,
    half_width_hz: f64,
    probe: PilotProbe,
}

struct GuardEar {
    width_hz: f64,
    families: Vec<Family>,
    probe: GuardProbe,
}

impl<'c> Listener<'c> {
    /// Ready to listen for `channels` in samples at `rate_hz`.
    pub fn new(rate_hz: f64, channels: &'c [Channel]) -> Self {
        Listener {
            rate_hz,
            targets: channels.iter().map(Target::new).collect(),
            idle_pilots: Vec::new(),
            guards: Vec::new(),
            tuned: None,
            pilots: Vec::new(),
            beginning: Vec::new(),
            filled: 0,
            bands: Vec::new(),
        }
    }

    /// Begins a tuning.
    pub fn start(&mut self, tuning: &Tuning) {
        self.tuned = Some(*tuning);
        self.filled = 0;
        self.bands.clear();
        let centre_hz = tuning.centre.0;
        let reach_hz = USABLE / 2.0 * self.rate_hz;
        for index in 0..self.targets.len() {
            let target = &self.targets[index];
            let low_hz = (target.channel.low.0 - centre_hz).max(-reach_hz);
            let high_hz = (target.channel.high.0 - centre_hz).min(reach_hz);
            if low_hz >= high_hz {
                continue;
            }
            if target.wants_guard(centre_hz) && high_hz - low_hz >= LEAST_BAND_HZ {
                self.bands.push((index, low_hz, high_hz));
            }
            let expected_hz = target.channel.low.0 + PILOT_ABOVE_EDGE_HZ - centre_hz;
            let room_hz = self.rate_hz / 2.0 - expected_hz.abs();
            let wanted_hz = WORST_PPM * 1e-6 * target.channel.high.0 + OFFSET_ROOM_HZ;
            // In steps, so that channels next to each other can share a probe.
            let half_width_hz = ((wanted_hz / WIDTH_STEP_HZ).ceil() * WIDTH_STEP_HZ).min(room_hz);
            if target.may_be_vsb()
                && expected_hz.abs() <= reach_hz
                && half_width_hz >= LEAST_ROOM_HZ
            {
                let ear = self.pilot_ear(expected_hz, half_width_hz);
                self.pilots.extend(ear.map(|ear| (index, ear)));
            }
        }
        if self.bands.is_empty() {
            self.filled = usize::MAX;
        } else {
            let length = (STRETCH_S * self.rate_hz).ceil() as usize;
            self.beginning.resize(length, Complex::ZERO);
        }
    }

    /// Takes the tuning's next samples.
    pub fn push(&mut self, samples: &[Sample]) {
        for (_, ear) in &mut self.pilots {
            ear.probe.push(samples);
        }
        if let Some(room) = self.beginning.get_mut(self.filled..) {
            let count = room.len().min(samples.len());
            room[..count].copy_from_slice(&samples[..count]);
            self.filled += count;
        }
    }

    /// Ends the tuning.
    pub fn finish(&mut self) {
        let Some(tuning) = self.tuned.take() else {
            return;
        };
        for (index, mut ear) in self.pilots.drain(..) {
            self.targets[index].hear_pilot(&tuning, ear.probe.finish());
            self.idle_pilots.push(ear);
        }
        for (index, low_hz, high_hz) in std::mem::take(&mut self.bands) {
            if !self.targets[index].known {
                self.look_for_guard(index, tuning.centre.0, (low_hz, high_hz));
            }
        }
    }

    /// Drops what was heard in a tuning that failed.
    pub fn forget(&mut self) {
        self.tuned = None;
        self.bands.clear();
        for (_, mut ear) in self.pilots.drain(..) {
            ear.probe.finish();
            self.idle_pilots.push(ear);
        }
    }

    /// What was heard, channel by channel.
    pub fn heard(self) -> Vec<Heard> {
        self.targets
            .into_iter()
            .map(|target| target.heard)
            .filter(|heard| !heard.pilots.is_empty() || heard.guard.is_some())
            .collect()
    }

    fn pilot_ear(&mut self, expected_hz: f64, half_width_hz: f64) -> Option<PilotEar> {
        let fits = |ear: &PilotEar| {
            (ear.expected_hz - expected_hz).abs() < 1e-6
                && (ear.half_width_hz - half_width_hz).abs() < 1e-6
        };
        match self.idle_pilots.iter().position(fits) {
            Some(place) => Some(self.idle_pilots.swap_remove(place)),
            None => Some(PilotEar {
                expected_hz,
                half_width_hz,
                probe: PilotProbe::new(self.rate_hz, expected_hz, half_width_hz)?,
            }),
        }
    }

    fn look_for_guard(&mut self, index: usize, centre_hz: f64, (low_hz, high_hz): (f64, f64)) {
        let samples = &self.beginning[..self.filled.min(self.beginning.len())];
        let target = &mut self.targets[index];
        let width_hz = target.channel.width().0;
        let fits = |ear: &GuardEar| ear.width_hz == width_hz && ear.families == target.families;
        let place = match self.guards.iter().position(fits) {
            Some(place) => place,
            None => {
                // Widths and sample rates that the table has not are no error: then no system is named.
                let Ok(probe) =
                    GuardProbe::new(Hertz(self.rate_hz), Hertz(width_hz), &target.families)
                else {
                    return;
                };
                self.guards.push(GuardEar {
                    width_hz,
                    families: target.families.clone(),
                    probe,
                });
                self.guards.len() - 1
            }
        };
        let probe = &mut self.guards[place].probe;
        if probe.start(low_hz, high_hz).is_err() {
            return;
        }
        probe.push(samples);
        target.hear_guard(centre_hz, probe.finish());
    }
}

impl<'c> Target<'c> {
    fn new(channel: &'c Channel) -> Self {
        Target {
            channel,
            families: families(&channel.standards),
            heard: Heard {
                channel: channel.id.clone(),
                pilots: Vec::new(),
                guard: None,
            },
            known: false,
            looked_at: Vec::new(),
        }
    }

    fn may_be_vsb(&self) -> bool {
        self.channel.standards.contains(&Standard::Vsb8)
    }

    /// Whether a guard interval is worth looking for at a tuning: once, and again where there is a suspicion.
    fn wants_guard(&self, centre_hz: f64) -> bool {
        if self.known || self.families.is_empty() {
            return false;
        }
        let suspected = || {
            let likeliest = self.heard.guard.as_ref().and_then(GuardEvidence::likeliest);
            likeliest.is_some_and(|ofdm| ofdm.log10_false_alarm < SUGGESTIVE)
        };
        !self.looked_at.contains(&centre_hz) || suspected()
    }

    fn hear_pilot(&mut self, tuning: &Tuning, spectrum: PilotSpectrum) {
        self.heard.join_pilot(HeardPilot {
            centre_hz: tuning.centre.0,
            gain: tuning.gain,
            spectrum,
        });
        let strong = |heard: &HeardPilot| {
            let pilot = heard.spectrum.find();
            pilot.is_some_and(|pilot| {
                STRONG_PILOT.contains(&HeardPilot::over_neighbours(&pilot.power))
            })
        };
        self.known =
            self.known || (!self.families.is_empty() && self.heard.pilots.iter().any(strong));
    }

    fn hear_guard(&mut self, centre_hz: f64, evidence: GuardEvidence) {
        if evidence.stretches() == 0 {
            return;
        }
        self.looked_at.push(centre_hz);
        self.heard.join(Heard {
            channel: self.heard.channel.clone(),
            pilots: Vec::new(),
            guard: Some(evidence),
        });
        self.known = self
            .heard
            .guard
            .as_ref()
            .is_some_and(|guard| guard.decide().is_some());
    }
}
