//! Stale and settling samples after tuning.
//!
//! Method: the dongle is tuned to and fro between two tunings that differ clearly in the power of some band, and all that
//! comes after the driver's call has returned is captured. *Stale* is what is like the tuning left; its end is that of the last
//! block like it. *Settling* is what comes between that and the first block from which on all, for
//! [`STEADY`], are like the tuning gone to. The largest counts of all trials are kept; trials in which this computer was
//! busy, so that several transfers were waiting, or in which samples were lost, are made again. What is seen is the level, not the phase;
//! blocks are 512 samples long and 128 apart, which is the resolution.
//!
//! Where no two tunings differ enough, as with a terminator, stale samples alone are counted, by changing the gain.

use std::time::Duration;

use super::{CheckProgress, GLANCE, Step, samples_in};
use crate::capture::dongle::bands::{Analyser, BLOCK, Bands, HOP};
use crate::capture::dongle::{Begin, DongleError, Receiver, Retuning, Setting};
use crate::statistics::median;

/// Trials at most, as a multiple of those wanted.
const MOST_TRIALS: usize = 3;
/// Transfers that may have been waiting in a trial: the one being filled, and two for what wakes late. They count as stale,
/// which is on the safe side.
const WAITING: f64 = 3.0;
/// How long to listen after each, beyond what transfers can hold.
const LISTEN: Duration = Duration::from_millis(40);
/// How long the new tuning must last to be taken for settled.
const STEADY: Duration = Duration::from_millis(3);
/// By how much two tunings must differ in some band, as a multiple of what one tuning's blocks may differ by: then nothing is
/// like both.
const CONTRAST: f64 = 2.2;
/// Tunings compared with one another.
const MOST_COMPARED: usize = 24;
/// Share of the trials that must have shown a clear change.
const CLEAR: f64 = 0.8;

/// Two settings between which to go to and fro.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Pair {
    settings: [Setting; 2],
    /// Whether the frequency is changed, or the gain alone.
    frequency: bool,
}

/// What one trial showed, in samples after the call returned.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Change {
    stale: usize,
    settled: usize,
}

/// Measures what comes after tuning, by `trials` in both directions together; `None` where no two of `tunings` differ, nor
/// the gains at any, where this computer is too busy, or where `go_on` says no.
///
/// A dozen trials serve for a pass right after, a check makes more.
///
/// # Errors
/// Where the dongle fails.
pub fn measure_retuning(
    receiver: &mut Receiver,
    tunings: &[Setting],
    trials: usize,
    go_on: &mut dyn FnMut(CheckProgress) -> bool,
) -> Result<Option<Retuning>, DongleError> {
    let wanted = trials;
    let Some(pair) = choose(receiver, tunings)? else {
        return Ok(None);
    };
    let transfers = receiver.settings().transfers;
    let samples = samples_in(receiver, LISTEN) + transfers.in_flight() as usize;
    let mut analyser = Analyser::new();
    let mut trials: [Vec<Vec<Bands>>; 2] = Default::default();
    let mut calls_s = Vec::new();
    // From a known place.
    receiver.capture(pair.settings[1], Begin::Good, BLOCK)?;
    for trial in 0..MOST_TRIALS * wanted {
        let done = trials.iter().map(Vec::len).sum();
        let progress = CheckProgress {
            step: Step::Retuning,
            done,
            of: wanted,
        };
        if done == wanted {
            break;
        }
        if !go_on(progress) {
            return Ok(None);
        }
        let to = trial % 2;
        match receiver.capture(pair.settings[to], Begin::Tuned, samples) {
            Ok(capture) => {
                calls_s.extend(capture.call.map(|call| call.as_secs_f64()));
                let most_waiting = WAITING * transfers.samples() as f64;
                if capture
                    .waiting
                    .is_some_and(|waiting| waiting <= most_waiting)
                {
                    trials[to].push(analyser.blocks(&capture.samples()));
                }
            }
            Err(error) if error.ends_it() => return Err(error),
            Err(_) => {}
        }
    }
    let steady: Option<Vec<Bands>> = trials.iter().map(|trials| last_of(trials)).collect();
    let Some(steady) = steady else {
        return Ok(None);
    };
    let run = samples_in(receiver, STEADY) / HOP;
    let changes: Vec<Change> = trials
        .iter()
        .enumerate()
        .flat_map(|(to, trials)| trials.iter().map(move |blocks| (to, blocks)))
        .filter_map(|(to, blocks)| change(blocks, &steady[1 - to], &steady[to], run))
        .collect();
    if (changes.len() as f64) < CLEAR * wanted as f64 {
        return Ok(None);
    }
    let largest = |of: fn(&Change) -> usize| changes.iter().map(of).max().unwrap_or(0) as u64;
    let (stale, settled) = (largest(|c| c.stale), largest(|c| c.settled));
    Ok(Some(Retuning {
        sample_rate_hz: f64::from(receiver.dongle().sample_rate),
        transfers: transfers.count,
        transfer_bytes: transfers.bytes,
        trials: changes.len(),
        stale_samples: stale,
        settling_samples: pair.frequency.then(|| settled.saturating_sub(stale)),
        resolution_samples: BLOCK as u64,
        call_s: median(&calls_s).unwrap_or(0.0),
    }))
}

/// A setting and what it is like.
type Looked = (Setting, Bands);

/// The two tunings that differ most, or two gains at one of them.
fn choose(receiver: &mut Receiver, tunings: &[Setting]) -> Result<Option<Pair>, DongleError> {
    let by_gain = |a: &&Setting, b: &&Setting| a.gain.0.total_cmp(&b.gain.0);
    let (Some(&lowest), Some(&highest)) = (
        tunings.iter().min_by(by_gain),
        tunings.iter().max_by(by_gain),
    ) else {
        return Ok(None);
    };
    // At one gain, so that the change is the frequency's alone: the lowest in use, at which none clips.
    let tunings: Vec<Setting> = tunings
        .iter()
        .take(MOST_COMPARED)
        .map(|&tuning| Setting {
            gain: lowest.gain,
            ..tuning
        })
        .collect();
    let looked = look(receiver, &tunings)?;
    if let Some(settings) = most_unlike(&looked) {
        return Ok(Some(Pair {
            settings,
            frequency: true,
        }));
    }
    let gains = [
        highest,
        Setting {
            gain: receiver.dongle().tuner.gains.at(0),
            ..highest
        },
    ];
    let looked = look(receiver, &gains)?;
    Ok(most_unlike(&looked).map(|settings| Pair {
        settings,
        frequency: false,
    }))
}

fn look(receiver: &mut Receiver, settings: &[Setting]) -> Result<Vec<Looked>, DongleError> {
    let mut analyser = Analyser::new();
    let samples = samples_in(receiver, GLANCE);
    let mut looked = Vec::new();
    for &setting in settings {
        match receiver.capture(setting, Begin::Good, samples) {
            Ok(capture) => {
                let blocks = analyser.blocks(&capture.samples());
                looked.extend(Bands::mean(&blocks).map(|bands| (setting, bands)));
            }
            Err(error) if error.ends_it() => return Err(error),
            Err(_) => {}
        }
    }
    Ok(looked)
}

fn most_unlike(looked: &[Looked]) -> Option<[Setting; 2]> {
    let pairs = looked
        .iter()
        .enumerate()
        .flat_map(|(place, a)| looked[place + 1..].iter().map(move |b| (a, b)));
    pairs
        .map(|(a, b)| (a.1.distance(&b.1), [a.0, b.0]))
        .filter(|(distance, _)| *distance >= CONTRAST)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, settings)| settings)
}

/// What a tuning is like in the end: the mean over the last quarter of its trials' blocks.
fn last_of(trials: &[Vec<Bands>]) -> Option<Bands> {
    Bands::mean(
        trials
            .iter()
            .flat_map(|blocks| &blocks[blocks.len() - blocks.len() / 4..]),
    )
}

/// When a stretch that begins in `old` has become `new`, for `run` blocks at least; `None` where it doesn't.
fn change(blocks: &[Bands], old: &Bands, new: &Bands, run: usize) -> Option<Change> {
    let mut steady = 0;
    let settled = blocks.iter().position(|block| {
        steady = if block.is_like(new) { steady + 1 } else { 0 };
        steady > run
    })?;
    let settled = settled - run;
    let stale = blocks[..settled]
        .iter()
        .rposition(|block| block.is_like(old))
        .map_or(0, |last| last * HOP + BLOCK);
    Some(Change {
        stale,
        // A block that is like the new tuning may have a little of what was before in its beginning.
        settled: (settled * HOP + BLOCK / 2).max(stale),
    })
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    use super::*;
    use crate::capture::Sample;

    const RUN: usize = 40;

    /// White noise of this power in dB, one sample after another.
    fn noise(random: &mut ChaCha8Rng, count: usize, db: f64) -> Vec<Sample> {
        let rms = (10f64.powf(db / 10.0) / 2.0).sqrt();
        let mut draw = || {
            let x: f64 = StandardNormal.sample(random);
            (rms * x) as f32
        };
        (0..count).map(|_| Sample::new(draw(), draw())).collect()
    }

    fn bands(samples: &[Sample]) -> Vec<Bands> {
        Analyser::new().blocks(samples)
    }

    #[test]
    fn stale_and_settling_samples_are_counted_to_the_stated_resolution() {
        let mut random = ChaCha8Rng::seed_from_u64(1);
        let mean = |samples: &[Sample]| Bands::mean(&bands(samples)).unwrap();
        let old = mean(&noise(&mut random, 20_000, -30.0));
        let new = mean(&noise(&mut random, 20_000, -20.0));
        for (stale, settling) in [(0, 0), (3000, 0), (0, 6000), (7777, 4321), (20_000, 9600)] {
            let mut samples = noise(&mut random, stale, -30.0);
            // A carrier that runs from the edge of the band to its middle, as the stand-in's.
            samples.extend((0..settling).map(|n| {
                let u = n as f32 / settling as f32;
                let turns = 0.5 * n as f32 * (1.0 - u / 2.0);
                Sample::from_polar(0.5, std::f32::consts::TAU * turns.fract())
            }));
            samples.extend(noise(&mut random, 30_000, -20.0));
            let found = change(&bands(&samples), &old, &new, RUN).unwrap();
            let near = |found: usize, true_count: usize| {
                // Never too few by more than a hop, as the last blocks that are called old or unsettled must not.
                found + HOP >= true_count && found <= true_count + BLOCK + HOP
            };
            if stale > 0 {
                assert!(near(found.stale, stale), "{found:?} for {stale}");
            }
            assert!(
                near(found.settled, stale + settling),
                "{found:?} for {stale} + {settling}"
            );
        }
    }

    #[test]
    fn what_never_becomes_the_new_tuning_has_no_count() {
        let mut random = ChaCha8Rng::seed_from_u64(2);
        let old = bands(&noise(&mut random, 30_000, -30.0));
        let new = Bands::mean(&bands(&noise(&mut random, 30_000, -20.0))).unwrap();
        let steady = Bands::mean(&old).unwrap();
        assert_eq!(change(&old, &steady, &new, RUN), None);
    }
}
