//! One channel's levels in the takes of both antennas, and which of them stand against each other.

use super::blocks::{Antenna, Arrangement, Unit};
use super::refusal::{gain_above, label};
use super::types::Basis;
use crate::channels::ChannelId;
use crate::reading::{Health, NoiseSource, Reading, Take};
use crate::statistics::normal_upper_quantile;

/// False alarm of the test whether an antenna shows a signal, one-sided.
const FALSE_ALARM: f64 = 1e-3;
/// Covered stretches count as the same where their ends differ by no more than this share of the channel's width.
const STRETCH_TOLERANCE: f64 = 0.01;

/// What a channel reads in one take: linear powers, brought to the reference take's gain.
#[derive(Debug, Clone)]
pub(super) struct Level<'t> {
    pub reading: &'t Reading,
    /// Signal: power less noise.
    pub signal: f64,
    /// Standard error of the power, noise included, and its degrees of freedom: independent from take to take.
    pub power_error: f64,
    pub power_freedom: f64,
    /// Noise, its standard error with degrees of freedom, and its type B part.
    pub noise: f64,
    pub noise_error: f64,
    pub noise_freedom: f64,
    pub noise_type_b: f64,
    /// The terminated take that the noise came from; `None` where it was estimated from the take itself.
    pub terminated: Option<&'t str>,
    /// When it was taken, in seconds after the reference take.
    pub taken_s: f64,
    /// Whether its gain differs from the reference take's.
    pub gain_step: bool,
}

impl Level<'_> {
    /// Level of the signal in dB; meaningless where it is not above zero.
    pub fn db(&self) -> f64 {
        10.0 * self.signal.log10()
    }

    /// Standard error of the signal: power's and noise's.
    pub fn signal_error(&self) -> f64 {
        self.power_error.hypot(self.noise_error)
    }
}

/// A channel's readings in all takes, by position in the slices of takes; a reason where there is no level.
pub(super) struct Levels<'t> {
    pub a: Vec<Result<Level<'t>, String>>,
    pub b: Vec<Result<Level<'t>, String>>,
}

/// Levels that stand against each other as one.
#[derive(Debug, Clone)]
pub(super) struct Group<'t> {
    pub a: Vec<Level<'t>>,
    pub b: Vec<Level<'t>>,
}

/// The groups of a channel.
#[derive(Debug, Clone)]
pub(super) struct Design<'t> {
    pub basis: Basis,
    pub groups: Vec<Group<'t>>,
    /// What had to be left out.
    pub remark: Option<String>,
}

impl<'t> Levels<'t> {
    /// `place` is where the channel's reading is likely to stand in a take; levels are brought to `reference`'s gain.
    pub fn gather(
        channel: &ChannelId,
        place: usize,
        reference: &Take,
        a: &'t [Take],
        b: &'t [Take],
    ) -> Levels<'t> {
        let of = |takes: &'t [Take]| {
            takes
                .iter()
                .map(|take| level(channel, place, take, reference))
                .collect()
        };
        Levels { a: of(a), b: of(b) }
    }

    /// The groups of this channel under an arrangement of the takes.
    ///
    /// # Errors
    /// Says why nothing can be compared.
    pub fn design(&self, arrangement: &Arrangement) -> Result<Design<'t>, String> {
        for (name, levels) in [("A", &self.a), ("B", &self.b)] {
            if let (true, Some(Err(reason))) = (levels.iter().all(Result::is_err), levels.first()) {
                return Err(format!("{name}: {reason}"));
            }
        }
        self.same_stretches()?;
        if matches!(arrangement.basis, Basis::Blocks | Basis::Pairs) {
            let whole: Vec<Group> = (arrangement.units.iter())
                .map(|unit| (unit, self.group(unit)))
                .filter(|(unit, group)| {
                    group.a.len() == unit.a.len() && group.b.len() == unit.b.len()
                })
                .map(|(_, group)| group)
                .collect();
            let noun = if arrangement.basis == Basis::Blocks {
                "blocks"
            } else {
                "pairs"
            };
            if !whole.is_empty() {
                let (kept, of) = (whole.len(), arrangement.units.len());
                let remark =
                    (kept < of).then(|| format!("{kept} of {of} {noun} have this channel"));
                return Ok(Design {
                    basis: arrangement.basis,
                    groups: whole,
                    remark,
                });
            }
            return Ok(
                self.all_against_all(Some(format!("none of the {noun} has this channel whole")))
            );
        }
        Ok(self.all_against_all(None))
    }

    /// Every level there is, of either antenna or of one alone.
    pub fn all_against_all(&self, remark: Option<String>) -> Design<'t> {
        let group = self.group(&Unit {
            a: (0..self.a.len()).collect(),
            b: (0..self.b.len()).collect(),
        });
        let basis = if group.a.len() == 1 && group.b.len() == 1 {
            Basis::Single
        } else {
            Basis::Unpaired
        };
        Design {
            basis,
            groups: vec![group],
            remark,
        }
    }

    /// The levels that a unit's takes have.
    fn group(&self, unit: &Unit) -> Group<'t> {
        let pick = |levels: &[Result<Level<'t>, String>], places: &[usize]| {
            places
                .iter()
                .filter_map(|&place| levels[place].as_ref().ok().cloned())
                .collect()
        };
        Group {
            a: pick(&self.a, &unit.a),
            b: pick(&self.b, &unit.b),
        }
    }

    fn same_stretches(&self) -> Result<(), String> {
        let mut levels = self.a.iter().chain(&self.b).flatten();
        let Some(first) = levels.next() else {
            return Ok(());
        };
        let tolerance_hz = STRETCH_TOLERANCE * (first.reading.high_hz - first.reading.low_hz);
        for other in levels {
            let (one, two) = (&first.reading.parts, &other.reading.parts);
            let same = one.len() == two.len()
                && one.iter().zip(two).all(|(p, q)| {
                    (p.low_hz - q.low_hz).abs() <= tolerance_hz
                        && (p.high_hz - q.high_hz).abs() <= tolerance_hz
                });
            if !same {
                let words = |reading: &Reading| {
                    let part = |p: &crate::reading::Part| {
                        format!("{:.2}–{:.2}", p.low_hz / 1e6, p.high_hz / 1e6)
                    };
                    reading
                        .parts
                        .iter()
                        .map(part)
                        .collect::<Vec<_>>()
                        .join(" and ")
                };
                return Err(format!(
                    "covered stretches differ: {} MHz in one take, {} MHz in another",
                    words(first.reading),
                    words(other.reading)
                ));
            }
        }
        Ok(())
    }
}

fn level<'t>(
    channel: &ChannelId,
    place: usize,
    take: &'t Take,
    reference: &Take,
) -> Result<Level<'t>, String> {
    let name = || label(take);
    let is_it = |reading: &&Reading| reading.channel == *channel;
    let likely = take.readings.get(place).filter(is_it);
    let reading = (likely.or_else(|| take.readings.iter().find(is_it)))
        .ok_or_else(|| format!("the channel is not in {}", name()))?;
    let clipped = reading
        .health
        .iter()
        .any(|health| matches!(health, Health::Clipped { .. }));
    let missing = |what: &str| {
        if clipped {
            format!("clipped in {}", name())
        } else {
            format!("{what} in {}", name())
        }
    };
    if clipped && reading.signal.is_none() {
        return Err(missing("clipped"));
    }
    if reading.covered <= 0.0 {
        return Err(missing("nothing covered"));
    }
    let power = reading.power.ok_or_else(|| missing("no power"))?;
    let noise = reading.noise.ok_or_else(|| missing("no noise figure"))?;
    let signal = reading.signal.ok_or_else(|| missing("no signal figure"))?;
    let step_db = gain_above(take, reference, reading.low_hz, reading.high_hz)
        .ok_or_else(|| format!("gains differ from tuning to tuning in {}", name()))?;
    let numbers = [
        power.value,
        power.standard_error,
        noise.value,
        noise.standard_error,
        signal.value,
    ];
    if numbers.iter().any(|number| !number.is_finite()) || noise.value <= 0.0 {
        return Err(missing("a figure that is no number"));
    }
    let scale = 10f64.powf(-step_db / 10.0);
    Ok(Level {
        reading,
        signal: signal.value * scale,
        power_error: power.standard_error * scale,
        power_freedom: power.degrees_of_freedom,
        noise: noise.value * scale,
        noise_error: noise.standard_error * scale,
        noise_freedom: noise.degrees_of_freedom,
        noise_type_b: reading.noise_type_b * scale,
        terminated: match reading.noise_source {
            Some(NoiseSource::Terminated | NoiseSource::TerminatedElsewhere) => {
                take.terminated.as_deref()
            }
            _ => None,
        },
        taken_s: take
            .taken_at
            .duration_since(reference.taken_at)
            .as_secs_f64(),
        gain_step: step_db != 0.0,
    })
}

impl<'t> Design<'t> {
    /// The levels of one antenna, over all groups.
    pub fn of(&self, antenna: Antenna) -> impl Iterator<Item = &Level<'t>> + Clone {
        self.groups.iter().flat_map(move |group| match antenna {
            Antenna::A => group.a.iter(),
            Antenna::B => group.b.iter(),
        })
    }

    /// Every level with its weight in the mean of its antenna; the weights of an antenna add up to 1.
    pub fn weighted(&self) -> impl Iterator<Item = (Antenna, f64, &Level<'t>)> {
        let groups = self.groups.len() as f64;
        self.groups.iter().flat_map(move |group| {
            let a = group
                .a
                .iter()
                .map(move |level| (Antenna::A, 1.0 / (groups * group.a.len() as f64), level));
            let b = group
                .b
                .iter()
                .map(move |level| (Antenna::B, 1.0 / (groups * group.b.len() as f64), level));
            a.chain(b)
        })
    }

    /// Number of repeats: blocks, pairs, or takes of the antenna with fewer.
    pub fn repeats(&self) -> usize {
        match self.basis {
            Basis::Blocks | Basis::Pairs => self.groups.len(),
            Basis::Unpaired | Basis::Single => {
                self.of(Antenna::A).count().min(self.of(Antenna::B).count())
            }
        }
    }

    /// Whether the spread of repeats can be seen.
    pub fn has_repeats(&self) -> bool {
        match self.basis {
            Basis::Blocks | Basis::Pairs => self.groups.len() > 1,
            Basis::Unpaired => self.of(Antenna::A).count() + self.of(Antenna::B).count() > 2,
            Basis::Single => false,
        }
    }

    /// Whether an antenna shows a signal: found in more than half of its takes, or, for several takes, in their mean
    /// (one-sided, false alarm 1 in 1000, with all of the noise's uncertainty, which averaging doesn't reduce).
    pub fn found(&self, antenna: Antenna) -> bool {
        let count = self.of(antenna).count();
        let found = self.of(antenna).filter(|level| level.reading.found).count();
        if 2 * found > count {
            return true;
        }
        if count < 2 {
            return false;
        }
        let n = count as f64;
        let mean = self.of(antenna).map(|level| level.signal).sum::<f64>() / n;
        let own = self
            .of(antenna)
            .map(|level| level.power_error.powi(2))
            .sum::<f64>()
            / (n * n);
        let common = self
            .of(antenna)
            .map(|level| level.noise_error.hypot(level.noise_type_b))
            .sum::<f64>()
            / n;
        mean > normal_upper_quantile(FALSE_ALARM) * (own + common * common).sqrt()
    }
}
