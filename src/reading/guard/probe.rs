//! The streaming probe: samples of one tuning in, evidence for each hypothesis out.

use std::sync::Arc;

use num_complex::Complex;

use super::evidence::{GuardEvidence, Score};
use super::families::{Family, Hypothesis, Rhythm, hypotheses};
use super::lag::{Lag, TAPS};
use super::whiten::Whitener;
use crate::capture::Sample;
use crate::units::Hertz;

/// A tuning is looked at in stretches of this many seconds, each a dwell of its own in the evidence.
pub const STRETCH_S: f64 = 0.020;
/// Stretches of one tuning that are looked at; what comes after them (60 ms) is passed over.
pub const STRETCHES: usize = 3;
/// A stretch shorter than this share of [`STRETCH_S`] at a tuning's end is passed over.
const SHORTEST: f64 = 0.25;
/// Frames of the whitener last about this long: 1024 samples at 2.4 MS/s, so its bins are 2.3 kHz wide.
const FRAME_S: f64 = 427e-6;
/// A receiver's clock error this large is tried too where it matters (ratio): at the longest lags, 50 ppm is half a sample.
const CLOCK_ERROR: f64 = 33e-6;
/// Lags from here on, in samples, matter so …
const LONG_LAG: f64 = 8000.0;
/// … for guards below this share of the useful duration: the longer ones are found in spite of it.
const SHORT_GUARD: f64 = 1.0 / 50.0;
/// The sliding window over a guard interval moves by this share of it.
const STEPS_A_GUARD: usize = 6;

/// A lag that shows something is held against those one and two lines of analogue television away (in seconds, in channels of
/// 7 and 8 MHz): pictures repeat line by line, at all of them alike, and a guard interval only at its own lag. An echo a line
/// late shows one line away too, but not two.
///
/// Source: ITU-R BT.470 (15 625 Hz), from memory.
const LINE_S: f64 = 64e-6;
/// The same in channels of 6 MHz: 15 734.27 Hz.
const LINE_6_MHZ_S: f64 = 1e-6 / 0.01573427;
/// Chances below this (natural logarithm) are held against it, a stretch and lag at a time.
const CONTROLLED_FROM: f64 = -8.0;
/// Controls are no shorter than this, in samples: nearer, samples that were filtered hang together.
const SHORTEST_CONTROL: f64 = 4.0 * TAPS as f64;
/// How many times the evidence a line away is taken off.
const CONTROL: f64 = 3.0;

/// What can be wrong with a probe's settings.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum GuardError {
    /// A sample rate out of the range that is supported.
    #[error("guard probe: a sample rate of {0} Hz is outside 200 kHz to 64 MHz")]
    SampleRate(f64),
    /// A channel width without a table.
    #[error("guard probe: no OFDM system is tabled for a channel {0} MHz wide: use 6, 7 or 8 MHz")]
    Width(f64),
    /// A band that isn't inside what the sample rate carries.
    #[error(
        "guard probe: the band {low_hz} to {high_hz} Hz must ascend, be at least 50 kHz wide and lie within ±{half_hz} Hz"
    )]
    Band {
        /// Lower end.
        low_hz: f64,
        /// Upper end.
        high_hz: f64,
        /// Half the sample rate.
        half_hz: f64,
    },
    /// Evidence gathered for unlike questions.
    #[error("guard evidence of two channels with unlike widths or families can't be combined")]
    Unlike,
}

/// Looks for guard intervals in the samples of one channel's tunings, one tuning after another.
///
/// Memory is taken when it is made and does not grow: about 40 bytes a sample of a 20 ms stretch. A finished stretch is
/// analysed within [`push`](GuardProbe::push).
///
/// ```
/// use gainsay::reading::guard::{Family, GuardProbe};
/// use gainsay::units::Hertz;
///
/// let mut probe = GuardProbe::new(Hertz(2.4e6), Hertz::from_mhz(8.0), &Family::ALL)?;
/// probe.start(-1e6, 1e6)?;
/// probe.push(&vec![Default::default(); 48_000]);
/// assert!(probe.finish().decide().is_none());
/// # Ok::<(), gainsay::reading::guard::GuardError>(())
/// ```
pub struct GuardProbe {
    sample_rate_hz: f64,
    hypotheses: Arc<[Hypothesis]>,
    lags: Vec<LagRun>,
    whitener: Whitener,
    band_share: f64,
    stretch: Vec<Sample>,
    filled: usize,
    stretches: usize,
    re: Vec<f32>,
    im: Vec<f32>,
    products: Vec<Complex<f32>>,
    energy: Vec<f32>,
    folded: Vec<Complex<f32>>,
    offsets: Vec<usize>,
    scores: Vec<Score>,
    found: Vec<Option<Found>>,
}

/// One lag of the table.
struct LagRun {
    /// The lag, and after a long one the same with a clock error to either side.
    tried: Vec<Lag>,
    /// The lags one line of analogue television away, and two.
    controls: [Vec<Lag>; 2],
    /// The end of its run of hypotheses.
    end: usize,
}

impl GuardProbe {
    /// A probe for a channel of `width` that may carry `families`, in samples at `sample_rate`. Its band is ±0.4 of the
    /// sample rate until [`start`](GuardProbe::start) says otherwise.
    ///
    /// # Errors
    /// [`GuardError::SampleRate`], [`GuardError::Width`].
    pub fn new(sample_rate: Hertz, width: Hertz, families: &[Family]) -> Result<Self, GuardError> {
        let rate = sample_rate.0;
        if !(200e3..=64e6).contains(&rate) {
            return Err(GuardError::SampleRate(rate));
        }
        let width_mhz = width.mhz().round();
        if !(6.0..=8.0).contains(&width_mhz) || (width.mhz() - width_mhz).abs() > 0.01 {
            return Err(GuardError::Width(width.mhz()));
        }
        let hypotheses: Arc<[Hypothesis]> =
            hypotheses(width_mhz as u32, families, STRETCH_S).into();
        let line_s = if width_mhz == 6.0 {
            LINE_6_MHZ_S
        } else {
            LINE_S
        };
        let mut lags: Vec<LagRun> = Vec::new();
        for (index, hypothesis) in hypotheses.iter().enumerate() {
            if index > 0 && hypotheses[index - 1].lag_s == hypothesis.lag_s {
                if let Some(last) = lags.last_mut() {
                    last.end = index + 1;
                }
            } else {
                let samples = hypothesis.lag_s * rate;
                let errors: &[f64] = if samples > LONG_LAG {
                    &[0.0, -CLOCK_ERROR, CLOCK_ERROR]
                } else {
                    &[0.0]
                };
                let tried = errors.iter().map(|error| Lag::new(samples * (1.0 + error)));
                let controls = [1.0, 2.0].map(|lines| {
                    let away = lines * line_s * rate;
                    let both = [samples - away, samples + away].into_iter();
                    both.filter(|&samples| samples > SHORTEST_CONTROL)
                        .map(Lag::new)
                        .collect()
                });
                lags.push(LagRun {
                    tried: tried.collect(),
                    controls,
                    end: index + 1,
                });
            }
        }
        let longest = (STRETCH_S * rate).ceil() as usize;
        let frame = ((FRAME_S * rate) as usize).next_power_of_two().max(64);
        let mut probe = GuardProbe {
            sample_rate_hz: rate,
            lags,
            whitener: Whitener::new(frame, longest, rate),
            band_share: 0.0,
            stretch: vec![Complex::ZERO; longest],
            filled: 0,
            stretches: 0,
            re: vec![0.0; longest],
            im: vec![0.0; longest],
            products: vec![Complex::ZERO; longest + 1],
            energy: vec![0.0; longest + 1],
            folded: vec![Complex::ZERO; longest + 1],
            offsets: Vec::with_capacity(longest / TAPS + 1),
            scores: vec![Score::default(); hypotheses.len()],
            found: vec![None; hypotheses.len()],
            hypotheses,
        };
        probe.start(-0.4 * rate, 0.4 * rate)?;
        Ok(probe)
    }

    /// Begins a tuning: only `low_hz` to `high_hz`, counted from the tuning's centre, is looked at. Give the part of the
    /// tuning's clean inner band that lies in the channel. Samples of an unfinished tuning are dropped.
    ///
    /// # Errors
    /// [`GuardError::Band`].
    pub fn start(&mut self, low_hz: f64, high_hz: f64) -> Result<(), GuardError> {
        let half_hz = self.sample_rate_hz / 2.0;
        // Written so that NaN fails too.
        if !(low_hz >= -half_hz && high_hz <= half_hz && high_hz - low_hz >= 50e3) {
            return Err(GuardError::Band {
                low_hz,
                high_hz,
                half_hz,
            });
        }
        self.whitener.set_band(low_hz, high_hz);
        self.band_share = self.whitener.band_share();
        let both = |run| {
            let LagRun {
                tried, controls, ..
            }: &mut LagRun = run;
            tried.iter_mut().chain(controls.iter_mut().flatten())
        };
        for lag in self.lags.iter_mut().flat_map(both) {
            lag.set_band(low_hz / self.sample_rate_hz, high_hz / self.sample_rate_hz);
        }
        self.reset();
        Ok(())
    }

    /// Takes the next samples of the tuning. What lies beyond the first [`STRETCHES`] stretches is passed over; a sample
    /// that is not finite counts as zero. Allocates nothing.
    pub fn push(&mut self, mut samples: &[Sample]) {
        while !samples.is_empty() && self.stretches < STRETCHES {
            let take = samples.len().min(self.stretch.len() - self.filled);
            for (into, sample) in self.stretch[self.filled..].iter_mut().zip(&samples[..take]) {
                *into = if sample.re.is_finite() && sample.im.is_finite() {
                    *sample
                } else {
                    Complex::ZERO
                };
            }
            self.filled += take;
            samples = &samples[take..];
            if self.filled == self.stretch.len() {
                self.analyse();
            }
        }
    }

    /// Ends the tuning and hands out its evidence; the probe is ready for the next tuning in the same band.
    pub fn finish(&mut self) -> GuardEvidence {
        if self.filled as f64 >= SHORTEST * self.stretch.len() as f64 {
            self.analyse();
        }
        let evidence = GuardEvidence::new(
            Arc::clone(&self.hypotheses),
            self.scores.clone(),
            self.stretches,
        );
        self.reset();
        evidence
    }

    fn reset(&mut self) {
        self.filled = 0;
        self.stretches = 0;
        self.scores.fill(Score::default());
    }

    fn analyse(&mut self) {
        let length = self.filled;
        self.filled = 0;
        self.stretches += 1;
        let (re, im) = (&mut self.re[..length], &mut self.im[..length]);
        self.whitener.whiten(&self.stretch[..length], re, im);
        let mut sum = 0.0;
        for ((into, r), i) in self.energy[1..].iter_mut().zip(&*re).zip(&*im) {
            sum += r * r + i * i;
            *into = sum;
        }
        let mut first = 0;
        for LagRun {
            tried,
            controls,
            end,
        } in &self.lags
        {
            for (which, lag) in tried.iter().enumerate() {
                let count = lag.running_products(re, im, &mut self.products);
                let run = Run {
                    lag,
                    products: &self.products[..=count],
                    energy: &self.energy[..=length],
                    sample_rate_hz: self.sample_rate_hz,
                    band_share: self.band_share,
                };
                for index in first..*end {
                    let hypothesis = &self.hypotheses[index];
                    let short = hypothesis.guard_s < SHORT_GUARD * hypothesis.lag_s;
                    if which > 0 && !short {
                        continue;
                    }
                    let found = run.fold(hypothesis, &mut self.offsets, &mut self.folded);
                    let found = found.map(|f| f.one_of(if short { tried.len() } else { 1 }));
                    let best = &mut self.found[index];
                    if best.is_none_or(|best| found.is_some_and(|f| f.ln_chance < best.ln_chance)) {
                        *best = found;
                    }
                }
            }
            // The likeliest of the lag's hypotheses is held against its neighbours, and what they show taken off all alike, so
            // that guards of one lag keep their order.
            let likeliest = (first..*end)
                .filter_map(|index| Some((index, self.found[index]?.ln_chance)))
                .min_by(|a, b| a.1.total_cmp(&b.1))
                .filter(|&(_, ln_chance)| ln_chance < CONTROLLED_FROM);
            if let Some((index, _)) = likeliest {
                let hypothesis = &self.hypotheses[index];
                let mut least = [0f64; 2];
                for (least, lags) in least.iter_mut().zip(controls) {
                    for lag in lags {
                        let count = lag.running_products(re, im, &mut self.products);
                        let run = Run {
                            lag,
                            products: &self.products[..=count],
                            energy: &self.energy[..=length],
                            sample_rate_hz: self.sample_rate_hz,
                            band_share: self.band_share,
                        };
                        let control = run.fold(hypothesis, &mut self.offsets, &mut self.folded);
                        *least = control.map_or(*least, |found| least.min(found.ln_chance));
                    }
                }
                // What shows one line away and not two is an echo.
                let against = least[0].max(least[1]);
                for found in self.found[first..*end].iter_mut().flatten() {
                    found.ln_chance = (found.ln_chance - CONTROL * against).min(0.0);
                }
            }
            first = *end;
        }
        for (score, found) in self.scores.iter_mut().zip(&mut self.found) {
            if let Some(found) = found.take() {
                score.add(found);
            }
        }
    }
}

/// What one stretch says of one hypothesis.
#[derive(Debug, Clone, Copy)]
pub(super) struct Found {
    /// Natural logarithm of the chance that noise alone does as well.
    pub ln_chance: f64,
    /// Correlation coefficient inside the guard interval, 0 to 1.
    pub coefficient: f64,
    /// Independent samples that it rests on.
    pub weight: f64,
}

impl Found {
    /// The same, where it is the best of `tried`.
    fn one_of(self, tried: usize) -> Self {
        Found {
            ln_chance: (self.ln_chance + (tried as f64).ln()).min(0.0),
            ..self
        }
    }
}

/// One stretch at one lag.
struct Run<'a> {
    lag: &'a Lag,
    products: &'a [Complex<f32>],
    energy: &'a [f32],
    sample_rate_hz: f64,
    band_share: f64,
}

impl Run<'_> {
    /// Sums the products over one guard interval of every symbol, for every place where the first could begin; the best
    /// place is judged by its correlation coefficient above the mean over all places.
    ///
    /// For M independent complex Gaussian samples and no true correlation, P(γ² ≥ u) = (1 − u)^(M−1); with J places the
    /// chance is at most J times that. Source: the null distribution of the sample coherence, e.g. G. C. Carter, C. H.
    /// Knapp, A. H. Nuttall, IEEE Trans. Audio Electroacoust. AU-21(4), 1973, for zero true coherence.
    fn fold(
        &self,
        hypothesis: &Hypothesis,
        offsets: &mut Vec<usize>,
        folded: &mut [Complex<f32>],
    ) -> Option<Found> {
        let count = self.products.len() - 1;
        let guard = (hypothesis.guard_s * self.sample_rate_hz).round() as usize;
        let room = count.checked_sub(guard).filter(|_| guard > 0)?;
        let step = (guard / STEPS_A_GUARD).max(1);
        offsets.clear();
        let places_span = match &hypothesis.rhythm {
            Rhythm::Every(period_s) => {
                let period = period_s * self.sample_rate_hz;
                offsets.extend(
                    (0..)
                        .map(|m| (f64::from(m) * period).round() as usize)
                        .take_while(|&o| o <= room),
                );
                period as usize
            }
            Rhythm::Once(at) => {
                offsets.extend(
                    at.iter()
                        .map(|s| (s * self.sample_rate_hz).round() as usize)
                        .filter(|&o| o <= room),
                );
                room
            }
        };
        let places = places_span.min(room) / step + 1;
        let folded = &mut folded[..places];
        folded.fill(Complex::ZERO);
        for &offset in offsets.iter() {
            let here = places.min((room - offset) / step + 1);
            let begin = self.products[offset..].iter().step_by(step);
            let end = self.products[offset + guard..].iter().step_by(step);
            for ((into, a), b) in folded[..here].iter_mut().zip(begin).zip(end) {
                *into += b - a;
            }
        }

        let mean = self.products[count] / count as f32;
        let mut best = (0.0, 0, 1);
        let mut symbols = offsets.len();
        for (place, sum) in folded.iter().enumerate() {
            let start = place * step;
            while symbols > 1 && offsets[symbols - 1] + start > room {
                symbols -= 1;
            }
            let summed = (symbols * guard) as f32;
            let above = (sum - mean * summed).norm_sqr() / summed;
            if above > best.0 {
                best = (above, place, symbols);
            }
        }

        let (_, place, symbols) = best;
        let (square, _) = self.judge(&offsets[..symbols], place * step, guard)?;
        // The step costs up to 8 % of the coefficient: the places between are tried too, but only for that figure, so that
        // the count of places tried stays true for the chance.
        let least = (place * step).saturating_sub(step / 2);
        let coefficient = (least..=place * step + step / 2)
            .step_by((step / 4).max(1))
            .filter(|start| start + offsets[symbols - 1] <= room)
            .filter_map(|start| self.judge(&offsets[..symbols], start, guard))
            .map(|(_, coefficient)| coefficient)
            .fold(0.0, f64::max);
        let summed = (symbols * guard) as f64;
        let independent = summed * self.band_share;
        let ln_chance = (places as f64).ln() + (independent - 1.0).max(0.0) * (-square).ln_1p();
        Some(Found {
            ln_chance: ln_chance.min(0.0),
            coefficient,
            weight: independent,
        })
    }

    /// The products over `guard` samples from `start` after each of `offsets`, above the mean of all products: the squared
    /// coefficient as noise is judged by it, and the coefficient as a signal has it. `None` where there is no power.
    fn judge(&self, offsets: &[usize], start: usize, guard: usize) -> Option<(f64, f64)> {
        let count = self.products.len() - 1;
        let energy = |from: usize| f64::from(self.energy[from + guard] - self.energy[from]);
        let (mut sum, mut early, mut late) = (Complex::<f32>::ZERO, 0.0, 0.0);
        for from in offsets.iter().map(|offset| offset + start) {
            sum += self.products[from + guard] - self.products[from];
            early += energy(from);
            late += energy((from + self.lag.nearest).min(self.energy.len() - 1 - guard));
        }
        let summed = offsets.len() * guard;
        let mean = self.products[count] / count as f32;
        // The mean that is taken off holds the same products, which lessens both signal and variance.
        let kept = 1.0 - summed as f64 / count as f64;
        let above = f64::from((sum - mean * summed as f32).norm_sqr());
        let energies = early * late;
        (energies > 0.0 && kept > 0.0).then(|| {
            let square = above / (energies * self.lag.power_gain * kept);
            let coefficient = (above / energies).sqrt() / kept / self.lag.true_gain;
            (square.min(1.0 - 1e-9), coefficient.min(1.0))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn some(length: usize) -> Vec<Sample> {
        (0..length)
            .map(|n| Complex::cis(0.37 * (n * n % 7919) as f32) * 0.1)
            .collect()
    }

    #[test]
    fn settings_that_make_no_sense_are_refused_with_the_value() {
        let of = |rate, mhz| {
            GuardProbe::new(Hertz(rate), Hertz::from_mhz(mhz), &Family::ALL).map(|_| ())
        };
        for rate in [0.0, -1.0, f64::NAN, f64::INFINITY, 1e12] {
            assert!(
                matches!(of(rate, 8.0), Err(GuardError::SampleRate(_))),
                "{rate}"
            );
        }
        for mhz in [0.0, 5.0, 6.5, 9.0, f64::NAN, -8.0] {
            assert!(matches!(of(2.4e6, mhz), Err(GuardError::Width(_))), "{mhz}");
        }
        let mut probe = GuardProbe::new(Hertz(2.4e6), Hertz::from_mhz(8.0), &Family::ALL).unwrap();
        for (low, high) in [
            (1e6, -1e6),
            (-2e6, 0.0),
            (0.0, 2e6),
            (0.0, 10.0),
            (f64::NAN, 1e6),
            (0.0, f64::NAN),
        ] {
            assert!(
                matches!(probe.start(low, high), Err(GuardError::Band { .. })),
                "{low} {high}"
            );
        }
    }

    #[test]
    fn pieces_of_any_size_give_the_same_evidence() {
        let samples = some(100_000);
        let mut probe =
            GuardProbe::new(Hertz(2.4e6), Hertz::from_mhz(8.0), &[Family::DvbT]).unwrap();
        probe.push(&samples);
        let whole = probe.finish().likeliest();
        for size in [1_001, 47_999, 48_000] {
            samples.chunks(size).for_each(|piece| probe.push(piece));
            assert_eq!(probe.finish().likeliest(), whole, "{size}");
        }
    }

    #[test]
    fn only_the_first_stretches_of_a_tuning_count_and_a_short_rest_does_not() {
        let mut probe =
            GuardProbe::new(Hertz(2.4e6), Hertz::from_mhz(8.0), &[Family::DvbT]).unwrap();
        for (length, stretches) in [
            (0, 0),
            (11_999, 0),
            (12_000, 1),
            (59_000, 1),
            (60_000, 2),
            (400_000, STRETCHES),
        ] {
            probe.push(&some(length));
            assert_eq!(probe.finish().stretches(), stretches, "{length}");
        }
    }

    #[test]
    fn silence_numbers_that_are_none_and_odd_rates_find_nothing_and_break_nothing() {
        let strange = [
            Complex::new(f32::NAN, 0.0),
            Complex::new(0.0, f32::INFINITY),
            Complex::new(1e30, -1e30),
        ];
        for rate in [250e3, 1.024e6, 3.2e6] {
            let mut probe =
                GuardProbe::new(Hertz(rate), Hertz::from_mhz(6.0), &Family::ALL).unwrap();
            for _ in 0..2 {
                probe.push(&vec![Complex::ZERO; 10_000]);
                for _ in 0..10_000 {
                    probe.push(&strange);
                }
            }
            assert_eq!(probe.finish().decide(), None, "{rate}");
        }
    }

    #[test]
    fn evidence_of_unlike_channels_is_not_combined() {
        let of = |mhz| {
            GuardProbe::new(Hertz(2.4e6), Hertz::from_mhz(mhz), &Family::ALL)
                .unwrap()
                .finish()
        };
        assert_eq!(of(8.0).combine(&of(7.0)), Err(GuardError::Unlike));
        assert_eq!(of(8.0).combine(&of(8.0)), Ok(()));
    }
}
