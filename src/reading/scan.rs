//! What a television's channel scan found, held against what was measured.
//!
//! A set decodes a channel or it doesn't: around the threshold a fraction of a dB decides (the digital cliff). So a count of
//! what a scan found tells how many channels stand above the cliff on that set at that moment, and nothing of by how much.
//! Firm channels are expected in it, those on the brink may be or not.
//!
//! One channel (one transmission, 6 to 8 MHz) may carry several programmes, and most televisions count programmes. A count
//! is taken for channels as long as it can be one.

use serde::Serialize;

use super::{Identity, Reading, State, Take};
use crate::channels::ChannelId;
use crate::statistics::normal_upper_tail;

/// Standard deviation in dB by which a set's own threshold differs from the standard's figure. An assumption, no standard's
/// figure: with it a channel is decoded by 98 of 100 sets at 3 dB, where firm begins, and by every other at the threshold.
pub const SETS_DIFFER_DB: f64 = 1.5;

/// dB for a relative change of 1, to first order: 10/ln 10.
const DB: f64 = 10.0 / std::f64::consts::LN_10;

/// How a count and the measurement go together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ScanAgreement {
    /// Within what the measurement expects.
    Agrees,
    /// Fewer than channels are firm.
    Fewer,
    /// More than can be received by the measurement, but no more than show a signal.
    More,
    /// More than channels show a signal at all: no number of the channels measured, programmes most likely.
    NoChannels,
}

/// A channel of which it isn't sure whether a set decodes it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Doubtful {
    /// The channel.
    pub channel: ChannelId,
    /// C/N above the threshold in dB, mean over takes; `None` where there is no threshold, or only a part is covered.
    pub margin_db: Option<f64>,
    /// Standard uncertainty of the margin in dB.
    pub standard_uncertainty_db: Option<f64>,
    /// How likely a set decodes it, 0 to 1.
    pub chance: Option<f64>,
}

/// A scan's count beside a measurement.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ScanCheck {
    /// What the scan found, the latest where several takes have a count.
    pub count: u32,
    /// Channels that a set surely decodes: the firm ones.
    pub surely: usize,
    /// With all that it possibly decodes: on the brink, below the threshold by less than the margin's uncertainty (two standard
    /// uncertainties), or without a threshold to judge by.
    pub possibly: usize,
    /// The expected number: the sum of the chances.
    pub expected: f64,
    /// Channels that show any signal of television.
    pub shown: usize,
    /// Channels measured.
    pub measured: usize,
    /// How they go together.
    pub agreement: ScanAgreement,
    /// The channels that it hangs on, ascending.
    pub doubtful: Vec<Doubtful>,
    /// In plain words.
    pub sentences: Vec<String>,
}

/// Holds a noted scan count against the takes of one antenna at one spot; `None` where no take has a count.
///
/// Margins are means over the takes that have one, with the larger of their own uncertainty and their spread's.
pub fn scan_check(takes: &[Take]) -> Option<ScanCheck> {
    let latest =
        (takes.iter().filter(|take| take.scan_count.is_some())).max_by_key(|take| take.taken_at)?;
    let count = latest.scan_count?;
    let judged: Vec<Judged> = (latest.readings.iter())
        .filter(|reading| reading.covered > 0.0)
        .map(|reading| Judged::of(reading, takes))
        .collect();
    let surely = judged.iter().filter(|one| one.surely).count();
    let doubtful: Vec<Doubtful> = (judged.iter())
        .filter(|one| one.possibly && !one.surely)
        .map(Judged::doubtful)
        .collect();
    let possibly = surely + doubtful.len();
    let shown = judged.iter().filter(|one| one.shown).count();
    let agreement = match count as usize {
        count if count < surely => ScanAgreement::Fewer,
        count if count <= possibly => ScanAgreement::Agrees,
        count if count <= shown => ScanAgreement::More,
        _ => ScanAgreement::NoChannels,
    };
    let mut check = ScanCheck {
        count,
        surely,
        possibly,
        expected: judged.iter().map(|one| one.chance.unwrap_or(0.5)).sum(),
        shown,
        measured: judged.len(),
        agreement,
        doubtful,
        sentences: Vec::new(),
    };
    check.sentences = sentences(&check);
    Some(check)
}

/// One channel, by all takes.
struct Judged {
    channel: ChannelId,
    margin: Option<(f64, f64)>,
    chance: Option<f64>,
    surely: bool,
    possibly: bool,
    shown: bool,
}

impl Judged {
    fn of(reading: &Reading, takes: &[Take]) -> Judged {
        let same: Vec<&Reading> = (takes.iter())
            .flat_map(|take| &take.readings)
            .filter(|other| other.channel == reading.channel && other.covered > 0.0)
            .collect();
        let television = |one: &&Reading| {
            one.identity != Some(Identity::Unidentified)
                && (one.found || one.state.is_some_and(|state| state > State::Vacant))
        };
        let shown = 2 * same.iter().copied().filter(television).count() > same.len();
        let margin = shown.then(|| margin(&same)).flatten();
        let chance = match margin {
            Some((db, doubt_db)) => Some(normal_upper_tail(-db / doubt_db.hypot(SETS_DIFFER_DB))),
            // A pilot without a signal that power could find, and what shows nothing.
            None if !shown || same.iter().all(|one| !one.found) => Some(0.0),
            None => None,
        };
        let surely = margin.is_some_and(|(db, _)| State::from_margin(db) == State::Firm);
        let possibly = match margin {
            Some((db, doubt_db)) => db + 2.0 * doubt_db >= 0.0,
            None => chance.is_none(),
        };
        Judged {
            channel: reading.channel.clone(),
            margin,
            chance,
            surely,
            possibly,
            shown,
        }
    }

    fn doubtful(&self) -> Doubtful {
        Doubtful {
            channel: self.channel.clone(),
            margin_db: self.margin.map(|margin| margin.0),
            standard_uncertainty_db: self.margin.map(|margin| margin.1),
            chance: self.chance,
        }
    }
}

/// Mean margin in dB and its standard uncertainty, over the readings that have one.
fn margin(readings: &[&Reading]) -> Option<(f64, f64)> {
    let margins: Vec<(f64, f64)> = (readings.iter())
        .filter_map(|reading| Some((reading.margin_db()?, doubt_db(reading)?)))
        .collect();
    let moments = crate::statistics::Moments::of(&margins.iter().map(|m| m.0).collect::<Vec<_>>())?;
    let own = margins.iter().map(|margin| margin.1).sum::<f64>() / margins.len() as f64;
    Some((moments.mean, own.max(moments.standard_error())))
}

/// Standard uncertainty of a reading's C/N in dB: of the signal, and of the noise under it.
fn doubt_db(reading: &Reading) -> Option<f64> {
    let noise = reading.noise?;
    let signal = reading.signal?;
    let of_noise = noise.standard_error.hypot(reading.noise_type_b);
    let in_signal = signal.standard_error.hypot(reading.noise_type_b) / signal.value;
    Some(DB * in_signal.hypot(of_noise / noise.value))
}

fn sentences(check: &ScanCheck) -> Vec<String> {
    let ScanCheck {
        count,
        surely,
        possibly,
        shown,
        measured,
        ..
    } = check;
    let range = if surely == possibly {
        surely.to_string()
    } else {
        format!("{surely} to {possibly}")
    };
    let mut sentences = vec![format!(
        "A television's scan found {count}; by measurement it should decode {range} of {measured} channels (about {:.1}).",
        check.expected
    )];
    match check.agreement {
        ScanAgreement::Agrees => sentences.push(
            "That agrees, if the set counts channels; of a set that counts programmes it says nothing, since one channel may \
             carry several."
                .to_owned(),
        ),
        ScanAgreement::Fewer => sentences.push(format!(
            "The scan found fewer than the {surely} firm ones: look for a bad plug or a splitter before the set, a set that is \
             overloaded or deaf, or one that doesn't know the standard; or the takes were made at another time."
        )),
        ScanAgreement::More => sentences.push(format!(
            "The scan found more than that, though no more than the {shown} channels that show a signal: the set decodes better \
             than assumed, the channels came up while it scanned, or it counts programmes."
        )),
        ScanAgreement::NoChannels => {
            let mut said = format!(
                "Only {shown} channels show any signal, so {count} is no number of these channels: most televisions count \
                 programmes, and one channel may carry several"
            );
            if *possibly > 0 {
                said += &format!(" ({} a channel would make {count})", programmes(check));
            }
            sentences.push(
                said + "; or the scan went over channels that were not measured. Against another antenna's count on the same set \
                        it still tells.",
            );
        }
    }
    let brink: Vec<String> = check.doubtful.iter().map(of_doubtful).collect();
    if !brink.is_empty() {
        sentences.push(format!(
            "It hangs on {}: so near the threshold a set decodes one minute and not the next, and every set has its own.",
            brink.join(", ")
        ));
    }
    sentences
}

/// How many programmes a channel would have to carry: `2.8`, or `2.6 to 3.1`.
fn programmes(check: &ScanCheck) -> String {
    let of = |channels: usize| format!("{:.1}", f64::from(check.count) / channels as f64);
    match (check.surely, check.possibly) {
        (0, most) => of(most),
        (least, most) if of(least) == of(most) => of(most),
        (least, most) => format!("{} to {}", of(most), of(least)),
    }
}

fn of_doubtful(one: &Doubtful) -> String {
    match (one.margin_db, one.standard_uncertainty_db) {
        (Some(margin), Some(doubt)) => format!(
            "channel {} ({:.1} dB {} its threshold, ±{:.1})",
            one.channel,
            margin.abs(),
            if margin < 0.0 { "below" } else { "above" },
            2.0 * doubt
        ),
        _ => format!("channel {} (no threshold to judge by)", one.channel),
    }
}
