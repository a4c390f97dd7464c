//! Cautions for whoever wants to do likewise. General ones: local codes and licensed people decide.
//!
//! Sources: common practice as in US OSHA 29 CFR 1926.1053 (ladders; from memory), NEC Article 810 and EN/IEC 60728-11
//! (grounding), named so that a reader finds the code that applies.

use super::super::block::{Block, Section};

/// The cautions for a forum.
pub(in crate::report) const IN_ONE_LINE: &str = "If you try this: indoors first; keep antenna, mast and ladder far from power lines (their whole length plus 3 m); \
     bond outdoor antennas as your local code says; nothing outdoors once thunder can be heard; mind cut metal edges.";

pub(super) fn section() -> Section {
    let cautions = [
        "Start indoors: a window shelf needs no ladder, and most of what can be learnt this way is learnt there.",
        "Power lines kill. Keep antenna, mast, ladder and cable away from them by the whole length of what you hold, fallen \
         over, plus 3 m. Treat every overhead wire as live. No metal ladder anywhere near.",
        "Ladders and roofs: one out for every four up, three rungs above the eaves, a second person below, dry and calm weather \
         only.",
        "Lightning and grounding: an outdoor antenna's mast and cable shield must be bonded to the building's grounding system \
         (in the US NEC Article 810, in Europe EN IEC 60728-11; your local code decides). Grounding makes a strike no safer. \
         Unplug before a storm, and measure nothing outdoors once thunder can be heard.",
        "Cut tin and wire ends cut skin and eyes: fold or tape them, wear glasses and gloves, mark tips at eye height.",
        "Some amplifiers and set-top boxes feed a voltage into the cable: disconnect it, it can destroy a receiver. Receive \
         only; never join the cable to a transmitter or anything powered.",
    ];
    Section::new("cautions",
        "Cautions",
        vec![
            Block::Sentences(cautions.map(str::to_owned).to_vec()),
            Block::Text("General ones, for whoever builds or measures likewise: your local code and a licensed person decide.".to_owned()),
        ],
    )
}
