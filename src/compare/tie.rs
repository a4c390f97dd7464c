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

use super::budget::{BudgetRow, Evaluation, combine};
use super::comparison::{compare, conclude, measure_knowing};
use super::difference::Known;
use super::meaning;
use super::refusal::{CompareError, Options, check_one_place, check_options};
use super::tie_curve::Both;
use super::tie_law::SumLaw;
use super::tie_session::{Session, day, days, sessions};
use super::types::{Averaging, Basis, ChannelComparison, Comparison, Side, Verdict};
use super::verdicts::{decide, summary};
use crate::reading::Take;
use crate::statistics::truncated;

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
struct Half {
    comparison: Comparison,
    known: Vec<Option<Known>>,
    occasion: Occasion,
    when: String,
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

    fn find(&self, one: &ChannelComparison) -> Option<(&ChannelComparison, Option<&Known>)> {
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

/// One channel, A − tie and B − tie put together.
fn channel(
    first: &ChannelComparison,
    known: Option<&Known>,
    one: &Half,
    two: &Half,
    options: &Options,
    tie_options: &TieOptions,
) -> ChannelComparison {
    let Some((second, other)) = two.find(first) else {
        let antenna = &two.occasion.antenna;
        let reason = format!("the channel is not in {antenna}'s takes of {}", two.when);
        return not_comparable(first, reason);
    };
    let reasons: Vec<String> = [(first, one), (second, two)]
        .into_iter()
        .filter_map(|(channel, half)| {
            let reason = channel.reason.as_ref()?;
            Some(format!(
                "{}, A the antenna and B the tie: {reason}",
                half.when
            ))
        })
        .collect();
    let reason = (!reasons.is_empty()).then(|| reasons.join("; "));
    let mut joined = not_comparable(first, String::new());
    joined.b = second.a.clone();
    joined.reason = reason;
    let (Some(known), Some(other)) = (known, other) else {
        return joined;
    };
    joined.method = first.method.max(second.method);
    if first.method != second.method {
        let said = format!("by {} then, by {} now", word(first), word(second));
        joined.reason = Some(
            joined
                .reason
                .map_or(said.clone(), |known| format!("{known}; {said}")),
        );
    }
    joined.verdict = Verdict::Undecided;
    joined.blocks = first.blocks.min(second.blocks);
    joined.budget = budget(first, second, one, two, tie_options);
    let combined = combine(&mut joined.budget);
    joined.budget.sort_by(|p, q| q.share.total_cmp(&p.share));
    let difference_db = first
        .difference_db
        .zip(second.difference_db)
        .map(|(a, b)| a - b);
    let cn = first.cn_difference_db.zip(second.cn_difference_db);
    joined.cn_difference_db = cn.map(|(a, b)| a - b);
    let steadiness_db = tie_options.steadiness_db;
    if let (
        Known::Law { law, .. },
        Known::Law {
            law: second_law, ..
        },
        Some(difference_db),
    ) = (known, other, difference_db)
    {
        let law = SumLaw::new(law, second_law, steadiness_db);
        let half_db = law.half_width(options.confidence);
        joined.averaging = Some(Averaging::Decibels);
        joined.difference_db = Some(difference_db);
        joined.low_db = Some(difference_db - half_db);
        joined.high_db = Some(difference_db + half_db);
        joined.p = Some(law.two_sided(difference_db));
    } else {
        let both = Both::new(known, other, steadiness_db);
        let [low_db, high_db] = both.interval(difference_db, options.confidence);
        // An end that a half doesn't give, for want of a signal, the difference doesn't have either.
        joined.low_db = low_db.filter(|_| first.low_db.is_some() && second.high_db.is_some());
        joined.high_db = high_db.filter(|_| first.high_db.is_some() && second.low_db.is_some());
        joined.averaging = Some(Averaging::Linear);
        joined.p = Some(both.p());
        if joined.low_db.is_some() && joined.high_db.is_some() {
            joined.difference_db = difference_db;
        }
    }
    if joined.difference_db.is_some() {
        joined.standard_uncertainty_db = Some(combined.standard_uncertainty_db);
        joined.degrees_of_freedom = Some(truncated(combined.effective_degrees_of_freedom));
    }
    joined
}

fn word(channel: &ChannelComparison) -> String {
    (channel.method).map_or_else(String::new, |method| method.to_string())
}

/// The rows of both halves, each with its day, and the tie's own.
fn budget(
    first: &ChannelComparison,
    second: &ChannelComparison,
    one: &Half,
    two: &Half,
    options: &TieOptions,
) -> Vec<BudgetRow> {
    let mut rows = Vec::new();
    for (channel, half, sign) in [(first, one, 1.0), (second, two, -1.0)] {
        for row in &channel.budget {
            let mut row = row.clone();
            let of = format!(
                "{} (A) and tie {} (B)",
                half.occasion.antenna, half.comparison.b
            );
            row.source = format!("{}, {of}: {}", half.when, row.source);
            row.sensitivity *= sign;
            rows.push(row);
        }
    }
    let assumed = if options.steadiness_db == TieOptions::default().steadiness_db {
        ", assumed"
    } else {
        ""
    };
    let source = format!("tie {} the same on both days{assumed}", one.comparison.b);
    rows.push(BudgetRow::new(
        source,
        Evaluation::B,
        options.steadiness_db,
        f64::INFINITY,
        1.0,
    ));
    rows
}

/// A channel without a difference.
fn not_comparable(like: &ChannelComparison, reason: String) -> ChannelComparison {
    ChannelComparison {
        b: nothing(),
        method: None,
        averaging: None,
        difference_db: None,
        low_db: None,
        high_db: None,
        standard_uncertainty_db: None,
        degrees_of_freedom: None,
        p: None,
        p_adjusted: None,
        cn_difference_db: None,
        cn_p: None,
        further_blocks: None,
        beyond_repeats: false,
        verdict: Verdict::NotComparable,
        reason: Some(reason),
        budget: Vec::new(),
        blocks: 0,
        ..like.clone()
    }
}

/// A side of which nothing is known.
fn nothing() -> Side {
    Side {
        takes: 0,
        covered: 0.0,
        signal_dbfs: None,
        signal_upper_dbfs: None,
        pilot_dbfs: None,
        identity: None,
        path: None,
        sigma_sp_db: None,
        noise_dbfs: None,
        cn_db: None,
        margin_db: None,
        state: None,
    }
}
