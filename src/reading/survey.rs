//! One pass over a source: every tuning's spectrum and the health of its samples.
//!
//! Samples are seen once, in blocks, and dropped; what stays is one averaged spectrum for each frequency tuned to, so
//! memory grows with the number of different tunings and not with the recording's length.

use jiff::Timestamp;

use super::Reading;
use super::amplitude::AmplitudeStats;
use super::assemble::Wanted;
use super::listen::{Heard, Listener};
use crate::capture::{About, CaptureError, Source, Tuning};
use crate::channels::Channel;
use crate::spectrum::flat::bridge_centre;
use crate::spectrum::stitch::{Stretch, stretches};
use crate::spectrum::{SubDwells, Welch, WelchSettings};
use crate::units::Hertz;

/// Bins are at most this wide, in hertz: narrow enough that a channel's edge is sharp, wide enough for many averages.
const WIDEST_BIN_HZ: f64 = 600.0;

/// Segments that a tuning should have at least, for an average and its spread; short tunings get wider bins instead.
const FEWEST_SEGMENTS: u64 = 12;

/// What a pass says about how far it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Progress {
    /// The tuning under way.
    pub centre: Hertz,
    /// Samples seen so far, over all tunings.
    pub samples: u64,
}

/// What a pass found at one frequency.
#[derive(Debug, Clone)]
pub struct TuningSpectrum {
    /// Frequency in the middle, in hertz, as the receiver was told.
    pub centre_hz: f64,
    /// Receiver gain in dB, where known.
    pub gain_db: Option<f64>,
    /// Samples averaged.
    pub samples: u64,
    /// Power in one hertz, ascending; the centre spike bridged.
    pub density: Vec<f64>,
    /// Segments averaged.
    pub segments: u64,
    /// Power by sub-dwell.
    pub sub_dwells: SubDwells,
    /// What the samples' amplitudes say.
    pub amplitude: AmplitudeStats,
    /// The frequencies that this tuning answers for.
    pub stretch: Stretch,
}

/// A whole pass.
#[derive(Debug, Clone)]
pub struct Survey {
    /// What the source said of itself.
    pub about: About,
    /// When the first sample was taken, where known.
    pub taken_at: Option<Timestamp>,
    /// Time on one tuning in seconds: the median over the source's tunings.
    pub dwell_s: f64,
    /// The tunings, ascending by frequency.
    pub tunings: Vec<TuningSpectrum>,
    /// What was heard of pilots and guard intervals, channel by channel.
    pub heard: Vec<Heard>,
    /// Tunings that failed, in the source's words; the others are good.
    pub failed: Vec<String>,
}

impl Survey {
    /// Runs through `source` to its end, or until `stop` says so; `progress` is called once a block. Pilots and guard
    /// intervals are listened for in `channels`; for a terminated take there are none.
    ///
    /// Tunings to the same frequency at the same gain are averaged together; so are those whose gain the source does not
    /// say.
    ///
    /// A tuning that fails by itself is left out, and named in [`Survey::failed`].
    ///
    /// # Errors
    /// What the source reports, and [`CaptureError`] where no tuning holds enough samples for a spectrum.
    pub fn run(
        source: &mut dyn Source,
        channels: &[Channel],
        stop: &dyn Fn() -> bool,
        progress: &mut dyn FnMut(Progress),
    ) -> Result<Survey, CaptureError> {
        let about = source.about().clone();
        let rate_hz = about.sample_rate.0;
        let mut welch = Welch::new(WelchSettings::of_length(segment_length(rate_hz, None)));
        let mut tunings: Vec<TuningSpectrum> = Vec::new();
        let mut listener = Listener::new(rate_hz, channels);
        let mut dwells = Vec::new();
        let mut taken_at = None;
        let mut samples = 0;
        let mut failed = Vec::new();
        let mut first_failure = None;
        while !stop() {
            let tuning = match source.next_tuning() {
                Ok(Some(tuning)) => tuning,
                Ok(None) => break,
                Err(error) if error.is_of_one_tuning() => {
                    failed.push(error.to_string());
                    first_failure.get_or_insert(error);
                    continue;
                }
                Err(error) => return Err(error),
            };
            let length = segment_length(rate_hz, tuning.samples);
            if welch.settings().length == length {
                welch.reset();
            } else {
                welch = Welch::new(WelchSettings::of_length(length));
            }
            listener.start(&tuning);
            let mut amplitude = AmplitudeStats::new(about.step);
            let before = samples;
            let mut whole = true;
            while !stop() {
                // Read right into the segment being filled, and counted before it is transformed.
                let space = welch.space();
                let count = match source.read(space) {
                    Ok(count) => count,
                    Err(error) if error.is_of_one_tuning() => {
                        failed.push(error.to_string());
                        first_failure.get_or_insert(error);
                        whole = false;
                        break;
                    }
                    Err(error) => return Err(error),
                };
                if count == 0 {
                    break;
                }
                amplitude.push(&space[..count]);
                listener.push(&space[..count]);
                welch.advance(count);
                samples += count as u64;
                progress(Progress {
                    centre: tuning.centre,
                    samples,
                });
            }
            if !whole {
                listener.forget();
                continue;
            }
            listener.finish();
            taken_at = taken_at.or(tuning.taken_at);
            if let Some(found) =
                spectrum_of(&tuning, samples - before, &mut welch, amplitude, rate_hz)
            {
                dwells.push((samples - before) as f64 / rate_hz);
                keep(&mut tunings, found);
            }
        }
        if let (true, false, Some(error)) = (tunings.is_empty(), stop(), first_failure) {
            // None did better.
            return Err(error);
        }
        if tunings.is_empty() {
            return Err(CaptureError::Unreadable {
                path: about.name,
                problem: format!(
                    "holds {samples} samples, too few for a spectrum of any tuning; record at least 10 ms a tuning"
                ),
            });
        }
        let centres: Vec<f64> = tunings.iter().map(|tuning| tuning.centre_hz).collect();
        for (tuning, stretch) in tunings.iter_mut().zip(stretches(&centres, rate_hz)) {
            tuning.stretch = stretch;
        }
        dwells.sort_by(f64::total_cmp);
        Ok(Survey {
            about,
            taken_at,
            dwell_s: dwells[dwells.len() / 2],
            tunings,
            heard: listener.heard(),
            failed,
        })
    }

    /// Adds another pass over the same tunings with the same receiver: spectra are averaged, weighted by their length. The
    /// time of the first pass stays.
    pub fn join(&mut self, other: Survey) {
        let rate_hz = self.about.sample_rate.0;
        for tuning in other.tunings {
            keep(&mut self.tunings, tuning);
        }
        let centres: Vec<f64> = self.tunings.iter().map(|tuning| tuning.centre_hz).collect();
        for (tuning, stretch) in self.tunings.iter_mut().zip(stretches(&centres, rate_hz)) {
            tuning.stretch = stretch;
        }
        for heard in other.heard {
            match self
                .heard
                .iter_mut()
                .find(|own| own.channel == heard.channel)
            {
                Some(own) => own.join(heard),
                None => self.heard.push(heard),
            }
        }
        self.failed.extend(other.failed);
    }
}

impl Survey {
    /// Whether this survey, made with a terminator, can stand for the noise of `other`.
    ///
    /// # Errors
    /// Where the sample rates differ or the terminated take clipped: the message says what to do.
    pub fn serves(&self, other: &Survey) -> Result<(), CaptureError> {
        let (own, theirs) = (self.about.sample_rate.0, other.about.sample_rate.0);
        if own != theirs {
            return Err(CaptureError::Field {
                path: self.about.name.clone(),
                field: "sample rate".into(),
                problem: format!(
                    "{own} samples a second, but {} has {theirs}: record the terminated take with the same settings",
                    other.about.name
                ),
            });
        }
        if let Some(tuning) = self
            .tunings
            .iter()
            .find(|tuning| tuning.amplitude.clipping().clipped)
        {
            return Err(CaptureError::Field {
                path: self.about.name.clone(),
                field: format!("tuning {} MHz", tuning.centre_hz / 1e6),
                problem:
                    "clipped, which a terminator's noise never does: was an antenna connected?"
                        .into(),
            });
        }
        Ok(())
    }

    /// Whether at least one of these readings of this survey's is covered.
    ///
    /// # Errors
    /// Where none is: the message says where the tunings lie and where the channels.
    pub fn covers_any(&self, readings: &[Reading], wanted: &Wanted) -> Result<(), CaptureError> {
        if readings.iter().any(|reading| reading.covered > 0.0) {
            return Ok(());
        }
        let mhz = |hz: f64| hz / 1e6;
        let (first, last) = (&self.tunings[0], &self.tunings[self.tunings.len() - 1]);
        let channels = wanted.channels();
        let span = match (channels.first(), channels.last()) {
            (Some(first), Some(last)) => format!(
                ", which lie within {}–{} MHz",
                first.low.mhz(),
                last.high.mhz()
            ),
            _ => String::new(),
        };
        Err(CaptureError::Field {
            path: self.about.name.clone(),
            field: "tuning".into(),
            problem: format!(
                "{}–{} MHz lies in none of the wanted channels of plan {}{span}: choose another --plan or --channels",
                mhz(first.centre_hz - self.about.sample_rate.0 / 2.0),
                mhz(last.centre_hz + self.about.sample_rate.0 / 2.0),
                wanted.plan.name
            ),
        })
    }
}

/// Samples in a segment: a power of two that gives bins of at most 600 Hz, shorter where a tuning holds few samples.
fn segment_length(rate_hz: f64, samples: Option<u64>) -> usize {
    let wanted = ((rate_hz / WIDEST_BIN_HZ) as usize)
        .next_power_of_two()
        .clamp(256, 1 << 16);
    let mut length = wanted;
    while length > 256
        && samples.is_some_and(|samples| samples < FEWEST_SEGMENTS / 2 * length as u64)
    {
        length /= 2;
    }
    length
}

fn spectrum_of(
    tuning: &Tuning,
    samples: u64,
    welch: &mut Welch,
    amplitude: AmplitudeStats,
    rate_hz: f64,
) -> Option<TuningSpectrum> {
    let psd = welch.psd(rate_hz);
    if psd.segments == 0 {
        return None;
    }
    let mut density = psd.bins;
    bridge_centre(&mut density);
    Some(TuningSpectrum {
        centre_hz: tuning.centre.0,
        gain_db: tuning.gain.map(|gain| gain.0),
        samples,
        density,
        segments: psd.segments,
        sub_dwells: psd.sub_dwells,
        amplitude,
        stretch: Stretch {
            low_hz: 0.0,
            high_hz: 0.0,
        },
    })
}

/// Puts a tuning in its place by frequency, or averages it into one that is there already.
fn keep(tunings: &mut Vec<TuningSpectrum>, found: TuningSpectrum) {
    let place = tunings.partition_point(|tuning| tuning.centre_hz < found.centre_hz);
    let same = tunings[place..]
        .iter_mut()
        .take_while(|tuning| tuning.centre_hz == found.centre_hz)
        .find(|tuning| {
            tuning.gain_db == found.gain_db && tuning.density.len() == found.density.len()
        });
    let Some(kept) = same else {
        tunings.insert(place, found);
        return;
    };
    let (old, new) = (kept.segments as f64, found.segments as f64);
    for (mean, bin) in kept.density.iter_mut().zip(&found.density) {
        *mean = (*mean * old + bin * new) / (old + new);
    }
    kept.segments += found.segments;
    kept.samples += found.samples;
    kept.sub_dwells = std::mem::take(&mut kept.sub_dwells).joined(found.sub_dwells);
    kept.amplitude.merge(&found.amplitude);
}
