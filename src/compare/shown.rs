//! What few blocks show to vary from take to take.
//!
//! One block gives one difference a channel, and no spread of differences; two and three give a spread by one and two degrees
//! of freedom, which is next to nothing. But each block holds repeats: A B B A has A₂ − A₁ and B₂ − B₁. In one channel they
//! can't be told from drift, but a drift, a mating and a change of gain are the same in all channels: taken away (the median
//! over the other channels) they leave what a channel does by itself. Of takes that vary independently, with a variance σ² a
//! take, either difference over √2 has the variance σ², as the block's own difference (A₁ − B₁ − B₂ + A₂)/2 has. So their
//! squares are two degrees of freedom of what is asked for, in every block and channel; the differences of n blocks about
//! their mean are n − 1 more.
//!
//! - **Over many channels** ([`MODERATED`]) these variances are drawn towards each other as far as they are alike
//!   ([`PriorOfVariances`]): a channel that fades more than the others keeps its own, one that was quiet by chance doesn't.
//! - **Over fewer** they are pooled. With one block what is foreseen stands where it is larger (Birge, Physical Review 40, 1932);
//!   with two and three a channel's own variance does.
//! - **Slow fading** moves the middle takes of a block less apart than the outer ones, and those less than blocks: where the
//!   outer ones or the blocks' differences vary more, over all channels, they count.
//! - **What all channels share**, the matings anew and the gain, is left as foreseen, unless the blocks contradict it: the
//!   median of (−1, 3, −3, 1)/√20 of each block, which neither a straight drift nor a bend moves, has the variance of one take,
//!   too, and so has the median of a block's difference about the mean. Where they are beyond what is foreseen
//!   ([`CONTRADICTION`]) they take its place, with as few degrees of freedom as they are.
//!
//! From four blocks on ([`MOST_BLOCKS`]) the spread of a channel's own differences speaks, and rests on no other channel.
//!
//! It shows no fading of one antenna alone that is slower than the blocks. Measured: `tests/comparison_coverage.rs`.

use super::budget::{BudgetRow, Evaluation};
use super::levels::Design;
use super::refusal::Options;
use super::sources::DB;
use super::types::Basis;
use crate::statistics::{PriorOfVariances, median, trigamma};

/// Of more blocks than these each channel's own spread is enough.
pub(super) const MOST_BLOCKS: usize = 3;
/// From so many channels on their variances say how alike they are.
const MODERATED: usize = 8;
/// Levels tell what varies where their own statistics, in dB, are smaller than this.
const TELLING_DB: f64 = 0.1;
/// What is foreseen is not believed where the squares of one to five standardized values add up to more than this: 10 % by
/// chance. Source: χ², NIST/SEMATECH e-Handbook 1.3.6.7.4.
const CONTRADICTION: [f64; 2 * MOST_BLOCKS - 1] = [2.706, 4.605, 6.251, 7.779, 9.236];
/// Variance of a median over that of a mean, for normal values: π/2.
const MEDIAN_OVER_MEAN: f64 = std::f64::consts::FRAC_PI_2;

/// What the channels of few blocks show together.
#[derive(Debug, Clone)]
pub(super) struct Shown {
    channels: usize,
    blocks: usize,
    all: Vec<Repeats>,
    /// How much more the outer takes of the blocks differ, or the blocks, than all of it together, as a variance, 1 at least.
    stretch: f64,
    own: Own,
    /// What all channels share from take to take, where it is more than is foreseen.
    shared: Option<Shared>,
}

/// What all channels do alike.
#[derive(Debug, Clone, Copy)]
struct Shared {
    db: f64,
    freedom: f64,
}

/// What a channel does by itself: a variance in dB² of one block's difference.
#[derive(Debug, Clone, Copy)]
enum Own {
    /// Drawn towards the prior, with at most so many degrees of freedom in all.
    Moderated(PriorOfVariances, f64),
    Pooled {
        variance: f64,
        freedom: f64,
    },
    /// What is foreseen is larger, or nothing is shown.
    Foreseen,
}

/// What varies in one channel, in dB, block by block, each with the variance of one take.
#[derive(Debug, Clone, PartialEq)]
struct Repeats {
    /// Between the outer takes, over √2.
    outer_db: Vec<f64>,
    /// Between the inner takes, over √2.
    inner_db: Vec<f64>,
    /// The block's difference about the mean over the blocks.
    between_db: Vec<f64>,
    /// What neither drift nor bend moves.
    cubic_db: Vec<f64>,
}

impl Repeats {
    /// Of so many blocks whose levels are all strong and known well enough.
    fn of(design: &Design, blocks: usize) -> Option<Repeats> {
        if design.basis != Basis::Blocks || design.groups.len() != blocks {
            return None;
        }
        let mut repeats = Repeats {
            outer_db: Vec::with_capacity(blocks),
            inner_db: Vec::with_capacity(blocks),
            between_db: Vec::with_capacity(blocks),
            cubic_db: Vec::with_capacity(blocks),
        };
        for group in &design.groups {
            let mut levels: Vec<_> = (group.a.iter().map(|level| (1.0, level)))
                .chain(group.b.iter().map(|level| (-1.0, level)))
                .collect();
            levels.sort_by(|one, two| one.1.taken_s.total_cmp(&two.1.taken_s));
            let telling = levels.iter().all(|(_, level)| {
                level.is_strong() && DB * level.signal_error() < TELLING_DB * level.signal
            });
            let decibels: Vec<f64> = levels.iter().map(|(_, level)| level.db()).collect();
            let [first, second, third, fourth] = decibels[..] else {
                return None;
            };
            if !telling {
                return None;
            }
            let sum = levels
                .iter()
                .map(|(sign, level)| sign * level.db())
                .sum::<f64>();
            repeats.outer_db.push((fourth - first) / 2f64.sqrt());
            repeats.inner_db.push((third - second) / 2f64.sqrt());
            repeats.between_db.push(sum / 2.0);
            let cubic = -first + 3.0 * second - 3.0 * third + fourth;
            repeats.cubic_db.push(cubic / 20f64.sqrt());
        }
        let mean_db = repeats.between_db.iter().sum::<f64>() / blocks as f64;
        repeats.between_db.iter_mut().for_each(|db| *db -= mean_db);
        Some(repeats)
    }
}

/// What a channel does by itself: sums of squares in dB² of its outer, its inner and its blocks' differences.
#[derive(Debug, Clone, Copy)]
struct Squares {
    outer: f64,
    inner: f64,
    between: f64,
}

impl Squares {
    /// Less the median of the other channels, brought to the variance of one take: as for the mean of the others, of which the
    /// median leaves a little more. A channel alone has nothing to be held against.
    fn of(all: &[Repeats], place: usize) -> Squares {
        let n = all.len() as f64;
        let squares = |of: fn(&Repeats) -> &Vec<f64>| -> f64 {
            let of_block = |(block, db): (usize, &f64)| {
                let others: Vec<f64> = (all.iter().enumerate())
                    .filter(|(other, _)| *other != place)
                    .map(|(_, one)| of(one)[block])
                    .collect();
                median(&others).map_or(0.0, |middle| (db - middle).powi(2) * (n - 1.0) / n)
            };
            of(&all[place]).iter().enumerate().map(of_block).sum()
        };
        Squares {
            outer: squares(|one| &one.outer_db),
            inner: squares(|one| &one.inner_db),
            between: squares(|one| &one.between_db),
        }
    }

    fn variance(&self, blocks: usize) -> f64 {
        (self.outer + self.inner + self.between) / freedom(blocks)
    }
}

/// Degrees of freedom of a channel in so many blocks: two in each, and one less than there are between them.
fn freedom(blocks: usize) -> f64 {
    (3 * blocks - 1) as f64
}

impl Shown {
    /// What strong channels in the same few blocks show; `None` where it is nothing: where there are more blocks, no channels, or,
    /// with more than one block, one channel alone, whose own spread is all there is.
    pub fn of<'d, 't: 'd>(
        designs: impl IntoIterator<Item = &'d Design<'t>>,
        blocks: usize,
        options: &Options,
    ) -> Option<Shown> {
        if !(1..=MOST_BLOCKS).contains(&blocks) {
            return None;
        }
        let all: Vec<Repeats> = (designs.into_iter())
            .filter_map(|design| Repeats::of(design, blocks))
            .collect();
        let channels = all.len();
        if channels == 0 || (channels == 1 && blocks > 1) {
            return None;
        }
        let squares: Vec<Squares> = (0..channels)
            .map(|place| Squares::of(&all, place))
            .collect();
        let mean = |of: &dyn Fn(&Squares) -> f64| -> f64 {
            squares.iter().map(of).sum::<f64>() / channels as f64
        };
        let pooled = mean(&|one| one.variance(blocks));
        let outer = mean(&|one| one.outer / blocks as f64);
        let between = mean(&|one| one.between / (blocks as f64 - 1.0).max(1.0));
        let stretch = if pooled > 0.0 {
            (outer.max(between) / pooled).max(1.0)
        } else {
            1.0
        };
        let variances: Vec<f64> = squares.iter().map(|one| one.variance(blocks)).collect();
        let prior =
            PriorOfVariances::of(&variances, freedom(blocks)).filter(|_| channels >= MODERATED);
        let foreseen_is_larger = pooled * stretch <= options.unsteadiness_db.powi(2);
        // Where the blocks' differences are what counts, it is known no better than they are.
        let most = if between > outer && stretch > 1.0 {
            (blocks as f64 - 1.0) * (channels as f64 - 1.0)
        } else {
            f64::INFINITY
        };
        let own = match prior {
            Some(prior) => Own::Moderated(prior, most_freedom(channels, blocks).min(most)),
            None if blocks == 1 && (channels == 1 || foreseen_is_larger) => Own::Foreseen,
            None => Own::Pooled {
                variance: pooled,
                freedom: (freedom(blocks) * (channels as f64 - 1.0)).min(most),
            },
        };
        let mut shown = Shown {
            channels,
            blocks,
            all,
            stretch,
            own,
            shared: None,
        };
        let own_variance =
            (shown.others()).map_or(options.unsteadiness_db.powi(2), |(variance, _)| variance);
        let foreseen =
            options.mating_db.powi(2) + MEDIAN_OVER_MEAN * own_variance / channels as f64;
        shown.shared = shown.shared(foreseen);
        Some(shown)
    }

    /// What all channels do alike from take to take, beside drift, where its variance contradicts what is `foreseen`: by all that
    /// shows it, or by the blocks' differences alone, which a bend moves as well.
    fn shared(&self, foreseen: f64) -> Option<Shared> {
        let medians = |of: fn(&Repeats) -> &Vec<f64>| -> f64 {
            let of_block = |block: usize| {
                let values: Vec<f64> = self.all.iter().map(|one| of(one)[block]).collect();
                median(&values).map_or(0.0, |db| db * db)
            };
            (0..self.blocks).map(of_block).sum()
        };
        let between = medians(|one| &one.between_db);
        let all = medians(|one| &one.cubic_db) + between;
        [(between, self.blocks - 1), (all, 2 * self.blocks - 1)]
            .into_iter()
            .filter(|&(squares, freedom)| {
                let most = CONTRADICTION.get(freedom.wrapping_sub(1));
                most.is_some_and(|most| squares > most * foreseen)
            })
            .map(|(squares, freedom)| Shared {
                db: (squares / freedom as f64).sqrt(),
                freedom: freedom as f64,
            })
            .max_by(|one, two| one.db.total_cmp(&two.db))
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

    /// The rows of a channel's budget for what varies from take to take, but for the statistics of channels that don't tell; and
    /// whether this channel tells.
    pub fn rows(&self, design: &Design, options: &Options) -> (Vec<BudgetRow>, bool) {
        let told = Repeats::of(design, self.blocks)
            .and_then(|one| self.all.iter().position(|other| *other == one))
            .map(|place| Squares::of(&self.all, place).variance(self.blocks));
        let varies = match (self.own, told) {
            (Own::Moderated(prior, most), Some(variance)) => {
                let own = freedom(self.blocks);
                let (variance, freedom) = prior.moderate(variance, own);
                Some((variance * self.stretch, freedom.min(most)))
            }
            // Few channels don't say how alike they are: one that varies more than they do together is believed, where it has
            // degrees of freedom to be believed by.
            (
                Own::Pooled {
                    variance: pooled, ..
                },
                Some(variance),
            ) if self.blocks > 1 && variance > pooled => {
                Some((variance * self.stretch, freedom(self.blocks)))
            }
            _ => self.others(),
        };
        let blocks = if self.blocks == 1 {
            "block's"
        } else {
            "blocks'"
        };
        // Each row is of one block's difference; their mean varies less.
        let of_mean = 1.0 / (design.groups.len() as f64).sqrt();
        let foreseen = |source: &str, uncertainty_db: f64| {
            BudgetRow::new(
                source,
                Evaluation::B,
                uncertainty_db,
                f64::INFINITY,
                of_mean,
            )
            .varying()
        };
        let mut rows = Vec::new();
        rows.push(match varies {
            Some((variance, freedom)) => {
                let source = format!(
                    "what varies from take to take in one channel, by the {blocks} repeats in {} channels",
                    self.channels
                );
                BudgetRow::new(source, Evaluation::A, variance.sqrt(), freedom, of_mean).seen_in_repeats()
            }
            None => foreseen(UNSTEADINESS, options.unsteadiness_db),
        });
        rows.push(match self.shared {
            Some(Shared { db, freedom }) => {
                let source = format!(
                    "what varies from take to take in all channels alike, by the {blocks} repeats"
                );
                BudgetRow::new(source, Evaluation::A, db, freedom, of_mean).seen_in_repeats()
            }
            None => foreseen(MATING, options.mating_db),
        });
        (rows, varies.is_some() && told.is_some())
    }

    /// In words for the remarks: what the intervals of few blocks rest on.
    pub fn words(&self) -> String {
        let foreseen = match (self.own, self.shared) {
            (Own::Foreseen, None) => "what is foreseen for matings and unsteadiness",
            (Own::Foreseen, Some(_)) => "what is foreseen for unsteadiness",
            (_, None) => "what is foreseen for matings",
            (_, Some(_)) => "",
        };
        let repeats = match self.own {
            Own::Foreseen => String::new(),
            _ if self.blocks == 1 => format!("the repeats in it, over {} channels", self.channels),
            _ => format!("the repeats in them, over {} channels", self.channels),
        };
        let both = [repeats.as_str(), foreseen];
        let mut words: Vec<&str> = both.into_iter().filter(|part| !part.is_empty()).collect();
        let shared = self.shared.map(|Shared { db, .. }| {
            format!(
                "what all channels did alike from take to take, some {db:.1} dB, more than matings explain (a plug, the \
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

/// The mean of logarithms of variances scatters by their trigamma: it is known as well as by so many degrees of freedom.
fn most_freedom(channels: usize, blocks: usize) -> f64 {
    channels as f64 * 2.0 / trigamma(freedom(blocks) / 2.0)
}
