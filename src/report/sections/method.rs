//! How it was measured, as far as this comparison goes.
//!
//! Sources of what it says: JCGM 100:2008 (GUM) for the budget; P. D. Welch, IEEE Trans. Audio Electroacoust. 15, 1967, for
//! the spectrum; S. Holm, Scand. J. Statist. 6, 1979, for the verdicts; Recommendation ITU-R SM.1875 for the path; ATSC A/53
//! Part 2 for the pilot.

use super::super::Content;
use super::super::block::{Block, Section};
use super::super::words::{counted, list, percent};
use crate::channels::Standard;
use crate::compare::{Averaging, Basis, Comparison, Method};
use crate::draw::number;

pub(super) fn section(content: &Content) -> Section {
    let mut said = vec![
        "Gain by substitution (IEEE Std 149): one antenna takes the other's place at the same spot, on the same cable and \
         receiver. That spot, gains, sample rate, dwell and channel plan are the same was checked in the takes; cable, height \
         and where people stood are up to whoever measured."
            .to_owned(),
        "In each take the receiver steps over the channels, some 2 MHz at a time. From its samples comes the power spectral \
         density (Welch's method, 1967), whose sum over a channel's full width is the channel's power; powers are added and \
         subtracted in linear units. Levels are relative: 0 dBFS is full scale."
            .to_owned(),
        "The receiver's own noise is taken off: signal = power − noise. Where what is left could be noise (a chance of 1 in \
         1000) there is an upper bound and no level."
            .to_owned(),
    ];
    said.extend(once(content, order_of_takes));
    said.extend(once(content, uncertainty));
    let (together, level) = match (&content.several, content.first()) {
        (Some(many), _) => ("all pairs and channels", many.verdict_level),
        (None, Some(comparison)) => ("all channels", comparison.verdict_level),
        (None, None) => ("all channels", 0.0),
    };
    said.push(format!(
        "Verdicts stand at a level of {} over {together} together, by Holm's step-down (Scand. J. Statist. 6, 1979): the chance \
         of even one wrong verdict in this report is no larger.",
        percent(level)
    ));
    let channels = || {
        content
            .compared
            .iter()
            .flat_map(|one| &one.comparison.channels)
    };
    if channels().any(|one| one.averaging == Some(Averaging::Linear)) {
        said.push(
            "Weak signals were averaged as linear powers, strong ones in decibels, in which drift cancels exactly.".to_owned(),
        );
    }
    if channels().any(|one| one.method == Some(Method::Pilot)) {
        said.push(
            "Channels marked “by pilot” were compared by the 8-VSB pilot (ATSC A/53 Part 2: a thin carrier 309.44 kHz above the \
             lower edge), which shows where the channel's power drowns in noise. It is one frequency and may fade by itself; \
             the budget allows for that."
                .to_owned(),
        );
    }
    said.extend(thresholds(content));
    Section::new(
        "method",
        "How it was measured",
        vec![Block::Sentences(said)],
    )
}

/// How it was measured, for a forum.
pub(in crate::report) fn in_two_sentences(content: &Content) -> String {
    format!(
        "Each antenna in turn at the same spot, cable and gain; the power of every channel was summed from the spectrum and the \
         receiver's noise subtracted. {}",
        once(content, order_of_takes).join(" ")
    )
}

/// What holds of the pairs, each sentence once.
fn once(content: &Content, say: fn(&Comparison) -> String) -> Vec<String> {
    let mut said: Vec<String> = Vec::new();
    for sentence in content.compared.iter().map(|one| say(&one.comparison)) {
        if !said.contains(&sentence) {
            said.push(sentence);
        }
    }
    said
}

fn order_of_takes(comparison: &Comparison) -> String {
    match comparison.basis {
        Basis::Blocks => format!(
            "The takes stand in {} A B B A or B A A B: in a block the difference is ½ (A₁ − B₁ − B₂ + A₂) in decibels, from which \
             a steady drift cancels, and the result is the mean over the blocks.",
            counted(comparison.blocks, "block")
        ),
        Basis::Pairs => format!(
            "The takes stand in {} of neighbours: the result is the mean of their differences. A drift within a pair stays, and \
             is allowed for.",
            counted(comparison.blocks, "pair")
        ),
        Basis::Unpaired => "All takes of A stand against all of B, as their order pairs none of them: drift stays, and is allowed \
                            for as far as the takes show it."
            .to_owned(),
        Basis::Single => "There is one take of each antenna and no repeat: nothing shows what changes from take to take, and an \
                          assumed figure stands for it."
            .to_owned(),
    }
}

fn uncertainty(comparison: &Comparison) -> String {
    let spread = match (comparison.basis, comparison.blocks) {
        (Basis::Blocks | Basis::Pairs, 2..) => format!(
            "the spread of the {} (type A, Student's t with {} degrees of freedom)",
            if comparison.basis == Basis::Blocks {
                "blocks"
            } else {
                "pairs"
            },
            comparison.blocks - 1
        ),
        (Basis::Unpaired, _) => "the spread of the takes (type A, Student's t)".to_owned(),
        _ => "what is foreseen to change between takes (assumed: no repeat shows it)".to_owned(),
    };
    format!(
        "Intervals of {} are made of {spread} and of what repeats can't show, such as the mating of connectors and the noise \
         that was subtracted (type B), as in the Guide to the Expression of Uncertainty in Measurement (JCGM 100:2008).",
        percent(comparison.confidence)
    )
}

/// The thresholds that margins and states rest on.
fn thresholds(content: &Content) -> Option<String> {
    let takes = content.by_time();
    let mut used: Vec<(Standard, f64)> = takes
        .iter()
        .flat_map(|take| &take.readings)
        .filter(|reading| reading.found)
        .filter_map(|reading| Some((reading.standard?, reading.threshold_db?)))
        .collect();
    used.sort_by(|one, other| one.0.cmp(&other.0).then(one.1.total_cmp(&other.1)));
    used.dedup();
    if used.is_empty() {
        return None;
    }
    let each: Vec<String> = used
        .iter()
        .map(|(standard, db)| {
            format!(
                "{} dB for {standard}",
                number(*db, 1).trim_end_matches(".0")
            )
        })
        .collect();
    Some(format!(
        "Margins and states rest on an assumed need of {} of C/N: what a good receiver needs, not what a certain television does.",
        list(&each)
    ))
}
