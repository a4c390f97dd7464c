//! What is asked of a rotation, and when it is refused.

use jiff::{SignedDuration, Timestamp};

use super::series::wrapped;
use crate::channels::ChannelId;
use crate::reading::{Bearing, Take};

/// What is asked of a rotation, and what is known beforehand (type B) of its errors.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// Probability that an interval holds the truth.
    pub confidence: f64,
    /// Standard uncertainty of one take's level in dB from what changes between takes, the aiming included. 0.25 dB is an
    /// assumption, as for comparisons; where the takes scatter more, that counts.
    pub unsteadiness_db: f64,
    /// The channels that the household wants; `None` for all that are found.
    pub wanted: Option<Vec<ChannelId>>,
    /// Draws for the intervals.
    pub draws: usize,
    /// Seed of the draws.
    pub seed: u64,
}

impl Default for Options {
    fn default() -> Self {
        Options {
            confidence: 0.95,
            unsteadiness_db: 0.25,
            wanted: None,
            draws: 500,
            seed: 1,
        }
    }
}

/// Why takes make no rotation.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TurnError {
    /// No take has a bearing.
    #[error("no take of a rotation: give takes their bearings with `gainsay turn --every 30`")]
    NoBearings,
    /// Too few bearings for a closed curve.
    #[error(
        "{bearings} bearing(s) make no pattern: take at least {LEAST_BEARINGS}, better twelve, one every 30°"
    )]
    TooFew {
        /// How many there are.
        bearings: usize,
    },
    /// All bearings on one side.
    #[error(
        "the bearings lie within {covered:.0}° of each other, so three quarters of the circle or more would be guessed: \
         take bearings all round"
    )]
    OneSide {
        /// Angle that holds them all, in degrees.
        covered: f64,
    },
    /// Takes that differ in what must be the same.
    #[error("{what} differs: {first} has {}, {second} has {}; {advice}", .values[0], .values[1])]
    Differs {
        /// What differs.
        what: &'static str,
        /// One take.
        first: String,
        /// The other take.
        second: String,
        /// Their values.
        values: Box<[String; 2]>,
        /// What to do.
        advice: &'static str,
    },
    /// A bearing that is no angle.
    #[error("{take}: its bearing is {degrees}, which is no angle from 0 to under 360 degrees")]
    NoAngle {
        /// The take.
        take: String,
        /// What is given.
        degrees: f64,
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

/// Fewer bearings make no pattern.
pub const LEAST_BEARINGS: usize = 4;
/// A wider gap is guessed across.
pub(super) const GUESSED_FROM_DEG: f64 = 90.0;
/// Two bearings count as the same within this much, in degrees.
const SAME_DEG: f64 = 0.5;
/// Two gains count as equal within this much, in dB.
const GAIN_TOLERANCE_DB: f64 = 0.05;
/// Two tunings count as the same within this much, in hertz.
const TUNING_TOLERANCE_HZ: f64 = 1e3;

/// A take's name in messages: its number in the logbook, else its source.
fn label(take: &Take) -> String {
    match take.id {
        Some(id) => format!("take {id}"),
        None => take.source.clone(),
    }
}

/// The takes that have a bearing, with it, in order of time.
///
/// # Errors
/// What [`TurnError`] lists, but for the options.
pub(super) fn turned(takes: &[Take]) -> Result<Vec<(&Take, &Bearing)>, TurnError> {
    let mut turned: Vec<(&Take, &Bearing)> = takes
        .iter()
        .filter_map(|take| Some((take, take.bearing.as_ref()?)))
        .collect();
    turned.sort_by_key(|(take, _)| take.taken_at);
    let (first, zero) = *turned.first().ok_or(TurnError::NoBearings)?;
    for &(take, bearing) in &turned {
        if !(0.0..360.0).contains(&bearing.degrees) {
            return Err(TurnError::NoAngle {
                take: label(take),
                degrees: bearing.degrees,
            });
        }
        check_same(
            "the antenna",
            [first, take],
            [&first.antenna, &take.antenna].map(|name| format!("{name:?}")),
            "turn one antenna at a time",
        )?;
        check_same(
            "the spot",
            [first, take],
            [&first.spot, &take.spot].map(|name| format!("{name:?}")),
            "turn it at one spot",
        )?;
        check_same(
            "what 0° is",
            [first, take],
            [&zero.from, &bearing.from].map(|name| format!("{name:?}")),
            "count all bearings from one and the same direction",
        )?;
        check_same(
            "the channel plan",
            [first, take],
            [&first.settings.plan, &take.settings.plan].map(|name| format!("{name:?}")),
            "take with one plan",
        )?;
        check_gains(first, take)?;
    }
    Ok(turned)
}

fn check_same(
    what: &'static str,
    takes: [&Take; 2],
    values: [String; 2],
    advice: &'static str,
) -> Result<(), TurnError> {
    if values[0] == values[1] {
        return Ok(());
    }
    let [first, second] = takes.map(label);
    Err(TurnError::Differs {
        what,
        first,
        second,
        values: Box::new(values),
        advice,
    })
}

fn check_gains(first: &Take, second: &Take) -> Result<(), TurnError> {
    match different_gain(first, second) {
        None => Ok(()),
        Some((centre_hz, gains)) => {
            let values = gains.map(|db| format!("{db:.1} dB at {:.3} MHz", centre_hz / 1e6));
            check_same(
                "the gain",
                [first, second],
                values,
                "take all bearings with one gain plan (--gains of the first take)",
            )
        }
    }
}

/// The first tuning at which two takes' gains differ: its centre in hertz and both gains in dB.
pub fn different_gain(first: &Take, second: &Take) -> Option<(f64, [f64; 2])> {
    (first.settings.gains_db.iter()).find_map(|&(centre_hz, gain_db)| {
        let near = |(hz, _): &&(f64, f64)| (hz - centre_hz).abs() <= TUNING_TOLERANCE_HZ;
        let (_, other_db) = second.settings.gains_db.iter().find(near)?;
        ((gain_db - other_db).abs() > GAIN_TOLERANCE_DB)
            .then_some((centre_hz, [gain_db, *other_db]))
    })
}

/// Bearings ascending, each once.
pub(super) fn distinct(bearings: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut sorted: Vec<f64> = bearings.map(wrapped).collect();
    sorted.sort_by(f64::total_cmp);
    sorted.dedup_by(|a, b| (*a - *b).abs() < SAME_DEG);
    if sorted.len() > 1 && sorted[0] + 360.0 - sorted[sorted.len() - 1] < SAME_DEG {
        sorted.pop();
    }
    sorted
}

/// Whether two bearings are the same.
pub fn same_bearing(a_deg: f64, b_deg: f64) -> bool {
    super::series::turn_between(a_deg, b_deg).abs() < SAME_DEG
}

/// The widest gap between neighbours of ascending bearings, in degrees.
pub(super) fn widest_gap(bearings: &[f64]) -> f64 {
    let following = bearings.iter().skip(1).chain(bearings.first());
    (bearings.iter().zip(following))
        .map(|(a, b)| (b - a).rem_euclid(360.0))
        .map(|gap| if gap == 0.0 { 360.0 } else { gap })
        .fold(0.0, f64::max)
}

/// Refuses too few bearings, and bearings on one side.
pub(super) fn check_bearings(bearings: &[f64]) -> Result<(), TurnError> {
    if bearings.len() < LEAST_BEARINGS {
        return Err(TurnError::TooFew {
            bearings: bearings.len(),
        });
    }
    let covered = 360.0 - widest_gap(bearings);
    if covered < 90.0 {
        return Err(TurnError::OneSide { covered });
    }
    Ok(())
}

/// Refuses options that make no sense.
pub(super) fn check_options(options: &Options) -> Result<(), TurnError> {
    let refuse = |option, value: String, must| {
        Err(TurnError::Option {
            option,
            value,
            must,
        })
    };
    if !(0.5..=0.99).contains(&options.confidence) {
        let must = "between 0.5 and 0.99";
        return refuse("confidence", options.confidence.to_string(), must);
    }
    if !(options.unsteadiness_db >= 0.0 && options.unsteadiness_db <= 10.0) {
        let value = options.unsteadiness_db.to_string();
        return refuse("the unsteadiness between takes", value, "0 to 10 dB");
    }
    if options.draws < 100 {
        return refuse(
            "the number of draws",
            options.draws.to_string(),
            "100 or more",
        );
    }
    Ok(())
}

/// What the note of a guided rotation's takes begins with, so that another rotation soon after it is told from it.
const MARK: &str = "rotation of ";

/// The mark of a rotation that began at this time.
pub fn mark(begins: Timestamp) -> String {
    format!("{MARK}{begins:.3}")
}

/// The mark in a take's note, unless somebody has written another note.
pub fn mark_of(take: &Take) -> Option<&str> {
    let from = take.note.find(MARK)?;
    let marked = &take.note[from..];
    let time = marked[MARK.len()..].split([' ', ';', ',']).next()?;
    Some(&marked[..MARK.len() + time.len()])
}

/// Takes apart by rotation: sorted by time, a new one begins after a pause longer than `pause`, where 0° is another
/// direction, or where the takes' marks say so. Takes without a bearing are left out.
pub fn rotations(takes: Vec<Take>, pause: SignedDuration) -> Vec<Vec<Take>> {
    let mut turned: Vec<Take> = (takes.into_iter())
        .filter(|take| take.bearing.is_some())
        .collect();
    turned.sort_by_key(|take| take.taken_at);
    let mut rotations: Vec<Vec<Take>> = Vec::new();
    for take in turned {
        let goes_on = rotations.last().and_then(|r| r.last()).is_some_and(|last| {
            let from = |take: &Take| take.bearing.as_ref().map(|b| b.from.clone());
            let mark = rotations
                .last()
                .and_then(|r| r.iter().rev().find_map(mark_of));
            let marks_agree = mark.zip(mark_of(&take)).is_none_or(|(a, b)| a == b);
            let pause_is_short = take.taken_at.duration_since(last.taken_at) <= pause;
            pause_is_short && from(&take) == from(last) && marks_agree
        });
        match rotations.last_mut() {
            Some(rotation) if goes_on => rotation.push(take),
            _ => rotations.push(vec![take]),
        }
    }
    rotations
}

/// Takes the takes of rotations out, and says how many there were: they look where no other take looks, so a comparison of
/// antennas leaves them out.
pub fn leave_out_turned(takes: &mut Vec<Take>) -> usize {
    let before = takes.len();
    takes.retain(|take| take.bearing.is_none());
    before - takes.len()
}
