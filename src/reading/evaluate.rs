//! From a survey to the readings of the wanted channels.
//!
//! Channel power is the density summed over the channel in linear units, each bin divided by the passband's gain there
//! (the flat field). Noise in the channel is the same sum over the terminated take at the same tunings; without one it is
//! estimated from vacant stretches of the same take. Signal power is the difference. Its standard error comes from the
//! spread over sub-dwells, part by part of the channel, combined in quadrature (GUM 5.1.2), with effective degrees of
//! freedom by Welch–Satterthwaite (GUM G.4).
//!
//! A signal is *found* where power less noise exceeds what the combined uncertainty explains, one-sided, at a false alarm
//! of 1 in 1000 (Student's t). Otherwise the reading carries an upper bound, one-sided at 95 %.

use super::guard::{Family, Ofdm};
use super::noise::Noise;
use super::pilot::PILOT_OVER_DATA_DB;
use super::power::{Piece, pieces, summed};
use super::signals::{Signal, Signals};
use super::survey::Survey;
use super::within::Within;
use super::{
    Estimate, FrequencyReading, Health, Identity, NoiseSource, Part, PilotReading, Reading,
    TuningReading, health, lines,
};
use crate::channels::{Channel, ChannelId, Standard, Thresholds};
use crate::spectrum::flat::FlatField;
use crate::statistics::{student_upper_quantile, welch_satterthwaite};
use crate::units::{Decibels, db_to_ratio};

/// False alarm of one channel's test for a signal.
const FALSE_ALARM: f64 = 1e-3;

/// One-sided probability that an upper bound holds.
const BOUND_CONFIDENCE: f64 = 0.95;

/// A channel covered by less than this share of its width is not listed.
const LEAST_COVER: f64 = 0.005;

/// Half of this share may miss at the edges before a channel counts as covered in part.
const WHOLE_COVER: f64 = 0.995;

/// Readings, and what they rest on.
#[derive(Debug, Clone)]
pub struct Evaluation {
    /// One reading a channel that is covered at least in part, ascending.
    pub readings: Vec<Reading>,
    /// The passband that was divided out.
    pub flat: FlatField,
    /// The receiver's frequency error, where pilots tell it.
    pub frequency_error: Option<FrequencyReading>,
    /// The receiver's health, tuning by tuning, ascending.
    pub tunings: Vec<TuningReading>,
    /// The tunings' spectra with spurs cut out, in the order of the survey's.
    pub densities: Vec<Vec<f64>>,
}

/// Another pass that a survey is to be compared with.
#[derive(Debug, Clone, Copy)]
pub struct Beside<'a> {
    /// The stretches that both cover, ascending, apart: channels are read within these, but for channels of which they
    /// hold nothing.
    pub shared: &'a [Part],
    /// The other pass: where it shows a pilot and this one doesn't, the pilot's power is measured at its place.
    pub other: &'a Survey,
}

/// Reads the wanted channels off a survey, alone or beside another.
pub fn evaluate(
    survey: &Survey,
    terminated: Option<&Survey>,
    channels: &[Channel],
    thresholds: &Thresholds,
    beside: Option<Beside>,
) -> Evaluation {
    let terminated = terminated.map(|terminated| {
        let mut cleaned = terminated.clone();
        lines::cut(&mut cleaned, &Signals::default().explained(channels));
        cleaned
    });
    let heard = |no_pilots: &[ChannelId]| {
        let mut signals = Signals::of(survey, channels, no_pilots);
        if let Some(Beside { other, .. }) = beside {
            signals.learn(survey, &Signals::of(other, channels, no_pilots));
        }
        signals
    };
    let look = |signals: Signals| {
        let looked = evaluate_with(
            survey,
            terminated.as_ref(),
            channels,
            thresholds,
            beside,
            signals,
        );
        let stray: Vec<ChannelId> = looked
            .readings
            .iter()
            .filter(|reading| pilot_is_stray(reading))
            .map(|reading| reading.channel.clone())
            .collect();
        (looked, stray)
    };
    let (evaluation, stray) = look(heard(&[]));
    if stray.is_empty() {
        return evaluation;
    }
    // What was taken for a pilot is a line like others, to be cut out before power is summed.
    look(heard(&stray)).0
}

/// Reads the wanted channels off a survey whose signals are known.
fn evaluate_with(
    survey: &Survey,
    terminated: Option<&Survey>,
    channels: &[Channel],
    thresholds: &Thresholds,
    beside: Option<Beside>,
    signals: Signals,
) -> Evaluation {
    let mut cleaned = survey.clone();
    let spurs = lines::cut(&mut cleaned, &signals.explained(channels));
    let survey = &cleaned;
    let noise = Noise::of(survey, terminated, channels);
    let within = beside.map(|beside| beside.shared);
    let look = Look {
        survey,
        noise: &noise,
        signals: &signals,
        thresholds,
    };
    let readings = channels
        .iter()
        .filter_map(|channel| {
            let shared = within.map(|parts| pieces(survey, channel, Some(parts)));
            let (pieces, covered) = shared
                .into_iter()
                .chain([pieces(survey, channel, None)])
                .map(|pieces| {
                    let widths = pieces.iter().map(|piece| piece.stretch.width_hz());
                    let covered = widths.sum::<f64>() / channel.width().0;
                    (pieces, covered)
                })
                .find(|&(_, covered)| covered >= LEAST_COVER)?;
            Some(look.read(channel, &pieces, covered))
        })
        .collect();
    let tunings = survey
        .tunings
        .iter()
        .zip(spurs)
        .map(|(tuning, spurs)| health::of_tuning(survey, tuning, spurs))
        .collect();
    Evaluation {
        readings,
        flat: noise.flat,
        frequency_error: signals.frequency_error,
        tunings,
        densities: cleaned
            .tunings
            .into_iter()
            .map(|tuning| tuning.density)
            .collect(),
    }
}

/// Whether a channel's power rules out that its line is a pilot: the data beside it would be stronger, even with the pilot
/// standing [`PILOT_FADED_UP_DB`] too high, than all that the channel's power can hold besides the line.
fn pilot_is_stray(reading: &Reading) -> bool {
    let found = reading.pilot.filter(|pilot| pilot.found);
    let (Some(pilot), Some(signal)) = (found, reading.signal) else {
        return false;
    };
    let line = pilot.power.value;
    let error =
        (signal.standard_error.hypot(reading.noise_type_b)).hypot(pilot.power.standard_error);
    let most = (signal.value - line).max(0.0) + RULED_OUT * error;
    let data = line * db_to_ratio(-PILOT_OVER_DATA_DB) * reading.covered;
    data * db_to_ratio(-PILOT_FADED_UP_DB) > most
}

/// A pilot stands so much, in dB, over what its channel's mean would have it, at the most: the power at one frequency of a
/// Rayleigh channel is exponential, and exceeds ten times its mean with a chance of e⁻¹⁰.
const PILOT_FADED_UP_DB: f64 = 10.0;

/// Standard uncertainties within which a channel's power may be more than it seems.
const RULED_OUT: f64 = 3.0;

/// What a channel is read off.
struct Look<'l> {
    survey: &'l Survey,
    noise: &'l Noise<'l>,
    signals: &'l Signals,
    thresholds: &'l Thresholds,
}

/// The reading of a channel that no tuning covers.
pub fn uncovered(channel: &Channel) -> Reading {
    Reading {
        channel: channel.id.clone(),
        low_hz: channel.low.0,
        high_hz: channel.high.0,
        covered: 0.0,
        parts: Vec::new(),
        power: None,
        noise: None,
        noise_source: None,
        signal: None,
        noise_type_b: 0.0,
        found: false,
        signal_upper: None,
        pilot: None,
        identity: None,
        shape: None,
        echo: None,
        standard: channel.standards.first().copied(),
        path: None,
        threshold_db: None,
        state: None,
        health: Vec::new(),
    }
}

impl Look<'_> {
    fn read(&self, channel: &Channel, pieces: &[Piece], covered: f64) -> Reading {
        let mut reading = uncovered(channel);
        reading.covered = if covered > WHOLE_COVER { 1.0 } else { covered };
        reading.parts = parts(pieces);
        if reading.covered < 1.0 {
            reading.health.push(Health::Partial { covered });
        }
        let (remarks, clipped) = health::of_pieces(self.survey, pieces);
        reading.health.extend(remarks);
        if clipped {
            return reading;
        }
        self.measure(&mut reading, pieces);
        self.identify(&mut reading, channel, pieces);
        self.judge(&mut reading, channel);
        reading
    }

    /// Power, noise and signal.
    fn measure(&self, reading: &mut Reading, pieces: &[Piece]) {
        let power = summed(self.survey, &self.noise.flat, pieces);
        reading.power = Some(power);
        let rate_hz = self.survey.about.sample_rate.0;
        let Some((noise, type_b, source)) = self.noise.of_pieces(pieces, rate_hz) else {
            return;
        };
        let value = power.value - noise.value;
        let statistical = power.standard_error.hypot(noise.standard_error);
        let degrees_of_freedom = welch_satterthwaite([
            (power.standard_error, power.degrees_of_freedom),
            (noise.standard_error, noise.degrees_of_freedom),
        ]);
        let combined = statistical.hypot(type_b);
        let degrees_combined =
            welch_satterthwaite([(statistical, degrees_of_freedom), (type_b, f64::INFINITY)]);
        reading.noise = Some(noise);
        reading.noise_source = Some(source);
        reading.noise_type_b = type_b;
        reading.signal = Some(Estimate {
            value,
            standard_error: statistical,
            degrees_of_freedom,
        });
        reading.found = value > student_upper_quantile(FALSE_ALARM, degrees_combined) * combined;
        match source {
            NoiseSource::Terminated | NoiseSource::TerminatedElsewhere => {}
            NoiseSource::VacantChannels => reading.health.push(Health::NoiseEstimated),
            NoiseSource::QuietestStretch => reading.health.push(Health::NoiseUnknown),
        }
        if !reading.found {
            let reach = student_upper_quantile(1.0 - BOUND_CONFIDENCE, degrees_combined) * combined;
            reading.signal_upper = Some(value.max(0.0) + reach);
        }
        let signal = reading.signal_upper.unwrap_or(value);
        reading
            .health
            .extend(health::image(self.survey, pieces, signal));
    }

    /// Pilot, identity, shape and echo.
    fn identify(&self, reading: &mut Reading, channel: &Channel, pieces: &[Piece]) {
        let Some(signal) = self.signals.get(&channel.id) else {
            return;
        };
        reading.pilot = self.pilot(signal);
        reading.identity = identity(reading, channel, signal);
        let (Some(identity), true) = (&reading.identity, reading.found) else {
            return;
        };
        let rate_hz = self.survey.about.sample_rate.0;
        let (Some(levels), Some(noise_source)) =
            (self.noise.levels(pieces, rate_hz), reading.noise_source)
        else {
            return;
        };
        let within = Within {
            channel,
            pieces,
            flat: &self.noise.flat,
            rate_hz,
            ppm: self
                .signals
                .frequency_error
                .as_ref()
                .map_or(0.0, |error| error.ppm),
            ofdm: signal.ofdm.as_ref(),
            levels: &levels,
            noise_source,
        };
        (reading.shape, reading.echo) = within.look(identity);
    }

    fn pilot(&self, signal: &Signal) -> Option<PilotReading> {
        let seen = signal.pilot.as_ref()?;
        // Any number of bins will do: a flat field is smooth.
        const BINS: usize = 4096;
        let turns = seen.power.baseband_hz / self.survey.about.sample_rate.0 + 0.5;
        let bin = ((turns * BINS as f64).max(0.0) as usize).min(BINS - 1);
        let gain = self.noise.flat.gain(bin, BINS);
        Some(PilotReading {
            offset_hz: signal.offset_hz(seen),
            offset_standard_error_hz: seen.standard_error_hz,
            power: Estimate {
                value: seen.power.power / gain,
                standard_error: seen.power.power_standard_error / gain,
                degrees_of_freedom: f64::INFINITY,
            },
            snr_db: seen.power.snr_db().map(|ratio| ratio.0),
            enbw_hz: seen.power.enbw_hz,
            found: seen.found,
        })
    }

    /// Threshold and state.
    fn judge(&self, reading: &mut Reading, channel: &Channel) {
        reading.standard = match &reading.identity {
            None => channel.standards.first().copied(),
            Some(Identity::Vsb8) => Some(Standard::Vsb8),
            Some(Identity::Ofdm { standards, .. }) => {
                let planned = channel.standards.iter().find(|one| standards.contains(one));
                planned.or(standards.first()).copied()
            }
            Some(Identity::Unidentified) => None,
        };
        reading.judge(self.thresholds);
    }
}

/// The covered stretches, joined where they touch.
fn parts(pieces: &[Piece]) -> Vec<Part> {
    let mut parts: Vec<Part> = Vec::new();
    for piece in pieces {
        match parts.last_mut() {
            Some(last) if (piece.stretch.low_hz - last.high_hz).abs() < 1.0 => {
                last.high_hz = piece.stretch.high_hz
            }
            _ => parts.push(Part {
                low_hz: piece.stretch.low_hz,
                high_hz: piece.stretch.high_hz,
            }),
        }
    }
    parts
}

/// What the signal is. Below a C/N of [`IDENTIFIABLE_CN_DB`], and where what the channel may carry was not listened for,
/// nothing is said of a signal that shows neither pilot nor guard interval.
fn identity(reading: &Reading, channel: &Channel, signal: &Signal) -> Option<Identity> {
    let fits = |ofdm: &&Ofdm| reading.cn_db().is_none_or(|cn| ofdm.fits(Decibels(cn)));
    if let Some(ofdm) = signal.ofdm.as_ref().filter(fits) {
        return Some(named(ofdm));
    }
    if signal.pilot.is_some_and(|pilot| pilot.found) {
        return Some(Identity::Vsb8);
    }
    let pilot_missed = channel.standards.contains(&Standard::Vsb8) && !signal.pilot_heard;
    let guard_missed = channel
        .standards
        .iter()
        .any(|&standard| standard != Standard::Vsb8)
        && !signal.guard_heard;
    let strong = reading.cn_db().is_some_and(|cn| cn >= IDENTIFIABLE_CN_DB);
    (strong && !pilot_missed && !guard_missed).then_some(Identity::Unidentified)
}

/// From this C/N in dB on, a pilot or a guard interval shows itself in 20 ms a tuning (measured: DEVELOPERS.md).
const IDENTIFIABLE_CN_DB: f64 = 0.0;

fn named(ofdm: &Ofdm) -> Identity {
    Identity::Ofdm {
        system: ofdm.system(),
        guard: ofdm.guard.map(|guard| guard.to_string()),
        standards: ofdm
            .families
            .iter()
            .map(|family| match family {
                Family::DvbT => Standard::DvbT,
                Family::DvbT2 => Standard::DvbT2,
                Family::IsdbT => Standard::IsdbT,
                Family::Atsc3 => Standard::Atsc3,
            })
            .collect(),
    }
}
