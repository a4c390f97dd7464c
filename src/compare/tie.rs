//! Antennas of different days, tied together by one that was taken on both.
//!
//! Between days the receiver, its gain and the stations' powers may change. An antenna that stood there on both days saw the
//! same changes: `(A − tie)` of the one day less `(B − tie)` of the other is A − B without them. Each half is compared as two
//! antennas are; their errors are independent and add up, with one more for the tie itself, which may not be the same
//! antenna on both days, or not be put up in the same way ([`TieOptions::steadiness_db`]).
//!
//! Where both halves are strong the law of the sum is the convolution of both and a normal law (`tie_law`); where one is
//! weak, or a bound, by the most likely pair (`tie_curve`). Holm's step-down goes over the channels, as ever.

use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

use super::comparison::{compare, conclude, measure_knowing};
use super::difference::Known;
use super::meaning;
use super::refusal::{CompareError, Options, check_one_place, check_options};
use super::tie_channel::{channel, not_comparable, nothing};
use super::tie_session::{Session, day, days, sessions};
use super::types::{Basis, ChannelComparison, Comparison};
use super::verdicts::{decide, summary};
use crate::reading::Take;

/// What is asked of a comparison over time.
#[derive(Debug, Clone, PartialEq)]
pub struct TieOptions {
    /// Standard uncertainty in dB, channel by channel, with which the tie is the same antenna on both days: put up, turned
    /// and connected in the same way, nothing bent. 0.5 dB is an assumption, no standard's figure: measure your own by
    /// putting the tie up anew five times in one session.
    pub steadiness_db: f64,
    /// Takes further apart than this belong to different sessions.
    pub session: SignedDuration,
}

impl Default for TieOptions {
    fn default() -> Self {
        TieOptions {
            steadiness_db: 0.5,
            session: SignedDuration::from_hours(6),
        }
    }
}

/// Why antennas of different days can't be compared.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TieError {
    /// As for two antennas.
    #[error(transparent)]
    Compare(#[from] CompareError),
    /// The tie is one of the antennas compared.
    #[error(
        "the tie {tie:?} is one of the antennas compared: name another that was taken on both days"
    )]
    Itself {
        /// Its name.
        tie: String,
    },
    /// No session has takes of both the antenna and the tie.
    #[error(
        "no take of the tie {tie:?} in a session with {antenna:?} ({antenna_days}); the tie was taken on {tie_days}: take it \
         on the day of the antenna, name another tie, or allow longer sessions"
    )]
    NoTie {
        /// The tie.
        tie: String,
        /// The antenna.
        antenna: String,
        /// The days of its takes.
        antenna_days: String,
        /// The days of the tie's.
        tie_days: String,
    },
}

/// The session in which one of the antennas was taken beside the tie.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Occasion {
    /// The antenna.
    pub antenna: String,
    /// When the session's first take was made.
    pub from: Timestamp,
    /// When its last was.
    pub to: Timestamp,
}

/// A against B on different days, by a tie.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TiedComparison {
    /// The tie's name.
    pub tie: String,
    /// Standard uncertainty in dB allowed for the tie itself.
    pub tie_steadiness_db: f64,
    /// A's session and B's.
    pub occasions: [Occasion; 2],
    /// A less the tie in A's session, B less the tie in B's.
    pub halves: [Comparison; 2],
    /// A less B. The levels of either side are those of its own day, and not to be held against each other.
    #[serde(flatten)]
    pub comparison: Comparison,
}

/// A comparison over time.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(untagged)]
pub enum OverTime {
    /// A and B were taken in one session: compared with each other, without the tie.
    Direct(Box<Comparison>),
    /// Compared by the tie.
    Tied(Box<TiedComparison>),
}

/// Compares A with B by the takes of a third antenna that was taken beside each of them.
///
/// Of each antenna the latest session counts in which the tie was taken too: an antenna keeps its name when it is rebuilt, so
/// older takes may be of another one. Where A and B share a session they are compared directly, by the latest such.
/// Gains, sample rate and dwell need only agree within a session.
///
/// # Errors
/// [`TieError`]: as [`compare`] within a session; and where spot or channel plan differ, or the tie has no takes beside an
/// antenna's.
pub fn compare_over_time(
    a: &[Take],
    b: &[Take],
    tie: &[Take],
    options: &Options,
    tie_options: &TieOptions,
) -> Result<OverTime, TieError> {
    check_options(options)?;
    check_tie_options(tie_options)?;
    for (side, takes) in [("A", a), ("B", b), ("the tie", tie)] {
        if takes.is_empty() {
            return Err(CompareError::NoTakes { side }.into());
        }
    }
    let tie_name = &tie[0].antenna;
    if [a, b].iter().any(|takes| takes[0].antenna == *tie_name) {
        return Err(TieError::Itself {
            tie: tie_name.clone(),
        });
    }
    check_one_place(&[a, b, tie])?;
    let all = sessions([a, b, tie], tie_options.session);
    if let Some(shared) = all.iter().rev().find(|one| one.has(0) && one.has(1)) {
        return Ok(OverTime::Direct(Box::new(direct(shared, a, b, options)?)));
    }
    let mut halves = Vec::new();
    for (place, antenna) in [a, b].into_iter().enumerate() {
        let session =
            (all.iter().rev().find(|one| one.has(place) && one.has(2))).ok_or_else(|| {
                TieError::NoTie {
                    tie: tie_name.clone(),
                    antenna: antenna[0].antenna.clone(),
                    antenna_days: days(antenna),
                    tie_days: days(tie),
                }
            })?;
        halves.push(Half::measure(session, place, options)?);
    }
    let [one, two] =
        <[Half; 2]>::try_from(halves).map_err(|_| CompareError::TooFewAntennas { count: 1 })?;
    let left_out = left_out([a, b], [&one, &two]);
    Ok(OverTime::Tied(Box::new(tied(
        one,
        two,
        left_out,
        options,
        tie_options,
    ))))
}

fn check_tie_options(options: &TieOptions) -> Result<(), CompareError> {
    let wrong = |option, value: String, must| {
        Err(CompareError::Option {
            option,
            value,
            must,
        })
    };
    if !(options.steadiness_db >= 0.0 && options.steadiness_db.is_finite()) {
        let value = options.steadiness_db.to_string();
        return wrong("the tie's steadiness", value, "0 dB or more");
    }
    if options.session <= SignedDuration::ZERO {
        let value = format!("{:#}", options.session);
        return wrong("the length of a session", value, "longer than nothing");
    }
    Ok(())
}

fn direct(
    session: &Session,
    a: &[Take],
    b: &[Take],
    options: &Options,
) -> Result<Comparison, CompareError> {
    let mut comparison = compare(session.takes(0), session.takes(1), options)?;
    let others = a.len() + b.len() - session.takes(0).len() - session.takes(1).len();
    let mut said = format!(
        "{} and {} were taken in one session ({}): compared with each other, which is better than by a tie.",
        comparison.a,
        comparison.b,
        session.when()
    );
    if others > 0 {
        said += &format!(" {others} take(s) of other sessions are left out.");
    }
    comparison.remarks.insert(0, said);
    Ok(comparison)
}

/// One antenna less the tie in one session.
pub(super) struct Half {
    pub comparison: Comparison,
    known: Vec<Option<Known>>,
    pub occasion: Occasion,
    pub when: String,
}

impl Half {
    fn measure(session: &Session, place: usize, options: &Options) -> Result<Half, CompareError> {
        let (antenna, tie) = (session.takes(place), session.takes(2));
        let (mut comparison, known) = measure_knowing(antenna, tie, options)?;
        decide(comparison.channels.iter_mut(), options);
        conclude(&mut comparison);
        Ok(Half {
            occasion: Occasion {
                antenna: comparison.a.clone(),
                from: session.from,
                to: session.to,
            },
            when: day(session.from),
            comparison,
            known,
        })
    }

    pub fn find(&self, one: &ChannelComparison) -> Option<(&ChannelComparison, Option<&Known>)> {
        let channels = &self.comparison.channels;
        let place = channels
            .iter()
            .position(|other| other.channel == one.channel)?;
        Some((&channels[place], self.known[place].as_ref()))
    }
}

fn left_out(all: [&[Take]; 2], halves: [&Half; 2]) -> Vec<String> {
    (all.into_iter().zip(halves))
        .filter(|(takes, half)| takes.len() > half.comparison.takes_a)
        .map(|(takes, half)| {
            format!(
                "Of {} only the latest session with the tie is used ({}); {} take(s) of other sessions are left out: name a day \
                 as {}@{} to choose another.",
                half.occasion.antenna,
                half.when,
                takes.len() - half.comparison.takes_a,
                half.occasion.antenna,
                half.when
            )
        })
        .collect()
}

fn tied(
    one: Half,
    two: Half,
    left_out: Vec<String>,
    options: &Options,
    tie_options: &TieOptions,
) -> TiedComparison {
    let tie = one.comparison.b.clone();
    let same = one.comparison.a == two.comparison.a;
    let name = |half: &Half| {
        if same {
            format!("{} of {}", half.comparison.a, half.when)
        } else {
            half.comparison.a.clone()
        }
    };
    let mut channels: Vec<ChannelComparison> = (one.comparison.channels.iter())
        .zip(&one.known)
        .map(|(first, known)| channel(first, known.as_ref(), &one, &two, options, tie_options))
        .collect();
    for only in &two.comparison.channels {
        if one.find(only).is_none() {
            let reason = format!(
                "the channel is not in {}'s takes of {}",
                name(&one),
                one.when
            );
            let mut none = not_comparable(only, reason);
            (none.a, none.b) = (nothing(), only.a.clone());
            channels.push(none);
        }
    }
    channels.sort_by(|p, q| p.low_hz.total_cmp(&q.low_hz));
    decide(channels.iter_mut(), options);
    for one in &mut channels {
        // Nobody goes back to make more takes of a day gone by.
        (one.further_blocks, one.beyond_repeats) = (None, false);
    }
    let basis = |half: &Half| half.comparison.basis;
    let mut comparison = Comparison {
        a: name(&one),
        b: name(&two),
        spot: one.comparison.spot.clone(),
        plan: one.comparison.plan.clone(),
        confidence: options.confidence,
        verdict_level: options.level(),
        basis: if basis(&one) == basis(&two) {
            basis(&one)
        } else {
            Basis::Unpaired
        },
        takes_a: one.comparison.takes_a,
        takes_b: two.comparison.takes_a,
        blocks: one.comparison.blocks.min(two.comparison.blocks),
        remarks: remarks(&one, &two, left_out, &tie, tie_options),
        summary: summary(&channels),
        channels,
        meaning: Vec::new(),
    };
    comparison.meaning = meaning::tied_sentences(&comparison, &tie, [&one.when, &two.when]);
    TiedComparison {
        tie,
        tie_steadiness_db: tie_options.steadiness_db,
        occasions: [one.occasion, two.occasion],
        halves: [one.comparison, two.comparison],
        comparison,
    }
}

fn remarks(
    one: &Half,
    two: &Half,
    left_out: Vec<String>,
    tie: &str,
    options: &TieOptions,
) -> Vec<String> {
    let mut remarks = vec![format!(
        "By the tie {tie}: what changes alike for {tie} and the antenna beside it, such as the receiver's gain and a station's \
         power, cancels. A station that changed its pattern or its place, new houses or trees, or fading by direction, cancel \
         only as far as {tie} receives that station in the same way."
    )];
    remarks.push(format!(
        "That {tie} was the same on both days, put up in the same way, is known to {} dB (standard uncertainty{}).",
        options.steadiness_db,
        if *options == TieOptions::default() {
            ", an assumption: --tie-steadiness"
        } else {
            ""
        }
    ));
    remarks.extend(left_out);
    for half in [one, two] {
        let own = half.comparison.remarks.iter();
        remarks.extend(own.map(|remark| {
            format!(
                "{} and {tie}, {}: {remark}",
                half.occasion.antenna, half.when
            )
        }));
    }
    remarks
}
