//! The whole comparison: every channel, Holm's step-down over them, the summary.

use std::collections::HashSet;

use super::blocks::{Arrangement, arrange};
use super::channel::{Case, Place, blocks};
use super::difference::{Known, Others, estimate_strong, estimate_weak};
use super::law::Widths;
use super::meaning;
use super::pilot::SelectiveFading;
use super::refusal::{CompareError, Options, check_apart, check_options, check_takes};
use super::shown::Shown;
use super::sources::Seen;
use super::types::{Basis, ChannelComparison, Comparison, Method};
use super::verdicts::{decide, summary};
use crate::reading::{NoiseSource, Take};

/// Compares antenna A with antenna B by their takes at one spot.
///
/// The takes of a side may come in any order; which stand against each other follows from when they were made.
///
/// # Errors
/// [`CompareError`] where a side has no takes or takes of several antennas, where spot, channel plan, sample rate,
/// dwell (by more than 10 %) or gains differ, where takes put against each other lie further apart than asked, or where
/// an option makes no sense. What concerns one channel (clipping, a part not covered) is no error but that channel's
/// reason.
pub fn compare(a: &[Take], b: &[Take], options: &Options) -> Result<Comparison, CompareError> {
    check_options(options)?;
    let mut comparison = measure(a, b, options, Widths::Exact)?;
    decide(comparison.channels.iter_mut(), options);
    conclude(&mut comparison);
    Ok(comparison)
}

/// Sums up a comparison whose channels are decided, in figures and in words.
pub(super) fn conclude(comparison: &mut Comparison) {
    comparison.summary = summary(&comparison.channels);
    comparison.meaning = meaning::sentences(comparison);
}

/// A comparison whose channels are not yet decided, without its summary and meaning.
///
/// # Errors
/// As [`compare`], but for its options.
pub(super) fn measure(
    a: &[Take],
    b: &[Take],
    options: &Options,
    widths: Widths,
) -> Result<Comparison, CompareError> {
    Ok(measure_all(a, b, options, widths, false)?.0)
}

/// The same, and, channel by channel, how the difference's error is distributed.
pub(super) fn measure_knowing(
    a: &[Take],
    b: &[Take],
    options: &Options,
) -> Result<(Comparison, Vec<Option<Known>>), CompareError> {
    measure_all(a, b, options, Widths::Exact, true)
}

fn measure_all(
    a: &[Take],
    b: &[Take],
    options: &Options,
    widths: Widths,
    with_curves: bool,
) -> Result<(Comparison, Vec<Option<Known>>), CompareError> {
    check_takes(a, b, options)?;
    let times = |takes: &[Take]| takes.iter().map(|take| take.taken_at).collect::<Vec<_>>();
    let arrangement = arrange(&times(a), &times(b));
    check_apart(a, b, &arrangement, options)?;

    let mut cases: Vec<Case> = (channels_of(a, b).into_iter())
        .map(|place| Case::open(place, a, b, &arrangement))
        .collect();
    let selective = SelectiveFading::pool(
        options.selective_fading_db,
        cases.iter().filter_map(Case::known_by_both),
    );
    for case in &mut cases {
        case.choose(selective);
    }
    // Pilots vary more than whole channels do: each is told by its own where enough are strong.
    let shown = |method: Method| {
        let strong = (cases.iter()).filter(|case| case.is_strong() && case.is_by(method));
        Shown::of(strong.map(|case| &case.evidence().design), options)
    };
    let shown_by_power = shown(Method::Power).filter(|_| arrangement.units.len() == 1);
    let shown_by_pilot = shown(Method::Pilot).filter(|_| arrangement.units.len() == 1);
    let shown_by_pilot = shown_by_pilot
        .filter(Shown::is_of_many)
        .or_else(|| shown_by_power.clone());
    let shown = |method| match method {
        Method::Power => shown_by_power.as_ref(),
        Method::Pilot => shown_by_pilot.as_ref(),
    };
    // Channels with repeats first: what they show to vary from take to take is foreseen for those without, and for weak ones.
    for case in cases
        .iter_mut()
        .filter(|case| case.is_strong() && case.has_repeats())
    {
        let others = Others::default();
        let outcome = estimate_strong(&case.evidence().design, options, selective, others, widths);
        case.outcome = Some(outcome);
    }
    // Pilots say nothing of channels.
    let pool = |method| {
        Seen::pool(
            (cases.iter().filter(|case| case.is_by(method)))
                .filter_map(|case| Some((&case.evidence().design, case.outcome.as_ref()?))),
        )
    };
    let by_power = pool(Method::Power);
    let by_pilot = pool(Method::Pilot).or(by_power);
    let others = |method| Others {
        seen: match method {
            Method::Power => by_power,
            Method::Pilot => by_pilot,
        },
        shown: shown(method),
    };
    for case in cases
        .iter_mut()
        .filter(|case| case.is_strong() && !case.has_repeats())
    {
        let design = &case.evidence().design;
        let others = others(design.method);
        case.outcome = Some(estimate_strong(design, options, selective, others, widths));
    }
    for case in cases.iter_mut().filter(|case| case.is_weak()) {
        let evidence = case.evidence();
        let outcome = estimate_weak(
            &evidence.design,
            options,
            selective,
            others(evidence.design.method),
            (evidence.found_a, evidence.found_b),
            with_curves,
        );
        case.outcome = Some(outcome);
    }
    let known = (cases.iter_mut())
        .map(|case| case.outcome.as_mut()?.known.take())
        .collect();
    let channels: Vec<ChannelComparison> = cases.into_iter().map(|case| case.close(a, b)).collect();
    let spot = a
        .iter()
        .chain(b)
        .map(|take| &take.spot)
        .find(|spot| !spot.is_empty())
        .cloned();
    let comparison = Comparison {
        a: a[0].antenna.clone(),
        b: b[0].antenna.clone(),
        spot,
        plan: a[0].settings.plan.clone(),
        confidence: options.confidence,
        verdict_level: options.level(),
        basis: arrangement.basis,
        takes_a: a.len(),
        takes_b: b.len(),
        blocks: blocks(arrangement.basis, arrangement.units.len()),
        remarks: remarks(a, b, &arrangement, shown_by_power.as_ref()),
        summary: summary(&channels),
        channels,
        meaning: Vec::new(),
    };
    Ok((comparison, known))
}

/// Every channel in any take, ascending by frequency.
fn channels_of<'t>(a: &'t [Take], b: &'t [Take]) -> Vec<Place<'t>> {
    let mut seen = HashSet::new();
    let mut places = Vec::new();
    for take in a.iter().chain(b) {
        for (index, reading) in take.readings.iter().enumerate() {
            if seen.insert(&reading.channel) {
                let (channel, low_hz, high_hz) =
                    (&reading.channel, reading.low_hz, reading.high_hz);
                places.push(Place {
                    channel,
                    low_hz,
                    high_hz,
                    index,
                });
            }
        }
    }
    places.sort_by(|one, two| {
        one.low_hz
            .total_cmp(&two.low_hz)
            .then_with(|| one.channel.cmp(two.channel))
    });
    places
}

/// What to bear in mind about the takes as a whole.
fn remarks(
    a: &[Take],
    b: &[Take],
    arrangement: &Arrangement,
    shown: Option<&Shown>,
) -> Vec<String> {
    let mut remarks = Vec::new();
    let units = arrangement.units.len();
    match (arrangement.basis, units) {
        (Basis::Single, _) => remarks.push(
            "weak: one take each, so nothing shows what changes from take to take; the intervals rest on what is foreseen for \
             matings and unsteadiness. Take A B B A, at least twice."
                .to_string(),
        ),
        (Basis::Blocks, 1) => {
            let foreseen = "what is foreseen for matings and unsteadiness".to_string();
            remarks.push(format!(
                "weak: one block, so a steady drift is cancelled but nothing shows what changes from block to block; the \
                 intervals rest on {}. Take four blocks in all, B A A B next.",
                shown.map_or(foreseen, Shown::words)
            ));
        }
        (Basis::Pairs, 1) => remarks.push(
            "weak: one pair of neighbours, so drift and what changes from take to take don't show. Take A B B A, at least \
             twice."
                .to_string(),
        ),
        (Basis::Blocks, 2) => remarks.push(
            "two blocks: their spread is known badly, so intervals are wide; four blocks make them far narrower.".to_string(),
        ),
        (Basis::Pairs, _) => remarks.push(
            "the takes make no blocks A B B A, so neighbours were paired: drift within a pair stays, and is allowed for."
                .to_string(),
        ),
        (Basis::Unpaired, _) => remarks.push(
            "the order of the takes allows no blocks and no pairs, so all of A stand against all of B: drift stays, and is \
             allowed for only as far as each antenna's takes show it, and what wandered from the ones to the others would be \
             taken for a difference. Take A B B A."
                .to_string(),
        ),
        _ => {}
    }
    if arrangement.left_over > 0 {
        let noun = if arrangement.basis == Basis::Blocks {
            "block"
        } else {
            "pair"
        };
        let (takes, are) = if arrangement.left_over == 1 {
            ("take", "is")
        } else {
            ("takes", "are")
        };
        remarks.push(format!(
            "{} {takes} outside any {noun} {are} not used.",
            arrangement.left_over
        ));
    }
    let estimated = (a.iter().chain(b).flat_map(|take| &take.readings))
        .any(|reading| reading.noise_source == Some(NoiseSource::VacantChannels));
    if estimated {
        remarks.push(
            "the noise was estimated, not measured: a terminated take would narrow weak channels."
                .to_string(),
        );
    }
    remarks
}
