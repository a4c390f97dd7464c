//! An echo from the regular ripple that it gives a channel's spectrum.

use std::f64::consts::{PI, TAU};

use num_complex::Complex;
use rustfft::FftPlanner;
use serde::{Deserialize, Serialize};

use super::density::{ChannelDensity, Group, HANN_BIN_SPREAD, Transmitted};
use super::{DB, FEWEST_POINTS, median};

/// Longest echo looked for, in seconds. The pilots of OFDM give ripples of their own from about 37 µs on.
pub const LONGEST_ECHO_S: f64 = 30e-6;

/// Weakest ripple called an echo, as a/(1 + a²): −30 dB, or 0.26 dB of ripple. Less may be the receiver's own passband,
/// repeated tuning after tuning.
pub const WEAKEST_ECHO: f64 = 0.03;

/// A passband that was not divided out ripples by no more than this, as a/(1 + a²): −20 dB, or 0.9 dB each way. A slope of
/// 1.5 dB at the ends of what is used stays under it.
pub const LARGEST_PASSBAND_RIPPLE: f64 = 0.1;

/// A regular ripple that is no echo's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Regular {
    /// At what distance it repeats in hertz: it stands at multiples of one over that in delay.
    pub every_hz: f64,
    /// The largest that it may be, as a/(1 + a²): a larger one is an echo.
    pub largest: f64,
}

/// The chance of calling noise an echo, per channel, that [`echo()`] allows.
pub const FALSE_ALARM: f64 = 1e-3;

/// Width to which the density is averaged before an echo is looked for: so fine that a network's second station, up to some
/// 800 µs late, gives no ripple that looks like one of a shorter delay.
const ECHO_RESOLUTION_HZ: f64 = 1.2e3;

/// An echo, seen as a regular ripple.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Echo {
    /// Delay between the paths in seconds; which comes first is not known.
    pub delay_s: f64,
    /// Its standard error in seconds.
    pub delay_standard_error_s: f64,
    /// Level of the weaker path relative to the stronger in dB, 0 or below.
    pub level_db: f64,
    /// The chance that noise alone gives so high a line at any delay, at most [`FALSE_ALARM`].
    pub false_alarm: f64,
}

/// The strongest regular ripple as an echo; `None` where nothing stands out of the noise by so much that noise alone
/// would do it in fewer than one channel in a thousand, or the ripple is under [`WEAKEST_ECHO`].
///
/// Delays from twice the inverse of the stretch used (0.38 µs for 8-VSB) to [`LONGEST_ECHO_S`] are looked at.
pub fn echo(channel: &ChannelDensity, transmitted: Transmitted) -> Option<Echo> {
    echo_beside(channel, transmitted, &[])
}

/// The same where there are regular ripples of another `own` origin: at their delays only a larger one is an echo; else the
/// strongest at any other delay is looked for.
pub fn echo_beside(
    channel: &ChannelDensity,
    transmitted: Transmitted,
    own: &[Regular],
) -> Option<Echo> {
    let groups = Group::all(channel, transmitted, ECHO_RESOLUTION_HZ)?;
    if groups.len() < 4 * FEWEST_POINTS {
        return None;
    }
    let (first, last) = (groups.first()?, groups.last()?);
    let step_hz = first.points as f64 * channel.step_hz;
    let count = ((last.hz - first.hz) / step_hz).round() as usize + 1;
    let stretch_hz = count as f64 * step_hz;

    // Relative to the straight line through the density, windowed; gaps stay at zero.
    let place = |g: &Group| ((g.hz - first.hz) / step_hz).round();
    let weights: Vec<f64> = groups
        .iter()
        .map(|g| 0.5 - 0.5 * (TAU * (place(g) + 0.5) / count as f64).cos())
        .collect();
    let line = StraightLine::through(&groups, &weights);
    let length = (4 * count).next_power_of_two();
    let mut transform = vec![Complex::new(0.0, 0.0); length];
    let (mut window_sum, mut expected_floor) = (0.0, 0.0);
    for (g, w) in groups.iter().zip(&weights) {
        let trend = line.at(g.hz);
        if trend <= 0.0 {
            return None;
        }
        transform[(place(g) as usize).min(count - 1)].re = w * (g.power / trend - 1.0);
        window_sum += w;
        expected_floor += (w * g.error / trend).powi(2);
    }
    FftPlanner::new()
        .plan_fft_forward(length)
        .process(&mut transform);
    let power: Vec<f64> = transform.iter().map(Complex::norm_sqr).collect();

    let delay_step_s = 1.0 / (length as f64 * step_hz);
    let shortest = (2.0 / stretch_hz / delay_step_s).ceil() as usize;
    let longest = ((LONGEST_ECHO_S.min(0.4 / step_hz)) / delay_step_s) as usize;
    let searched = power.get(shortest..=longest)?;
    // The floor is what averaging leaves by itself, or what the spectrum shows if that is more. The shown one is a
    // median of exponentials, whose variance is 1/ln²2 that of their mean, over cells of the Hann window.
    // Neighbouring points scatter together, which lifts what they leave at short delays.
    let points = first.points as f64;
    let together = channel.bin_spread / (1.0 + (channel.bin_spread - 1.0) * (1.0 - 1.0 / points));
    let expected_floor = expected_floor * together;
    let cells = (longest - shortest) as f64 * delay_step_s * stretch_hz / HANN_BIN_SPREAD;
    let shape = cells * std::f64::consts::LN_2.powi(2);
    let floor = expected_floor.max(median(searched.to_vec()) / std::f64::consts::LN_2);
    let explained = |place: usize| {
        let of = |one: &&Regular| {
            // A line of the Hann window reaches two cells to either side.
            let turns = (place + shortest) as f64 * delay_step_s * one.every_hz;
            (turns - turns.round()).abs() * stretch_hz / one.every_hz < 2.0
        };
        own.iter()
            .filter(of)
            .map(|one| one.largest)
            .fold(0.0, f64::max)
    };
    let smoothed = |delay_s: f64| {
        let turns = PI * delay_s * step_hz;
        turns.sin() / turns
    };
    let ripple_of = |top: f64, delay_s: f64| {
        let squared = ((top - floor) / (window_sum * smoothed(delay_s)).powi(2)).max(0.0);
        squared.sqrt().min(0.5)
    };
    let strongest = |among: &dyn Fn(usize) -> bool| {
        (searched.iter().enumerate())
            .filter(|&(place, _)| among(place))
            .max_by(|a, b| a.1.total_cmp(b.1))
    };
    let (mut at, mut peak) = strongest(&|_| true)?;
    if ripple_of(*peak, (at + shortest) as f64 * delay_step_s) < explained(at) {
        (at, peak) = strongest(&|place| explained(place) == 0.0)?;
    }
    let (at, peak) = (at + shortest, *peak);
    let false_alarm = (searched.len() as f64 * (1.0 + peak / floor / shape).powf(-shape)).min(1.0);

    let (below, above) = (power[at - 1].ln(), power[at + 1].ln());
    let bend = below - 2.0 * peak.ln() + above;
    let aside = if bend < 0.0 {
        ((below - above) / (2.0 * bend)).clamp(-1.0, 1.0)
    } else {
        0.0
    };
    let delay_s = (at as f64 + aside) * delay_step_s;
    let top = (peak.ln() - (below - above) * aside / 4.0).exp();
    let ripple = ripple_of(top, delay_s);
    if false_alarm > FALSE_ALARM || ripple < WEAKEST_ECHO {
        return None;
    }
    let amplitude = (1.0 - (1.0 - 4.0 * ripple * ripple).sqrt()) / (2.0 * ripple);
    // As for a line's frequency: ∫w²t² and ∫w t² of the Hann window of length 1 in closed form.
    let (w2t2, wt2) = (
        1.0 / 32.0 - 15.0 / (64.0 * PI * PI),
        1.0 / 24.0 - 1.0 / (4.0 * PI * PI),
    );
    let per_line = floor / (top - floor) / 1.5;
    let delay_standard_error_s =
        (per_line * w2t2 / (8.0 * PI * PI * wt2 * wt2)).sqrt() / stretch_hz;
    Some(Echo {
        delay_s,
        delay_standard_error_s,
        level_db: 2.0 * DB * amplitude.ln(),
        false_alarm,
    })
}

struct StraightLine {
    middle_hz: f64,
    mean: f64,
    slope: f64,
}

impl StraightLine {
    /// Weighted least squares; with the window's weights a ripple of no whole number of periods shifts it least.
    fn through(groups: &[Group], weights: &[f64]) -> Self {
        let sum = |value: &dyn Fn(&Group) -> f64| {
            groups
                .iter()
                .zip(weights)
                .map(|(g, w)| w * value(g))
                .sum::<f64>()
        };
        let all = sum(&|_| 1.0);
        let middle_hz = sum(&|g| g.hz) / all;
        let mean = sum(&|g| g.power) / all;
        let moment = sum(&|g| (g.hz - middle_hz).powi(2));
        let slope = sum(&|g| (g.hz - middle_hz) * (g.power - mean)) / moment;
        // A deep notch at one end could tilt the line below zero at the other: keep it above a fifth of the mean.
        let reach = groups
            .iter()
            .map(|g| (g.hz - middle_hz).abs())
            .fold(f64::MIN_POSITIVE, f64::max);
        let steepest = 0.8 * mean.abs() / reach;
        StraightLine {
            middle_hz,
            mean,
            slope: slope.clamp(-steepest, steepest),
        }
    }

    fn at(&self, hz: f64) -> f64 {
        self.mean + self.slope * (hz - self.middle_hz)
    }
}
