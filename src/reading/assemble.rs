//! A take put together from a survey and what the user says of it.

use jiff::Timestamp;

use super::evaluate::{Beside, Evaluation, evaluate, uncovered};
use super::survey::{Survey, TuningSpectrum};
use super::{Bearing, Identity, Part, Position, Reading, Settings, State, Take, Trace};
use crate::channels::{Channel, ChannelId, Plan, Thresholds};
use crate::spectrum::flat::FlatField;
use crate::spectrum::stitch::{Stretch, integrate};

/// Step of a take's kept spectrum in hertz: a channel of 6 MHz has 240 of them.
const TRACE_STEP_HZ: f64 = 25e3;

/// A kept spectrum has at most this many steps; a wider span gets wider ones.
const TRACE_MOST: f64 = 40_000.0;

/// What the user says of a take.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Subject {
    /// The antenna's name.
    pub antenna: String,
    /// The spot's name.
    pub spot: String,
    /// Free text.
    pub note: String,
    /// When it was taken, where the source doesn't say.
    pub taken_at: Timestamp,
    /// Where in the room it stood.
    pub position: Option<Position>,
    /// Where it was turned to, in a rotation.
    pub bearing: Option<Bearing>,
    /// How many stations a television's scan found.
    pub scan_count: Option<u32>,
}

/// Which channels a take reads.
#[derive(Debug, Clone)]
pub struct Wanted<'p> {
    /// The plan.
    pub plan: &'p Plan,
    /// Channels that were asked for by name: listed even where nothing covers them. `None` reads all of the plan's that
    /// are covered.
    pub chosen: Option<Vec<Channel>>,
    /// Thresholds for margins and states.
    pub thresholds: Thresholds,
}

impl Wanted<'_> {
    /// The channels to read.
    pub fn channels(&self) -> &[Channel] {
        self.chosen.as_deref().unwrap_or(&self.plan.channels)
    }
}

/// Makes the take: readings of the wanted channels (alone, or beside another pass), settings, and the
/// spectrum to keep.
pub fn assemble(
    survey: &Survey,
    terminated: Option<&Survey>,
    wanted: &Wanted,
    beside: Option<Beside>,
    subject: Subject,
) -> Take {
    let channels = wanted.channels();
    let Evaluation {
        mut readings,
        flat,
        frequency_error,
        tunings,
        densities,
    } = evaluate(survey, terminated, channels, &wanted.thresholds, beside);
    if let Some(chosen) = &wanted.chosen {
        for (place, channel) in chosen.iter().enumerate() {
            if readings
                .get(place)
                .is_none_or(|reading| reading.channel != channel.id)
            {
                readings.insert(place, uncovered(channel));
            }
        }
    }
    Take {
        id: None,
        antenna: subject.antenna,
        spot: subject.spot,
        taken_at: survey.taken_at.unwrap_or(subject.taken_at),
        source: survey.about.name.clone(),
        terminated: terminated.map(|survey| survey.about.name.clone()),
        settings: settings(survey, wanted.plan),
        note: subject.note,
        position: subject.position,
        bearing: subject.bearing,
        scan_count: subject.scan_count,
        readings,
        frequency_error,
        tunings,
        gain_check: None,
        spectrum: trace(survey, &densities, &flat),
    }
}

/// The channels on which a survey that should be a terminator's shows television that a receiver could decode: then an
/// antenna was connected. What leaks in past a terminator is far weaker, but beside a transmitter it may be named here too.
pub fn stations(survey: &Survey, wanted: &Wanted) -> Vec<ChannelId> {
    let take = assemble(survey, None, wanted, None, Subject::default());
    let is_television = |reading: &Reading| {
        let firm = reading.noise.is_none() || reading.state == Some(State::Firm);
        let named = matches!(
            reading.identity,
            Some(Identity::Vsb8 | Identity::Ofdm { .. })
        );
        firm && named
    };
    (take.readings.into_iter())
        .filter(is_television)
        .map(|reading| reading.channel)
        .collect()
}

/// The takes of two recordings made ready for comparison: each channel is read over what both of them cover, and a channel
/// that only one covers stays as it is there.
pub fn assemble_pair(
    surveys: [&Survey; 2],
    terminated: Option<&Survey>,
    wanted: &Wanted,
    subjects: [Subject; 2],
) -> [Take; 2] {
    let shared = shared_parts(surveys);
    let [first, second] = subjects;
    [
        (surveys[0], surveys[1], first),
        (surveys[1], surveys[0], second),
    ]
    .map(|(survey, other, subject)| {
        let beside = Beside {
            shared: &shared,
            other,
        };
        assemble(survey, terminated, wanted, Some(beside), subject)
    })
}

/// The stretches that both surveys cover, ascending.
fn shared_parts([first, second]: [&Survey; 2]) -> Vec<Part> {
    let mut parts: Vec<Part> = Vec::new();
    for a in &first.tunings {
        for b in &second.tunings {
            let shared = a.stretch.shared(b.stretch);
            if shared.width_hz() > 0.0 {
                parts.push(Part {
                    low_hz: shared.low_hz,
                    high_hz: shared.high_hz,
                });
            }
        }
    }
    parts.sort_by(|a, b| a.low_hz.total_cmp(&b.low_hz));
    parts
}

/// What was set in a survey.
pub fn settings(survey: &Survey, plan: &Plan) -> Settings {
    Settings {
        plan: plan.name.clone(),
        sample_rate_hz: survey.about.sample_rate.0,
        dwell_s: survey.dwell_s,
        gains_db: survey
            .tunings
            .iter()
            .filter_map(|tuning| Some((tuning.centre_hz, tuning.gain_db?)))
            .collect(),
    }
}

/// The tunings' spectra side by side on an even grid, the passband's slope divided out; `None` where there is nothing.
fn trace(survey: &Survey, densities: &[Vec<f64>], flat: &FlatField) -> Option<Trace> {
    let rate_hz = survey.about.sample_rate.0;
    let answering = || {
        survey
            .tunings
            .iter()
            .zip(densities)
            .filter(|(tuning, _)| tuning.stretch.width_hz() > 0.0)
    };
    let low_hz = answering().next()?.0.stretch.low_hz;
    let high_hz = answering().next_back()?.0.stretch.high_hz;
    let mut step_hz = TRACE_STEP_HZ;
    while (high_hz - low_hz) / step_hz > TRACE_MOST {
        step_hz *= 2.0;
    }
    let first_cell = (low_hz / step_hz).round();
    let cells = ((high_hz / step_hz).round() - first_cell) as usize;
    let mut dbfs_per_mhz = vec![None; cells];
    // What a clipped tuning shows is no spectrum.
    let sound = |tuning: &TuningSpectrum| !tuning.amplitude.clipping().clipped;
    for (tuning, densities) in answering().filter(|(tuning, _)| sound(tuning)) {
        let length = densities.len();
        let density = |bin: usize| densities[bin] / flat.gain(bin, length);
        // A cell belongs to the tuning that answers for its middle.
        let cell_of = |hz: f64| (hz / step_hz - first_cell - 0.5).ceil().max(0.0) as usize;
        let end = cell_of(tuning.stretch.high_hz);
        let start = cell_of(tuning.stretch.low_hz);
        for (cell, level) in dbfs_per_mhz.iter_mut().enumerate().take(end).skip(start) {
            let low_hz = (first_cell + cell as f64) * step_hz;
            let stretch = Stretch {
                low_hz,
                high_hz: low_hz + step_hz,
            };
            let power = integrate(density, length, tuning.centre_hz, rate_hz, stretch);
            *level = (power > 0.0).then(|| (10.0 * (power / step_hz * 1e6).log10()) as f32);
        }
    }
    Some(Trace {
        first_hz: (first_cell + 0.5) * step_hz,
        step_hz,
        dbfs_per_mhz,
    })
}
