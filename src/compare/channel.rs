//! One channel on its way through a comparison: from the takes to its line in the result.

use super::blocks::{Antenna, Arrangement};
use super::difference::{Outcome, is_strong};
use super::levels::{Design, Level, Levels};
use super::pilot::{self, SelectiveFading};
use super::types::{Averaging, Basis, ChannelComparison, Method, Side, Verdict};
use crate::channels::ChannelId;
use crate::reading::{NoiseSource, Reading, State, Take};
use crate::statistics::median;

/// A channel and where its reading is likely to stand in each take.
pub(super) struct Place<'t> {
    pub channel: &'t ChannelId,
    pub low_hz: f64,
    pub high_hz: f64,
    pub index: usize,
}

/// What stands against each other in a channel, by one method; where nothing can, all levels there are.
pub(super) struct Evidence<'t> {
    pub design: Design<'t>,
    pub found_a: bool,
    pub found_b: bool,
}

impl<'t> Evidence<'t> {
    fn new(design: Design<'t>) -> Evidence<'t> {
        let (found_a, found_b) = (design.found(Antenna::A), design.found(Antenna::B));
        Evidence {
            design,
            found_a,
            found_b,
        }
    }

    fn found_any(&self) -> bool {
        self.found_a || self.found_b
    }

    fn is_strong(&self) -> bool {
        is_strong(&self.design, self.found_a, self.found_b)
    }
}

/// A channel with its levels, and with its outcome once there is one.
pub(super) struct Case<'t> {
    place: Place<'t>,
    power: Evidence<'t>,
    /// Where every level has a pilot and one at least is found.
    pilot: Option<Evidence<'t>>,
    method: Method,
    /// Why nothing can be compared.
    refused: Option<String>,
    /// Why the pilot is not used, where it would tell more.
    pilot_left_out: Option<&'static str>,
    pub outcome: Option<Outcome>,
}

impl<'t> Case<'t> {
    pub fn open(
        place: Place<'t>,
        a: &'t [Take],
        b: &'t [Take],
        arrangement: &Arrangement,
    ) -> Case<'t> {
        let levels = Levels::gather(place.channel, place.index, &a[0], a, b);
        let (design, mut refused) = match levels.design(arrangement) {
            Ok(design) => (design, None),
            Err(reason) => (levels.all_against_all(None), Some(reason)),
        };
        let pilot = design
            .by_pilot()
            .filter(|_| refused.is_none())
            .map(Evidence::new)
            .filter(Evidence::found_any);
        let power = Evidence::new(design);
        if refused.is_none() && !power.found_any() {
            let design = &power.design;
            let shows = design.shows_pilot(Antenna::A) || design.shows_pilot(Antenna::B);
            let why = if pilot.is_some() {
                "too weak for a comparison by power"
            } else if shows {
                "too weak for a comparison by power, and not every take shows the same pilot"
            } else {
                "nothing found with either antenna"
            };
            refused = Some(why.to_string());
        }
        Case {
            place,
            power,
            pilot,
            method: Method::Power,
            refused,
            pilot_left_out: None,
            outcome: None,
        }
    }

    /// Power and pilot of a channel that is well known by both: what tells how far pilots stand for their channels.
    pub fn known_by_both(&self) -> Option<(&Design<'t>, &Design<'t>)> {
        let by_pilot = self.pilot.as_ref()?;
        let known =
            |evidence: &Evidence| evidence.is_strong() && pilot::well_known(&evidence.design);
        (self.refused.is_none() && known(&self.power) && known(by_pilot))
            .then_some((&self.power.design, &by_pilot.design))
    }

    /// Goes by pilot where that tells more.
    pub fn choose(&mut self, selective: SelectiveFading) {
        let Some(Evidence { design: pilot, .. }) = &self.pilot else {
            return;
        };
        let power = &self.power.design;
        if self.refused.is_none() && !pilot::tells_more(power, pilot, selective) {
            return;
        }
        if pilot::contradicts(power, pilot, selective) {
            self.pilot_left_out =
                Some("the pilot is out of proportion to the channel's power, and left out");
        } else {
            self.method = Method::Pilot;
            self.refused = None;
        }
    }

    /// What is compared, by the method chosen.
    pub fn evidence(&self) -> &Evidence<'t> {
        match (&self.pilot, self.method) {
            (Some(pilot), Method::Pilot) => pilot,
            _ => &self.power,
        }
    }

    pub fn is_by(&self, method: Method) -> bool {
        self.method == method
    }

    pub fn is_strong(&self) -> bool {
        self.refused.is_none() && self.evidence().is_strong()
    }

    pub fn has_repeats(&self) -> bool {
        self.evidence().design.has_repeats()
    }

    pub fn is_weak(&self) -> bool {
        self.refused.is_none() && !self.evidence().is_strong()
    }

    /// The channel's line, not yet decided.
    pub fn close(mut self, a: &[Take], b: &[Take]) -> ChannelComparison {
        let mut reason = self.reason();
        if self.outcome.as_ref().is_some_and(says_nothing) {
            self.outcome = None;
            reason = Some(
                "the takes lie so far apart in time that their drift can't be known: take both in turn, or tie the days by a \
                 third antenna"
                    .into(),
            );
        }
        // By pilot, the channel's own level is shown as it would be by power.
        let shown = match &self.outcome {
            Some(outcome) if self.method == Method::Power => outcome.averaging,
            Some(_) if self.power.is_strong() => Averaging::Decibels,
            _ => Averaging::Linear,
        };
        let Case {
            place,
            power:
                Evidence {
                    design,
                    found_a,
                    found_b,
                },
            method,
            outcome,
            ..
        } = self;
        let averaging = outcome.as_ref().map(|outcome| outcome.averaging);
        let of = |get: fn(&Outcome) -> Option<f64>| outcome.as_ref().and_then(get);
        let covered = |takes: &[Take]| {
            let readings = takes
                .iter()
                .filter_map(|take| take.readings.iter().find(|r| r.channel == *place.channel));
            readings.map(|reading| reading.covered).fold(0.0, f64::max)
        };
        ChannelComparison {
            channel: place.channel.clone(),
            low_hz: place.low_hz,
            high_hz: place.high_hz,
            a: side(&design, Antenna::A, found_a, shown, covered(a)),
            b: side(&design, Antenna::B, found_b, shown, covered(b)),
            basis: design.basis,
            blocks: outcome
                .as_ref()
                .map_or(0, |_| blocks(design.basis, design.groups.len())),
            method: outcome.as_ref().map(|_| method),
            averaging,
            difference_db: of(|o| o.difference_db),
            low_db: of(|o| o.low_db),
            high_db: of(|o| o.high_db),
            standard_uncertainty_db: of(|o| o.standard_uncertainty_db),
            degrees_of_freedom: of(|o| o.degrees_of_freedom),
            p: of(|o| Some(o.p)),
            p_adjusted: None,
            cn_difference_db: of(|o| o.cn_difference_db),
            cn_p: of(|o| o.cn_p),
            further_blocks: None,
            beyond_repeats: false,
            verdict: if outcome.is_some() {
                Verdict::Undecided
            } else {
                Verdict::NotComparable
            },
            reason,
            budget: outcome.map_or_else(Vec::new, |mut outcome| {
                outcome
                    .budget
                    .sort_by(|one, two| two.share.total_cmp(&one.share));
                outcome.budget
            }),
        }
    }

    /// What limits the figure, or why there is none.
    fn reason(&self) -> Option<String> {
        let left_out = self.pilot_left_out.map(str::to_string);
        let Some(outcome) = &self.outcome else {
            let reasons: Vec<String> = self.refused.iter().cloned().chain(left_out).collect();
            return (!reasons.is_empty()).then(|| reasons.join("; "));
        };
        let evidence = self.evidence();
        let design = &evidence.design;
        let by_power = design.method == Method::Power;
        let mut reasons = Vec::new();
        if !by_power {
            reasons.push("by pilot, at one frequency: the power is known less well".to_string());
        }
        reasons.extend(bound(evidence, outcome));
        let levels = || design.of(Antenna::A).chain(design.of(Antenna::B));
        if let Some(part) = levels().find(|level| level.reading.covered < 0.98) {
            reasons.push(format!(
                "only {:.0} % of the channel covered",
                part.reading.covered * 100.0
            ));
        }
        reasons.extend(design.remark.clone());
        if by_power
            && levels().any(|level| level.reading.noise_source == Some(NoiseSource::VacantChannels))
        {
            reasons.push("noise estimated, not measured".to_string());
        }
        reasons.extend(left_out);
        (!reasons.is_empty()).then(|| reasons.join("; "))
    }
}

/// Number of blocks or pairs, 0 where there are none.
pub(super) fn blocks(basis: Basis, units: usize) -> usize {
    if matches!(basis, Basis::Blocks | Basis::Pairs) {
        units
    } else {
        0
    }
}

/// An interval wider than this, in dB, is no answer: no two antennas differ so.
const NO_ANSWER_DB: f64 = 200.0;

fn says_nothing(outcome: &Outcome) -> bool {
    let ends = outcome.low_db.zip(outcome.high_db);
    ends.is_some_and(|(low_db, high_db)| high_db - low_db > NO_ANSWER_DB)
}

/// What limits a figure where not both antennas show a signal, or one is too weak for an end of the interval.
fn bound(evidence: &Evidence, outcome: &Outcome) -> Option<String> {
    let nothing = match evidence.design.method {
        Method::Power => "nothing",
        Method::Pilot => "no pilot",
    };
    let (found_a, found_b) = (evidence.found_a, evidence.found_b);
    Some(match (found_a, found_b, outcome.low_db, outcome.high_db) {
        (true, false, Some(low_db), _) if low_db <= 0.0 => {
            format!("B shows {nothing}, and A too little to be told from it")
        }
        (false, true, _, Some(high_db)) if high_db >= 0.0 => {
            format!("A shows {nothing}, and B too little to be told from it")
        }
        (true, false, Some(low_db), _) => {
            format!("B shows {nothing}: A gains at least {low_db:.1} dB")
        }
        (true, false, None, _) => {
            format!("B shows {nothing}, and A too little to say how much it gains")
        }
        (false, true, _, Some(high_db)) => {
            format!("A shows {nothing}: B gains at least {:.1} dB", -high_db)
        }
        (false, true, _, None) => {
            format!("A shows {nothing}, and B too little to say how much it gains")
        }
        (_, _, Some(_), None) => "B is too weak for an upper end".to_string(),
        (_, _, None, Some(_)) => "A is too weak for a lower end".to_string(),
        (_, _, None, None) => "both are too weak for a figure".to_string(),
        _ if outcome.difference_db.is_none() => "too weak for a figure".to_string(),
        _ => return None,
    })
}

/// One antenna in one channel, by the levels that were used.
fn side(
    design: &Design,
    antenna: Antenna,
    found: bool,
    averaging: Averaging,
    covered: f64,
) -> Side {
    let count = design.of(antenna).count();
    let level_db = |power: f64| (power > 0.0).then(|| 10.0 * power.log10());
    let signal_dbfs = match averaging {
        _ if count == 0 || !found => None,
        Averaging::Decibels => Some(design.mean(antenna, Level::db)),
        Averaging::Linear => level_db(design.mean(antenna, |level| level.signal)),
    };
    let uppers: Vec<f64> = design
        .of(antenna)
        .filter_map(|level| level.reading.signal_upper)
        .collect();
    let upper = uppers.iter().sum::<f64>() / uppers.len().max(1) as f64;
    let noise_dbfs = if count > 0 {
        level_db(design.mean(antenna, |level| level.noise))
    } else {
        None
    };
    let cn_db = signal_dbfs
        .zip(noise_dbfs)
        .map(|(signal, noise)| signal - noise);
    let whole = design
        .of(antenna)
        .all(|level| level.reading.covered >= 0.98);
    let thresholds: Vec<f64> = design
        .of(antenna)
        .filter_map(|level| level.reading.threshold_db)
        .collect();
    let threshold_db = median(&thresholds);
    let margin_db = cn_db
        .filter(|_| whole)
        .zip(threshold_db)
        .map(|(cn_db, threshold)| cn_db - threshold);
    let readings = || design.of(antenna).map(|level| level.reading);
    let judged = readings()
        .filter(|reading| reading.threshold_db.is_some())
        .last();
    let spreads: Vec<f64> = readings()
        .filter_map(|reading| Some(reading.shape?.sigma_sp_db))
        .collect();
    let mut states: Vec<State> = design
        .of(antenna)
        .filter_map(|level| level.reading.state)
        .collect();
    states.sort();
    let state = if count == 0 {
        None
    } else if !found && design.shows_pilot(antenna) {
        Some(State::Trace)
    } else if !found {
        Some(State::Vacant)
    } else {
        margin_db
            .map(State::from_margin)
            .or_else(|| states.get(states.len().saturating_sub(1) / 2).copied())
    };
    Side {
        takes: count,
        covered,
        signal_dbfs,
        signal_upper_dbfs: if signal_dbfs.is_none() {
            level_db(upper)
        } else {
            None
        },
        pilot_dbfs: pilot_dbfs(design, antenna),
        identity: readings().find_map(|reading| reading.identity.clone()),
        standard: judged.and_then(|reading| reading.standard),
        threshold_db,
        threshold_assumes: judged.and_then(Reading::threshold_assumes),
        path: judged.and_then(|reading| reading.path),
        sigma_sp_db: median(&spreads),
        noise_dbfs,
        cn_db,
        margin_db,
        state,
    }
}

/// Mean level of an antenna's pilot, where every take has one and more than half found it.
fn pilot_dbfs(design: &Design, antenna: Antenna) -> Option<f64> {
    if !design.shows_pilot(antenna) {
        return None;
    }
    let pilots: Vec<(f64, Level)> = (design.weighted())
        .filter(|one| one.0 == antenna)
        .map(|(_, weight, level)| Some((weight, level.by_pilot()?)))
        .collect::<Option<_>>()?;
    let mean = |of: fn(&Level) -> f64| -> f64 {
        let parts = pilots.iter().map(|(weight, level)| weight * of(level));
        parts.sum()
    };
    if pilots.iter().all(|(_, level)| level.is_strong()) {
        return Some(mean(|level| level.db()));
    }
    let power = mean(|level| level.signal);
    (power > 0.0).then(|| 10.0 * power.log10())
}
