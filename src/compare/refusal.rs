//! What is asked of a comparison, and when it is refused.

use jiff::SignedDuration;

use super::blocks::{Arrangement, Unit};
use crate::reading::Take;

/// What is asked of a comparison, and what is known beforehand (type B) of its errors.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// Probability that the interval holds the true difference; also sets the level of the verdicts, 1 − confidence
    /// over all channels together, where that isn't set by itself.
    pub confidence: f64,
    /// Level of the verdicts over all channels together, where it is another than 1 − confidence: what a look at takes
    /// that are still being made may spend. 0 gives no verdicts.
    pub verdict_level: Option<f64>,
    /// Standard uncertainty of one mating of a connector, in dB. 0.1 dB is common practice, no standard's figure:
    /// measure your own by mating one antenna ten times.
    ///
    /// It is used twice. What is the same in all matings of an antenna (its plug, its cable's run) is never shown by
    /// repeats: it stands in every budget once, on the difference. What differs from mating to mating is shown by the
    /// spread of repeats, and stands in the budget by itself, once a mating, only where there are none.
    pub mating_db: f64,
    /// Standard uncertainty, in dB, of one take's level from what changes between takes (drift, fading, people moving
    /// about), used only where repeats don't show it: where there are none, or where all takes of one antenna lie
    /// together in time (there what single takes show to vary counts where it is more, unless this is 0). 0.25 dB is an
    /// assumption for an antenna indoors that nobody walks past, no standard's figure.
    /// With people about it is several times that, and then a comparison without repeats is often wrong: take blocks.
    pub unsteadiness_db: f64,
    /// Standard uncertainty, in dB, with which a difference between two pilots stands for that of their channels: the pilot
    /// is one frequency, and where echoes fade it the rest of the channel does not fade with it. No repeat at the same spot
    /// shows that.
    ///
    /// 0.5 dB is an assumption, no standard's figure. It belongs to spectral amplitudes that spread by 0.5 dB (σ_sp, the
    /// middle of a Gaussian channel in Recommendation ITU-R SM.1875) and are half alike with both antennas: the spread of
    /// the difference is then √2·√(1 − ½) = 1 times σ_sp. Deep in a building it is several times that. Where stronger
    /// channels of the same takes show more, that counts.
    pub selective_fading_db: f64,
    /// Unequal gains are refused, unless this is given: the standard uncertainty in dB with which a difference between
    /// nominal gains is known. Levels are then corrected by the nominal difference.
    pub gain_step_db: Option<f64>,
    /// Takes put against each other may lie this far apart; `None` for any distance.
    pub max_apart: Option<SignedDuration>,
}

impl Default for Options {
    fn default() -> Self {
        Options {
            confidence: 0.95,
            verdict_level: None,
            mating_db: 0.1,
            unsteadiness_db: 0.25,
            selective_fading_db: 0.5,
            gain_step_db: None,
            max_apart: None,
        }
    }
}

/// Why takes can't be compared at all.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CompareError {
    /// One side has no takes.
    #[error(
        "no take of antenna {side}: make one with `gainsay take`, or name another antenna or spot"
    )]
    NoTakes {
        /// `A` or `B`.
        side: &'static str,
    },
    /// One of several antennas has no takes.
    #[error("no take of antenna number {place}: make one with `gainsay take`, or leave it out")]
    NoTakesOf {
        /// Its place among those given, from 1.
        place: usize,
    },
    /// One antenna is given twice.
    #[error("{antenna:?} is given more than once: name each antenna once")]
    NamedTwice {
        /// Its name.
        antenna: String,
    },
    /// Too few antennas for the comparison asked for.
    #[error("{count} antenna(s) given: name two or more, the reference among them")]
    TooFewAntennas {
        /// How many there are.
        count: usize,
    },
    /// Takes of several antennas on one side.
    #[error("{first} and {second} are of two antennas on side {side}: name one antenna a side")]
    TwoAntennas {
        /// `A` or `B`.
        side: &'static str,
        /// One take.
        first: String,
        /// The other.
        second: String,
    },
    /// A setting or the place differs between two takes.
    #[error("{what} differs: {first} has {}, {second} has {}; {advice}", .values[0], .values[1])]
    Differs {
        /// What differs.
        what: &'static str,
        /// One take.
        first: String,
        /// The other take.
        second: String,
        /// Their values, with their units.
        values: Box<[String; 2]>,
        /// What to do.
        advice: &'static str,
    },
    /// Takes put against each other lie further apart in time than asked.
    #[error(
        "{first} and {second} lie {apart:#} apart, further than the {asked:#} asked for: take A and B in turn, or allow more"
    )]
    TooFarApart {
        /// The earlier take.
        first: String,
        /// The later take.
        second: String,
        /// Time between them.
        apart: SignedDuration,
        /// Time allowed.
        asked: SignedDuration,
    },
    /// An option that makes no sense.
    #[error("{option} is {value}: it must be {must}")]
    Option {
        /// Its name.
        option: &'static str,
        /// The value given.
        value: String,
        /// What it must be.
        must: &'static str,
    },
}

/// Two gains count as equal within this much, in dB.
const GAIN_TOLERANCE_DB: f64 = 0.05;
/// Two tunings count as the same within this much, in hertz.
const TUNING_TOLERANCE_HZ: f64 = 1e3;
/// Two sample rates count as equal within this relative difference.
const RATE_TOLERANCE: f64 = 1e-4;
/// Two dwells count as equal within this relative difference.
const DWELL_TOLERANCE: f64 = 0.1;

/// A take's name in messages: its number in the logbook, else its source.
pub(super) fn label(take: &Take) -> String {
    match take.id {
        Some(id) => format!("take {id} ({:?})", take.antenna),
        None => format!("{} ({:?})", take.source, take.antenna),
    }
}

impl Options {
    /// Level of the verdicts: the chance of any wrong one among all channels.
    pub fn level(&self) -> f64 {
        self.verdict_level.unwrap_or(1.0 - self.confidence)
    }
}

/// Refuses options that make no sense.
pub(super) fn check_options(options: &Options) -> Result<(), CompareError> {
    let within = |option, value: f64, fits: bool, must| {
        if fits {
            Ok(())
        } else {
            Err(CompareError::Option {
                option,
                value: value.to_string(),
                must,
            })
        }
    };
    let dispersion = |option, value: f64| {
        within(
            option,
            value,
            value >= 0.0 && value.is_finite(),
            "0 dB or more",
        )
    };
    within(
        "confidence",
        options.confidence,
        (0.5..=0.9999).contains(&options.confidence),
        "between 0.5 and 0.9999",
    )?;
    if let Some(level) = options.verdict_level {
        within(
            "the level of verdicts",
            level,
            (0.0..=0.5).contains(&level),
            "between 0 and 0.5",
        )?;
    }
    dispersion("the mating uncertainty", options.mating_db)?;
    dispersion("the unsteadiness between takes", options.unsteadiness_db)?;
    dispersion("the selective fading", options.selective_fading_db)?;
    options.gain_step_db.map_or(Ok(()), |value| {
        dispersion("the gain step's uncertainty", value)
    })
}

/// Refuses takes that differ in what must be the same.
pub(super) fn check_takes(a: &[Take], b: &[Take], options: &Options) -> Result<(), CompareError> {
    for (side, takes) in [("A", a), ("B", b)] {
        let first = takes.first().ok_or(CompareError::NoTakes { side })?;
        if let Some(other) = takes.iter().find(|take| take.antenna != first.antenna) {
            return Err(CompareError::TwoAntennas {
                side,
                first: label(first),
                second: label(other),
            });
        }
    }
    let takes = || a.iter().chain(b);
    let (Some(first), placed, known) = (
        takes().next(),
        takes().find(|take| !take.spot.is_empty()),
        takes().find(|take| !take.settings.gains_db.is_empty()),
    ) else {
        return Ok(());
    };
    for other in takes() {
        if let Some(placed) = placed {
            check_spot(placed, other)?;
        }
        check_settings(first, other)?;
        if let (Some(known), None) = (known, options.gain_step_db) {
            check_gains(known, other)?;
        }
    }
    Ok(())
}

/// Refuses takes at different spots, or by different channel plans, whatever else is set.
pub(super) fn check_one_place(groups: &[&[Take]]) -> Result<(), CompareError> {
    let takes = || groups.iter().copied().flatten();
    let placed = takes().find(|take| !take.spot.is_empty());
    for other in takes() {
        if let Some(placed) = placed {
            check_spot(placed, other)?;
        }
        if let Some(first) = takes().next() {
            check_plan(first, other)?;
        }
    }
    Ok(())
}

fn check_plan(first: &Take, second: &Take) -> Result<(), CompareError> {
    if first.settings.plan == second.settings.plan {
        return Ok(());
    }
    let takes = [first, second];
    let values = takes.map(|take| format!("{:?}", take.settings.plan));
    differs(
        "the channel plan",
        takes,
        values,
        "compare takes made with one channel plan",
    )
}

fn differs<T>(
    what: &'static str,
    takes: [&Take; 2],
    values: [String; 2],
    advice: &'static str,
) -> Result<T, CompareError> {
    let [first, second] = takes.map(label);
    Err(CompareError::Differs {
        what,
        first,
        second,
        values: Box::new(values),
        advice,
    })
}

/// A spot that isn't stated differs from none.
fn check_spot(first: &Take, second: &Take) -> Result<(), CompareError> {
    if second.spot.is_empty() || first.spot == second.spot {
        return Ok(());
    }
    let values = [first, second].map(|take| format!("{:?}", take.spot));
    differs(
        "the spot",
        [first, second],
        values,
        "compare takes at one spot",
    )
}

fn check_settings(first: &Take, second: &Take) -> Result<(), CompareError> {
    let takes = [first, second];
    let settings = [&first.settings, &second.settings];
    let [one, two] = settings;
    check_plan(first, second)?;
    if (one.sample_rate_hz - two.sample_rate_hz).abs() > RATE_TOLERANCE * one.sample_rate_hz.abs() {
        let values = settings.map(|s| format!("{} S/s", s.sample_rate_hz));
        return differs("the sample rate", takes, values, "take both at one rate");
    }
    if (one.dwell_s - two.dwell_s).abs()
        > DWELL_TOLERANCE * one.dwell_s.abs().max(two.dwell_s.abs())
    {
        let values = settings.map(|s| format!("{:.1} ms", s.dwell_s * 1e3));
        return differs("the dwell", takes, values, "take both with one dwell");
    }
    Ok(())
}

fn check_gains(first: &Take, second: &Take) -> Result<(), CompareError> {
    for &(centre_hz, gain_db) in &first.settings.gains_db {
        let Some(other_db) = gain_at(second, centre_hz) else {
            continue;
        };
        if (gain_db - other_db).abs() > GAIN_TOLERANCE_DB {
            let values =
                [gain_db, other_db].map(|db| format!("{db:.1} dB at {:.3} MHz", centre_hz / 1e6));
            let advice = "take both with one gain plan, or state how well the gain step is known";
            return differs("the gain", [first, second], values, advice);
        }
    }
    Ok(())
}

fn gain_at(take: &Take, centre_hz: f64) -> Option<f64> {
    let near = |(hz, _): &&(f64, f64)| (hz - centre_hz).abs() <= TUNING_TOLERANCE_HZ;
    take.settings.gains_db.iter().find(near).map(|(_, db)| *db)
}

/// By how many dB `take`'s gain lies above `reference`'s in the tunings centred in `low_hz..high_hz`; 0 where either
/// doesn't say, `None` where it isn't the same in all of them.
pub(super) fn gain_above(take: &Take, reference: &Take, low_hz: f64, high_hz: f64) -> Option<f64> {
    let steps: Vec<f64> = (reference.settings.gains_db.iter())
        .filter(|(hz, _)| (low_hz..high_hz).contains(hz))
        .filter_map(|(hz, db)| Some(gain_at(take, *hz)? - db))
        .collect();
    let first = steps.first().copied().unwrap_or(0.0);
    if steps
        .iter()
        .any(|step| (step - first).abs() > GAIN_TOLERANCE_DB)
    {
        return None;
    }
    Some(if first.abs() > GAIN_TOLERANCE_DB {
        first
    } else {
        0.0
    })
}

/// Refuses takes that are put against each other and lie too far apart.
pub(super) fn check_apart(
    a: &[Take],
    b: &[Take],
    arrangement: &Arrangement,
    options: &Options,
) -> Result<(), CompareError> {
    let Some(asked) = options.max_apart else {
        return Ok(());
    };
    for unit in &arrangement.units {
        let Some((first, second)) = ends(a, b, unit) else {
            continue;
        };
        let apart = second.taken_at.duration_since(first.taken_at);
        if apart > asked {
            return Err(CompareError::TooFarApart {
                first: label(first),
                second: label(second),
                apart,
                asked,
            });
        }
    }
    Ok(())
}

/// The earliest and the latest take of a unit.
pub(super) fn ends<'t>(a: &'t [Take], b: &'t [Take], unit: &Unit) -> Option<(&'t Take, &'t Take)> {
    let takes = || {
        unit.a
            .iter()
            .map(|&i| &a[i])
            .chain(unit.b.iter().map(|&i| &b[i]))
    };
    Some((
        takes().min_by_key(|take| take.taken_at)?,
        takes().max_by_key(|take| take.taken_at)?,
    ))
}
