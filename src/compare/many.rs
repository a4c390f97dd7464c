//! More than two antennas: each against a reference, or all against all, with one correction over everything.
//!
//! Every pair is compared as two antennas are. Holm's step-down then runs once over the probabilities of all pairs and
//! channels together, so that the chance of any wrong verdict among all of them stays at 1 − confidence. That pairs share
//! takes, and channels share matings and drift, makes their errors dependent; the step-down needs no independence, since
//! it rests on Bonferroni's inequality alone (S. Holm, Scandinavian Journal of Statistics 6, 1979, theorem 3.1). The price
//! is width: a verdict among 1225 pairs asks for more than one between two antennas. Intervals stay what they are for one
//! difference, at the level of confidence each, to five digits.

use std::num::NonZero;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

use serde::Serialize;

use super::comparison::{conclude, measure};
use super::law::Widths;
use super::merit::{self, Merit};
use super::refusal::{CompareError, Options, check_options};
use super::types::Comparison;
use super::verdicts::decide;
use crate::reading::Take;

/// What is put against what.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Against {
    /// Every antenna against the one at this place: fewer verdicts, and so sharper ones.
    Reference(usize),
    /// Every antenna against every other; differences are shown against the one at this place.
    AllPairs {
        /// The place of the antenna that differences are shown against.
        reference: usize,
    },
}

impl Against {
    /// The place of the reference.
    pub fn reference(self) -> usize {
        match self {
            Against::Reference(place) | Against::AllPairs { reference: place } => place,
        }
    }
}

/// Two antennas that could not be compared.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RefusedPair {
    /// A's name.
    pub a: String,
    /// B's name.
    pub b: String,
    /// Why, and what to do.
    pub reason: String,
}

/// Several antennas at one spot, compared with each other.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ManyComparison {
    /// The antennas, in the order given.
    pub antennas: Vec<String>,
    /// The antenna that differences are shown against.
    pub reference: String,
    /// Whether all were compared with all, and not with the reference alone.
    pub all_pairs: bool,
    /// The spot, where it is known.
    pub spot: Option<String>,
    /// The channel plan's name.
    pub plan: String,
    /// Level of each interval, 0.95.
    pub confidence: f64,
    /// Level of all verdicts together.
    pub verdict_level: f64,
    /// Over how many differences (pairs × channels with a probability) the verdicts were corrected.
    pub corrected_over: usize,
    /// The table of merit, the best first.
    pub merits: Vec<Merit>,
    /// The pairs, each as two antennas are compared; where the reference is in one, it is B.
    pub pairs: Vec<Comparison>,
    /// Pairs that could not be compared.
    pub refused: Vec<RefusedPair>,
    /// What to bear in mind: sentences.
    pub remarks: Vec<String>,
    /// What it means: sentences made from the numbers.
    pub meaning: Vec<String>,
}

impl ManyComparison {
    /// The comparison of an antenna with the reference; `None` for the reference itself and where it was refused.
    pub fn with_reference(&self, antenna: &str) -> Option<&Comparison> {
        (self.pairs.iter()).find(|pair| pair.a == antenna && pair.b == self.reference)
    }
}

/// Compares several antennas by their takes at one spot, one group of takes an antenna.
///
/// Each antenna must have a name of its own. Pairs that can't be compared ([`ManyComparison::refused`]) leave the others
/// as they are. The work is shared among the machine's processors; the result doesn't depend on how.
///
/// # Errors
/// [`CompareError`] where there are fewer than two antennas, where one has no takes or the name of another, where the
/// reference is none of them, where an option makes no sense, or, by the first pair's, where no pair can be compared.
pub fn compare_many(
    groups: &[Vec<Take>],
    against: Against,
    options: &Options,
) -> Result<ManyComparison, CompareError> {
    check_options(options)?;
    let antennas = names(groups)?;
    let reference = against.reference();
    if groups.len() < 2 || reference >= groups.len() {
        return Err(CompareError::TooFewAntennas {
            count: groups.len(),
        });
    }
    let wanted = wanted(groups.len(), against);
    let (mut pairs, mut refused) = (Vec::with_capacity(wanted.len()), Vec::new());
    let mut first_error = None;
    let measured = shared_out(&wanted, |&(a, b)| {
        measure(&groups[a], &groups[b], options, Widths::Tabulated)
    });
    for (&(a, b), result) in wanted.iter().zip(measured) {
        match result {
            Ok(pair) => pairs.push(pair),
            Err(error) => {
                refused.push(RefusedPair {
                    a: antennas[a].clone(),
                    b: antennas[b].clone(),
                    reason: error.to_string(),
                });
                first_error.get_or_insert(error);
            }
        }
    }
    let Some(first) = pairs.first() else {
        return Err(first_error.unwrap_or(CompareError::TooFewAntennas { count: 0 }));
    };
    let (plan, spot) = (
        first.plan.clone(),
        pairs.iter().find_map(|p| p.spot.clone()),
    );
    decide(pairs.iter_mut().flat_map(|p| &mut p.channels), options);
    for pair in &mut pairs {
        conclude(pair);
    }
    let tested = |pair: &Comparison| pair.channels.iter().filter(|c| c.p.is_some()).count();
    let mut many = ManyComparison {
        reference: antennas[reference].clone(),
        antennas,
        all_pairs: matches!(against, Against::AllPairs { .. }),
        spot,
        plan,
        confidence: options.confidence,
        verdict_level: options.level(),
        corrected_over: pairs.iter().map(tested).sum(),
        merits: Vec::new(),
        pairs,
        refused,
        remarks: Vec::new(),
        meaning: Vec::new(),
    };
    many.merits = merit::table(&many);
    many.remarks = merit::remarks(&many);
    many.meaning = merit::sentences(&many);
    Ok(many)
}

/// The antennas' names.
fn names(groups: &[Vec<Take>]) -> Result<Vec<String>, CompareError> {
    let mut names: Vec<String> = Vec::with_capacity(groups.len());
    for (place, takes) in groups.iter().enumerate() {
        let first = (takes.first()).ok_or(CompareError::NoTakesOf { place: place + 1 })?;
        if names.contains(&first.antenna) {
            return Err(CompareError::NamedTwice {
                antenna: first.antenna.clone(),
            });
        }
        names.push(first.antenna.clone());
    }
    Ok(names)
}

/// The pairs to be compared, in the order of the antennas; the reference stands second in its own.
fn wanted(count: usize, against: Against) -> Vec<(usize, usize)> {
    let reference = against.reference();
    match against {
        Against::Reference(_) => (0..count)
            .filter(|&place| place != reference)
            .map(|place| (place, reference))
            .collect(),
        Against::AllPairs { .. } => (0..count)
            .flat_map(|a| (a + 1..count).map(move |b| (a, b)))
            .map(|(a, b)| if a == reference { (b, a) } else { (a, b) })
            .collect(),
    }
}

/// Runs `work` on each item on all processors; results in the order of the items.
fn shared_out<I: Sync, R: Send>(items: &[I], work: impl Fn(&I) -> R + Sync) -> Vec<R> {
    let workers = thread::available_parallelism()
        .map_or(1, NonZero::get)
        .min(items.len());
    if workers < 2 {
        return items.iter().map(work).collect();
    }
    let next = AtomicUsize::new(0);
    let mut results: Vec<(usize, R)> = thread::scope(|scope| {
        let run = || {
            let mut done = Vec::new();
            loop {
                let place = next.fetch_add(1, Ordering::Relaxed);
                let Some(item) = items.get(place) else {
                    return done;
                };
                done.push((place, work(item)));
            }
        };
        let handles: Vec<_> = (0..workers).map(|_| scope.spawn(run)).collect();
        (handles.into_iter())
            .flat_map(|handle| {
                (handle.join()).unwrap_or_else(|panic| std::panic::resume_unwind(panic))
            })
            .collect()
    });
    results.sort_by_key(|&(place, _)| place);
    results.into_iter().map(|(_, result)| result).collect()
}
