//! One channel's levels in the takes of both antennas, and which of them stand against each other.

use super::blocks::{Antenna, Arrangement, Unit};
use super::refusal::{gain_above, label};
use super::types::{Basis, Method};
use crate::channels::ChannelId;
use crate::reading::{Health, NoiseSource, Reading, Take};
use crate::statistics::normal_upper_quantile;

/// False alarm of the test whether an antenna shows a signal, one-sided.
const FALSE_ALARM: f64 = 1e-3;
/// Covered stretches count as the same where their ends differ by no more than this share of the channel's width.
const STRETCH_TOLERANCE: f64 = 0.01;
/// Pilots of one channel that were found further apart than this, in hertz, are not one pilot: 10 ppm at 500 MHz, more than
/// a warm receiver drifts between takes.
const PILOT_TOLERANCE_HZ: f64 = 5e3;
/// Levels at least so many standard errors above zero are averaged in decibels.
const STRONG: f64 = 10.0;

/// What a channel reads in one take: linear powers, brought to the reference take's gain.
#[derive(Debug, Clone)]
pub(super) struct Level<'t> {
    pub reading: &'t Reading,
    /// Signal: power less noise; by pilot, the pilot's power.
    pub signal: f64,
    /// Whether an antenna's signal was found: the channel's, or its pilot.
    pub found: bool,
    /// Standard error of the power, noise included, and its degrees of freedom: independent from take to take.
    pub power_error: f64,
    pub power_freedom: f64,
    /// Noise, its standard error with degrees of freedom, and its type B part.
    pub noise: f64,
    pub noise_error: f64,
    pub noise_freedom: f64,
    pub noise_type_b: f64,
    /// Whether that noise was subtracted, so that its errors are the signal's too. A pilot has its own from beside it.
    pub noise_subtracted: bool,
    /// The terminated take that the noise came from; `None` where it was estimated from the take itself.
    pub terminated: Option<&'t str>,
    /// When it was taken, in seconds after the reference take.
    pub taken_s: f64,
    /// Whether its gain differs from the reference take's.
    pub gain_step: bool,
    /// What brings the take's powers to the reference take's gain.
    scale: f64,
}

impl<'t> Level<'t> {
    /// Level of the signal in dB; meaningless where it is not above zero.
    pub fn db(&self) -> f64 {
        10.0 * self.signal.log10()
    }

    /// Standard error of the noise that is in the signal's.
    pub fn subtracted_error(&self) -> f64 {
        if self.noise_subtracted {
            self.noise_error
        } else {
            0.0
        }
    }

    /// Type B standard uncertainty of the noise that is in the signal's.
    pub fn subtracted_type_b(&self) -> f64 {
        if self.noise_subtracted {
            self.noise_type_b
        } else {
            0.0
        }
    }

    /// Standard error of the signal: power's and noise's.
    pub fn signal_error(&self) -> f64 {
        self.power_error.hypot(self.subtracted_error())
    }

    pub fn is_strong(&self) -> bool {
        self.signal > 0.0 && self.signal >= STRONG * self.signal_error()
    }

    /// The same with the pilot in the channel's place; `None` where the take has none.
    pub fn by_pilot(&self) -> Option<Level<'t>> {
        let pilot = self.reading.pilot.as_ref()?;
        let power = pilot.power;
        (power.value.is_finite() && power.standard_error.is_finite()).then(|| Level {
            signal: power.value * self.scale,
            found: pilot.found,
            power_error: power.standard_error * self.scale,
            power_freedom: power.degrees_of_freedom,
            noise_subtracted: false,
            ..self.clone()
        })
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
    pub method: Method,
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
                    method: Method::Power,
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
            method: Method::Power,
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
        found: reading.found,
        power_error: power.standard_error * scale,
        power_freedom: power.degrees_of_freedom,
        noise: noise.value * scale,
        noise_error: noise.standard_error * scale,
        noise_freedom: noise.degrees_of_freedom,
        noise_type_b: reading.noise_type_b * scale,
        noise_subtracted: true,
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
        scale,
    })
}

impl<'t> Design<'t> {
    /// The same by pilot; `None` where a level has none, where none is found, or where those found are not one pilot.
    ///
    /// No level may be left out for having none: those left would be the ones in which chance lifted it.
    pub fn by_pilot(&self) -> Option<Design<'t>> {
        let of = |levels: &[Level<'t>]| -> Option<Vec<Level<'t>>> {
            levels.iter().map(Level::by_pilot).collect()
        };
        let groups: Vec<Group> = (self.groups.iter())
            .map(|group| {
                Some(Group {
                    a: of(&group.a)?,
                    b: of(&group.b)?,
                })
            })
            .collect::<Option<_>>()?;
        let offsets_hz: Vec<f64> = (self.of(Antenna::A).chain(self.of(Antenna::B)))
            .filter_map(|level| level.reading.pilot.as_ref())
            .filter(|pilot| pilot.found)
            .map(|pilot| pilot.offset_hz)
            .collect();
        let lowest_hz = offsets_hz.iter().copied().reduce(f64::min)?;
        let highest_hz = offsets_hz.iter().copied().reduce(f64::max)?;
        (highest_hz - lowest_hz <= PILOT_TOLERANCE_HZ).then(|| Design {
            method: Method::Pilot,
            groups,
            ..self.clone()
        })
    }

    /// Whether the pilot was found in more than half of an antenna's takes.
    pub fn shows_pilot(&self, antenna: Antenna) -> bool {
        let found = |level: &&Level| {
            level
                .reading
                .pilot
                .as_ref()
                .is_some_and(|pilot| pilot.found)
        };
        2 * self.of(antenna).filter(found).count() > self.of(antenna).count()
    }

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

    /// Mean over an antenna's levels, by their weights.
    pub fn mean(&self, antenna: Antenna, of: impl Fn(&Level<'t>) -> f64) -> f64 {
        self.weighted()
            .filter(|one| one.0 == antenna)
            .map(|(_, weight, level)| weight * of(level))
            .sum()
    }

    /// A less B of the means in decibels; meaningless where a level is not above zero.
    pub fn difference_db(&self) -> f64 {
        self.mean(Antenna::A, Level::db) - self.mean(Antenna::B, Level::db)
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
        let found = self.of(antenna).filter(|level| level.found).count();
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
            .map(|level| level.subtracted_error().hypot(level.subtracted_type_b()))
            .sum::<f64>()
            / n;
        mean > normal_upper_quantile(FALSE_ALARM) * (own + common * common).sqrt()
    }
}
