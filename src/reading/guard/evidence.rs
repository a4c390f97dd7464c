//! Evidence of several tunings and dwells put together, and what it decides.

use std::fmt;
use std::sync::Arc;

use super::families::{Family, Guard, Hypothesis};
use super::probe::{Found, GuardError};
use crate::units::Decibels;

/// [`GuardEvidence::decide`] names a system where the bound on the chance that noise alone does as well is below this.
///
/// That strict because the bound is one for noise, and 8-VSB is worse: about its pilot and at its upper edge, 0.62 MHz each,
/// it is a real signal with both side bands, so the sum over a guard interval has unequal variances along two axes and
/// exceeds a high level oftener than noise does. Measured on 4000 channels of 8-VSB: the bound falls below 10⁻² in 1.2 % of
/// them, and was least at 10⁻⁴·⁵. Every system of the table at 0 dB lies far beyond 10⁻⁸.
pub const FALSE_ALARM: f64 = 1e-8;

/// Share of the correlation that is left through a network of equal stations (half) and a clock 50 ppm off at the longest lag
/// (four fifths), with room for more.
pub const LEAST_SHARE: f64 = 0.25;

/// What the stretches so far say of one hypothesis.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Score {
    /// −Σ ln(chance) over the stretches.
    surprise: f64,
    stretches: usize,
    weighted_coefficient: f64,
    weight: f64,
}

impl Score {
    pub fn add(&mut self, found: Found) {
        self.surprise -= found.ln_chance;
        self.stretches += 1;
        self.weighted_coefficient += found.coefficient * found.weight;
        self.weight += found.weight;
    }

    fn combine(&mut self, other: &Score) {
        self.surprise += other.surprise;
        self.stretches += other.stretches;
        self.weighted_coefficient += other.weighted_coefficient;
        self.weight += other.weight;
    }

    /// Natural logarithm of the chance that noise alone reaches this sum, by Fisher's method: twice the sum is χ² with two
    /// degrees of freedom a stretch.
    ///
    /// Source: R. A. Fisher, Statistical Methods for Research Workers, §21.1; the tail of an even χ² in closed form.
    fn ln_chance(&self) -> f64 {
        let x = self.surprise;
        if self.stretches == 0 || x <= 0.0 {
            return 0.0;
        }
        // Σ x^k/k! relative to its largest term, so that nothing overflows.
        let mut ln_term = 0.0;
        let terms: Vec<f64> = (0..self.stretches)
            .map(|k| {
                if k > 0 {
                    ln_term += x.ln() - (k as f64).ln();
                }
                ln_term
            })
            .collect();
        let largest = terms.iter().copied().fold(0.0, f64::max);
        let sum: f64 = terms.iter().map(|t| (t - largest).exp()).sum();
        (largest + sum.ln() - x).min(0.0)
    }

    fn coefficient(&self) -> f64 {
        if self.weight > 0.0 {
            self.weighted_coefficient / self.weight
        } else {
            0.0
        }
    }
}

/// An OFDM signal, told by its guard interval.
#[derive(Debug, Clone, PartialEq)]
pub struct Ofdm {
    /// The families that it fits: both DVB-T and DVB-T2 where nothing tells them apart.
    pub families: Vec<Family>,
    /// Samples of the system's own rate in the useful duration (8192 is 8k); `None` where only an ATSC 3.0 bootstrap was
    /// found.
    pub fft: Option<u32>,
    /// Useful duration in seconds; for a bootstrap, its own.
    pub useful_s: f64,
    /// The guard interval by its standard's name, for ATSC 3.0 the longest that is not longer than what was found, since
    /// frames aligned in time lengthen it; `None` for a bootstrap.
    pub guard: Option<Guard>,
    /// Guard interval in seconds, as found.
    pub guard_s: f64,
    /// Correlation coefficient inside the guard interval, mean over the tunings, 0 to 1: ideally SNR/(1+SNR). What stands
    /// between the wanted signal and that (echoes, a clock error at long lags) makes it smaller.
    pub guard_coefficient: f64,
    /// The same over whole symbols: multiplied by g/(1+g).
    pub coefficient: f64,
    /// Signal-to-noise ratio that the coefficient implies, in the band looked at; a lower estimate.
    pub implied_snr: Decibels,
    /// Decimal logarithm of the chance that noise alone looks like this somewhere among the hypotheses.
    pub log10_false_alarm: f64,
    /// By how many powers of ten the best hypothesis with another useful duration is likelier to be noise.
    pub log10_lead: f64,
}

impl Ofdm {
    /// The guard interval as a share of the useful duration.
    pub fn guard_ratio(&self) -> f64 {
        match (self.guard, self.fft) {
            (Some(guard), Some(fft)) => guard.ratio(fft),
            _ => self.guard_s / self.useful_s,
        }
    }

    /// Whether the correlation is as strong as a channel of this C/N must show, SNR/(1+SNR), but for what echoes and a clock
    /// error may take away: [`LEAST_SHARE`] of it. Where it isn't, something else is in the channel that repeats a little.
    pub fn fits(&self, cn: Decibels) -> bool {
        let ratio = cn.ratio();
        self.guard_coefficient >= LEAST_SHARE * ratio / (1.0 + ratio)
    }

    /// The system in a few words: `DVB-T/T2 8k`, `ATSC 3.0 16k`, `ATSC 3.0`.
    pub fn system(&self) -> String {
        let family = match self.families.as_slice() {
            [Family::DvbT, Family::DvbT2] => "DVB-T/T2".to_owned(),
            [one] => one.to_string(),
            several => several
                .iter()
                .map(Family::to_string)
                .collect::<Vec<_>>()
                .join("/"),
        };
        match (self.families.as_slice(), self.fft) {
            // ISDB-T numbers its sizes: 2k is mode 1.
            ([Family::IsdbT], Some(fft)) => format!("{family} mode {}", fft.trailing_zeros() - 10),
            (_, Some(fft)) => format!("{family} {}k", fft / 1024),
            (_, None) => family,
        }
    }
}

impl fmt::Display for Ofdm {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.guard {
            Some(guard) => write!(f, "{}, guard {guard}", self.system()),
            None => write!(f, "{}, bootstrap", self.system()),
        }
    }
}

/// What the stretches looked at so far say of every hypothesis. Made by [`GuardProbe::finish`](super::GuardProbe::finish).
#[derive(Debug, Clone)]
pub struct GuardEvidence {
    hypotheses: Arc<[Hypothesis]>,
    scores: Vec<Score>,
    stretches: usize,
}

impl GuardEvidence {
    pub(super) fn new(hypotheses: Arc<[Hypothesis]>, scores: Vec<Score>, stretches: usize) -> Self {
        GuardEvidence {
            hypotheses,
            scores,
            stretches,
        }
    }

    /// How many stretches (of up to 20 ms) it rests on.
    pub fn stretches(&self) -> usize {
        self.stretches
    }

    /// Adds the evidence of another tuning, or of another dwell, of the same channel. The two need not have begun at the
    /// same point of a symbol, nor to share a sample rate.
    ///
    /// # Errors
    /// [`GuardError::Unlike`] where they are of unlike channel widths or families; nothing is added then.
    pub fn combine(&mut self, other: &GuardEvidence) -> Result<(), GuardError> {
        if !Arc::ptr_eq(&self.hypotheses, &other.hypotheses) && self.hypotheses != other.hypotheses
        {
            return Err(GuardError::Unlike);
        }
        for (score, add) in self.scores.iter_mut().zip(&other.scores) {
            score.combine(add);
        }
        self.stretches += other.stretches;
        Ok(())
    }

    /// The OFDM signal in the channel; `None` where nothing is significant: noise, 8-VSB, or a guard interval unknown to
    /// the table.
    pub fn decide(&self) -> Option<Ofdm> {
        self.likeliest()
            .filter(|ofdm| ofdm.log10_false_alarm < FALSE_ALARM.log10())
    }

    /// The likeliest hypothesis, significant or not; `None` where nothing was looked at.
    pub fn likeliest(&self) -> Option<Ofdm> {
        let ln_chances: Vec<f64> = self.scores.iter().map(Score::ln_chance).collect();
        let least = |pick: &dyn Fn(&Hypothesis) -> bool| {
            (0..ln_chances.len())
                .filter(|&i| pick(&self.hypotheses[i]) && self.scores[i].stretches > 0)
                .min_by(|&a, &b| ln_chances[a].total_cmp(&ln_chances[b]))
        };
        let mut best = least(&|_| true)?;
        // Bonferroni over all hypotheses.
        let tried = (self.scores.len() as f64).ln();
        let ln_false_alarm = (ln_chances[best] + tried).min(0.0);
        let lag_s = self.hypotheses[best].lag_s;
        let lead = least(&|h| h.lag_s != lag_s)
            .map_or(0.0, |second| ln_chances[second] - ln_chances[best]);
        if self.hypotheses[best].fft.is_none() {
            // A bootstrap names the family; the frame's body, where it is significant too, says the rest.
            let body = least(&|h| h.fft.is_some() && h.families == [Family::Atsc3]);
            best = body
                .filter(|&b| ln_chances[b] + tried < FALSE_ALARM.ln())
                .unwrap_or(best);
        }

        let hypothesis = &self.hypotheses[best];
        let inside = self.scores[best].coefficient();
        let ratio = hypothesis.guard_s / hypothesis.lag_s;
        Some(Ofdm {
            families: hypothesis.families.clone(),
            fft: hypothesis.fft,
            useful_s: hypothesis.lag_s,
            guard: hypothesis.guard,
            guard_s: hypothesis.guard_s,
            guard_coefficient: inside,
            coefficient: inside * ratio / (1.0 + ratio),
            implied_snr: Decibels::from_ratio(inside / (1.0 - inside).max(1e-6)),
            log10_false_alarm: ln_false_alarm / std::f64::consts::LN_10,
            log10_lead: lead / std::f64::consts::LN_10,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chances_are_put_together_as_scipy_does() {
        // scipy 1.17.1: scipy.stats.chi2.logsf(2*x, 2*k), which is scipy.stats.combine_pvalues(method="fisher").
        for (surprise, stretches, expected) in SCIPY {
            let score = Score {
                surprise,
                stretches,
                ..Score::default()
            };
            let ours = score.ln_chance();
            assert!(
                (ours - expected).abs() < 1e-9 * expected.abs().max(1.0),
                "{surprise} {stretches}: {ours}"
            );
        }
    }

    #[test]
    fn nothing_looked_at_is_nothing_found() {
        assert_eq!(Score::default().ln_chance(), 0.0);
        assert_eq!(
            GuardEvidence::new(Vec::new().into(), Vec::new(), 0).likeliest(),
            None
        );
    }

    const SCIPY: [(f64, usize, f64); 4] = [
        (1.0, 1, -0.9999999999999997),
        (5.0, 3, -2.0822292679157215),
        (60.0, 4, -49.458323162484604),
        (300.0, 12, -254.72347559712415),
    ];
}
