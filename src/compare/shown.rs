//! What a single block shows to vary from take to take.
//!
//! One block gives one difference a channel, and no spread of differences. But it holds repeats: A B B A has A₂ − A₁ and
//! B₂ − B₁. In one channel they can't be told from drift, but a drift, a mating and a change of gain are the same in all
//! channels: taken away (the median over the other channels) they leave what a channel does by itself. Of takes that vary
//! independently, with a variance σ² a take, either difference over √2 has the variance σ², as the block's own difference
//! (A₁ − B₁ − B₂ + A₂)/2 has. So their mean square is two degrees of freedom of what is asked for, in every channel.
//!
//! - **Over many channels** ([`MODERATED`]) these variances are drawn towards each other as far as they are alike
//!   ([`PriorOfVariances`]): a channel that fades more than the others keeps its own, one that was quiet by chance doesn't.
//! - **Over fewer** they are pooled, and what is foreseen stands where it is larger (Birge, Physical Review 40, 1932).
//! - **Slow fading** moves the middle takes of a block less apart than the outer ones, and more of it may be between A's
//!   takes and B's than within either: where the outer ones differ more, over all channels, they count.
//! - **What all channels share**, the matings anew and the gain, is left as foreseen, unless the block contradicts it: the
//!   median of (−1, 3, −3, 1)/√20, which neither a straight drift nor a bend moves, has the variance of one take, too. Where it
//!   is beyond what is foreseen by [`CONTRADICTION`] standard uncertainties it takes its place, with one degree of freedom.
//!
//! It shows no fading of one antenna alone that is slower than the block. Measured: `tests/comparison_coverage.rs`.

use super::budget::{BudgetRow, Evaluation};
use super::levels::Design;
use super::refusal::Options;
use super::sources::DB;
use super::types::Basis;
use crate::statistics::{PriorOfVariances, median};

/// From so many channels on their variances say how alike they are.
const MODERATED: usize = 8;
/// Degrees of freedom of a channel in one block.
const FREEDOM: f64 = 2.0;
/// Levels tell what varies where their own statistics, in dB, are smaller than this.
const TELLING_DB: f64 = 0.1;
/// Beyond so many standard uncertainties what is foreseen is not believed: 10 % by chance, on either side.
const CONTRADICTION: f64 = 1.645;
/// Variance of a median over that of a mean, for normal values: π/2.
const MEDIAN_OVER_MEAN: f64 = std::f64::consts::FRAC_PI_2;

/// What the channels of one block show together.
#[derive(Debug, Clone)]
pub(super) struct Shown {
    pub channels: usize,
    all: Vec<Repeats>,
    /// How much more the outer takes of the block differ than the inner and the outer together, as a variance, 1 at least.
    stretch: f64,
    own: Own,
    /// What all channels share from take to take, in dB, where it is more than is foreseen.
    shared_db: Option<f64>,
}

/// What a channel does by itself.
#[derive(Debug, Clone, Copy)]
enum Own {
    Moderated(PriorOfVariances, f64),
    Pooled {
        variance: f64,
        freedom: f64,
    },
    /// What is foreseen is larger, or nothing is shown.
    Foreseen,
}

/// The differences between a block's outer and between its inner takes, over √2, and what neither drift nor bend moves, in dB.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Repeats {
    outer_db: f64,
    inner_db: f64,
    cubic_db: f64,
}

impl Repeats {
    /// Of a single block whose levels are all strong and known well enough.
    fn of(design: &Design) -> Option<Repeats> {
        let [group] = design.groups.as_slice() else {
            return None;
        };
        if design.basis != Basis::Blocks {
            return None;
        }
        let mut levels: Vec<_> = group.a.iter().chain(&group.b).collect();
        levels.sort_by(|one, two| one.taken_s.total_cmp(&two.taken_s));
        let telling = levels.iter().all(|level| {
            level.is_strong() && DB * level.signal_error() < TELLING_DB * level.signal
        });
        let decibels: Vec<f64> = levels.iter().map(|level| level.db()).collect();
        let [first, second, third, fourth] = decibels[..] else {
            return None;
        };
        telling.then(|| Repeats {
            outer_db: (fourth - first) / 2f64.sqrt(),
            inner_db: (third - second) / 2f64.sqrt(),
            cubic_db: (-first + 3.0 * second - 3.0 * third + fourth) / 20f64.sqrt(),
        })
    }
}

impl Shown {
    /// What strong channels in the same single block show; `None` where there are none.
    pub fn of<'d, 't: 'd>(
        designs: impl IntoIterator<Item = &'d Design<'t>>,
        options: &Options,
    ) -> Option<Shown> {
        let all: Vec<Repeats> = designs.into_iter().filter_map(Repeats::of).collect();
        let channels = all.len();
        let shared_db = median(&all.iter().map(|one| one.cubic_db).collect::<Vec<_>>())?.abs();
        let own: Vec<[f64; 2]> = (0..channels).map(|place| own(&all, place)).collect();
        let mean_square = |which: usize| -> f64 {
            own.iter().map(|one| one[which].powi(2)).sum::<f64>() / channels as f64
        };
        let (outer, inner) = (mean_square(0), mean_square(1));
        let both = (outer + inner) / 2.0;
        let stretch = if both > 0.0 {
            (outer / both).max(1.0)
        } else {
            1.0
        };
        let variances: Vec<f64> = own.iter().map(variance).collect();
        let own = if channels >= MODERATED {
            match PriorOfVariances::of(&variances, FREEDOM) {
                Some(prior) => Own::Moderated(prior, most_freedom(channels)),
                None => Own::Foreseen,
            }
        } else {
            let pooled = variances.iter().sum::<f64>() / channels as f64;
            if channels > 1 && pooled * stretch > options.unsteadiness_db.powi(2) {
                let freedom = FREEDOM * (channels as f64 - 1.0);
                Own::Pooled {
                    variance: pooled,
                    freedom,
                }
            } else {
                Own::Foreseen
            }
        };
        let mut shown = Shown {
            channels,
            all,
            stretch,
            own,
            shared_db: None,
        };
        let own_variance = shown
            .others()
            .map_or(options.unsteadiness_db.powi(2), |(variance, _)| variance);
        let foreseen =
            options.mating_db.powi(2) + MEDIAN_OVER_MEAN * own_variance / channels as f64;
        shown.shared_db = (shared_db > CONTRADICTION * foreseen.sqrt()).then_some(shared_db);
        Some(shown)
    }

    /// Variance in dB² of a block's difference by what a channel does by itself, and its degrees of freedom, for a channel that
    /// doesn't tell its own; `None` where what is foreseen stands.
    fn others(&self) -> Option<(f64, f64)> {
        let (variance, freedom) = match self.own {
            Own::Moderated(prior, most) => (prior.variance, prior.degrees_of_freedom.min(most)),
            Own::Pooled { variance, freedom } => (variance, freedom),
            Own::Foreseen => return None,
        };
        Some((variance * self.stretch, freedom))
    }

    /// Whether there are channels enough that it need not be told by others.
    pub fn is_of_many(&self) -> bool {
        self.channels >= MODERATED
    }

    /// The rows of a block's budget for what varies from take to take, but for the statistics of channels that don't tell;
    /// and whether this channel tells.
    pub fn rows(&self, design: &Design, options: &Options) -> (Vec<BudgetRow>, bool) {
        let told = Repeats::of(design)
            .and_then(|one| self.all.iter().position(|other| *other == one))
            .map(|place| variance(&own(&self.all, place)));
        let varies = match (self.own, told) {
            (Own::Moderated(prior, most), Some(variance)) => {
                let (variance, freedom) = prior.moderate(variance, FREEDOM);
                Some((variance * self.stretch, freedom.min(most + FREEDOM)))
            }
            _ => self.others(),
        };
        let mut rows = Vec::new();
        match varies {
            Some((variance, freedom)) => {
                let source = format!(
                    "what varies from take to take in one channel, by the block's repeats in {} channels",
                    self.channels
                );
                rows.push(
                    BudgetRow::new(source, Evaluation::A, variance.sqrt(), freedom, 1.0)
                        .seen_in_repeats(),
                );
            }
            None => rows.push(foreseen(UNSTEADINESS, options.unsteadiness_db)),
        }
        rows.push(match self.shared_db {
            Some(shared_db) => {
                let source =
                    "what varies from take to take in all channels alike, by the block's repeats";
                BudgetRow::new(source, Evaluation::A, shared_db, 1.0, 1.0).seen_in_repeats()
            }
            None => foreseen(MATING, options.mating_db),
        });
        (rows, varies.is_some() && told.is_some())
    }

    /// In words for the remarks: what the intervals of one block rest on.
    pub fn words(&self) -> String {
        let foreseen = match (self.own, self.shared_db) {
            (Own::Foreseen, None) => "what is foreseen for matings and unsteadiness",
            (Own::Foreseen, Some(_)) => "what is foreseen for unsteadiness",
            (_, None) => "what is foreseen for matings",
            (_, Some(_)) => "",
        };
        let repeats = match self.own {
            Own::Foreseen => String::new(),
            _ => format!("the repeats in it, over {} channels", self.channels),
        };
        let both = [repeats.as_str(), foreseen];
        let mut words: Vec<&str> = both.into_iter().filter(|part| !part.is_empty()).collect();
        let shared = self.shared_db.map(|shared_db| {
            format!(
                "what all channels did alike from take to take, some {shared_db:.1} dB, more than matings explain (a plug, the \
                 gain, somebody walking past?), so that they are very wide"
            )
        });
        words.extend(shared.as_deref());
        words.join(" and on ")
    }
}

/// The names of the rows for what is foreseen.
pub(super) const MATING: &str = "mating of connectors, each time anew";
pub(super) const UNSTEADINESS: &str = "unsteadiness between takes, not seen in repeats";

/// A row for what is foreseen a take; a block's difference has the variance of one.
fn foreseen(source: &str, uncertainty_db: f64) -> BudgetRow {
    BudgetRow::new(source, Evaluation::B, uncertainty_db, f64::INFINITY, 1.0).varying()
}

/// A channel's outer and inner differences less the median of the other channels', brought to the variance of one take: as for
/// the mean of the others, of which the median leaves a little more. A channel alone has nothing to be held against.
fn own(all: &[Repeats], place: usize) -> [f64; 2] {
    let of = |which: fn(&Repeats) -> f64| -> f64 {
        let others: Vec<f64> = (all.iter().enumerate())
            .filter(|(other, _)| *other != place)
            .map(|(_, one)| which(one))
            .collect();
        let n = all.len() as f64;
        median(&others).map_or(0.0, |middle| {
            (which(&all[place]) - middle) * ((n - 1.0) / n).sqrt()
        })
    };
    [of(|one| one.outer_db), of(|one| one.inner_db)]
}

/// Variance of one take by what is left of a channel's repeats, two degrees of freedom.
fn variance(own: &[f64; 2]) -> f64 {
    (own[0].powi(2) + own[1].powi(2)) / FREEDOM
}

/// The mean of logarithms of variances with two degrees of freedom is known as well as that of 12/π² degrees a channel.
fn most_freedom(channels: usize) -> f64 {
    channels as f64 * 12.0 / std::f64::consts::PI.powi(2) - FREEDOM
}
