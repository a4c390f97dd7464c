//! A gain for each tuning: the highest at which nothing clips, with room for the other antenna.
//!
//! A gain *fits* where a signal stronger by [`HEADROOM`] would still not be called clipped: no larger share of its values
//! than [`TOLERATED`] lies within the headroom below full scale. Each look tells also how much room there is, so the next
//! one is taken there, within what is left of the table; three looks are the usual number.

use std::time::Duration;

use crate::capture::dongle::{Begin, DongleError, GainTable, LOST_TUNINGS, Receiver, Setting};
use crate::reading::amplitude::TOLERATED;
use crate::units::{Decibels, Hertz};

/// Room left for an antenna that receives more than the one looked at with, and for fading. Common practice (3 to 6 dB), no
/// source.
pub const HEADROOM: Decibels = Decibels(6.0);

/// How long a look lasts.
pub const LOOK: Duration = Duration::from_millis(5);

/// What came of looking for a gain.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// The highest gain that fits.
    Fits,
    /// Not even the lowest gain fits: an attenuator is needed. The gain is the lowest.
    TooStrong,
    /// The tuning failed; the gain is the lowest.
    Failed(DongleError),
}

/// A tuning with its gain.
#[derive(Debug, Clone, PartialEq)]
pub struct Planned {
    /// Frequency and gain.
    pub setting: Setting,
    /// How that came about.
    pub outcome: Outcome,
    /// Looks that it took.
    pub looks: usize,
}

/// Looks for a gain at each of `centres`, with what is connected now. `go_on` is asked before each with the number done;
/// where it says no, the rest is left out.
///
/// # Errors
/// Where the dongle fails; where only a tuning does, its [`Outcome`] says so.
pub fn plan_gains(
    receiver: &mut Receiver,
    centres: &[Hertz],
    go_on: &mut dyn FnMut(usize) -> bool,
) -> Result<Vec<Planned>, DongleError> {
    let samples = (LOOK.as_secs_f64() * f64::from(receiver.dongle().sample_rate)) as usize;
    let table = receiver.dongle().tuner.gains.clone();
    let mut planned = Vec::with_capacity(centres.len());
    let mut first = table.len() - 1;
    for (done, &centre) in centres.iter().enumerate() {
        if !go_on(done) {
            break;
        }
        let mut looks = 0;
        let found = highest_fitting(&table, first, |place| {
            looks += 1;
            let gain = table.at(place);
            let capture = receiver.capture(Setting { centre, gain }, Begin::Good, samples)?;
            Ok(room_db(&capture.bytes))
        });
        let (place, outcome) = match found {
            Ok(Some(place)) => (place, Outcome::Fits),
            Ok(None) => (0, Outcome::TooStrong),
            Err(error) if error.ends_it() => return Err(error),
            Err(error) => (0, Outcome::Failed(error)),
        };
        let lost = |one: &Planned| {
            matches!(
                one.outcome,
                Outcome::Failed(DongleError::SamplesLost { .. })
            )
        };
        if let Outcome::Failed(DongleError::SamplesLost { dongle, .. }) = &outcome
            && planned.len() + 1 >= LOST_TUNINGS
            && planned.iter().all(lost)
        {
            let dongle = dongle.clone();
            return Err(DongleError::AlwaysLost { dongle });
        }
        if outcome == Outcome::Fits {
            // The next tuning is likely to need much the same.
            first = place;
        }
        planned.push(Planned {
            setting: Setting {
                centre,
                gain: table.at(place),
            },
            outcome,
            looks,
        });
    }
    Ok(planned)
}

/// The place of the highest gain that fits, `None` where not even the lowest does. `look` says how many decibels of room
/// there are at a place, negative where it doesn't fit; `first` is where to look first.
fn highest_fitting(
    table: &GainTable,
    first: usize,
    mut look: impl FnMut(usize) -> Result<f64, DongleError>,
) -> Result<Option<usize>, DongleError> {
    // All below `low` fit, none from `high` on does.
    let (mut low, mut high) = (0, table.len());
    let mut place = first.min(high - 1);
    while low < high {
        let room_db = look(place)?;
        if room_db >= 0.0 {
            low = place + 1;
        } else {
            high = place;
        }
        if low < high {
            let aim_db = table.at(place).0 + room_db;
            let below = table.iter().filter(|gain| gain.0 <= aim_db).count();
            place = below.saturating_sub(1).clamp(low, high - 1);
        }
    }
    Ok(low.checked_sub(1))
}

/// By how many decibels the gain could be raised; negative where it must be lowered. Where much is clipped, it must be
/// lowered by more than this says, which is never less than half of full scale to begin with.
fn room_db(bytes: &[u8]) -> f64 {
    // Distance from the middle in half steps: 1, 3, … 255.
    let mut counts = [0u64; 128];
    for &byte in bytes {
        counts[usize::from(if byte < 128 { 127 - byte } else { byte - 128 })] += 1;
    }
    let tolerated = (TOLERATED * bytes.len() as f64) as u64;
    let mut beyond = 0;
    let reached = counts
        .iter()
        .rposition(|count| {
            beyond += count;
            beyond > tolerated
        })
        .unwrap_or(0);
    let amplitude = (reached as f64 + 0.5) / 127.5;
    let room_db = -20.0 * amplitude.log10() - HEADROOM.0;
    if reached == 127 {
        // Clipped: by how much can't be seen.
        room_db - CLIPPED_BY_DB
    } else {
        room_db
    }
}

/// How much lower to look after a look that was clipped.
const CLIPPED_BY_DB: f64 = 6.0;

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    use super::*;
    use crate::units::db_to_ratio;

    /// Tuner gains of an R820T in tenths of a decibel (handbook, C).
    const R820T: [i32; 29] = [
        0, 9, 14, 27, 37, 77, 87, 125, 144, 157, 166, 197, 207, 229, 254, 280, 297, 328, 338, 364,
        372, 386, 402, 421, 434, 439, 445, 480, 496,
    ];

    /// A look at noise of `rms_dbfs` on each rail.
    fn noise(rms_dbfs: f64, seed: u64) -> Vec<u8> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let rms = db_to_ratio(rms_dbfs).sqrt() * 127.5;
        (0..24_000)
            .map(|_| {
                let x: f64 = StandardNormal.sample(&mut random);
                (x * rms + 127.5).round() as u8
            })
            .collect()
    }

    #[test]
    fn the_room_at_the_chosen_limit_is_none() {
        // Of a normal distribution a share of 2e-4 lies beyond 3.719 standard deviations (scipy.stats.norm.isf(1e-4)).
        let rms_dbfs = -HEADROOM.0 - 20.0 * 3.719f64.log10();
        for above_db in [-20.0, -6.0, -1.0, 0.0, 1.0, 3.0] {
            let room = room_db(&noise(rms_dbfs + above_db, 5));
            assert!((room + above_db).abs() < 0.7, "{room} at {above_db} above");
        }
        assert!(room_db(&noise(rms_dbfs + 30.0, 5)) < -HEADROOM.0 - 5.9);
        assert!(room_db(&[127, 128, 127]) > 36.0);
        assert!(room_db(&[]) > 36.0);
    }

    #[test]
    fn the_highest_gain_that_fits_is_found_in_few_looks() {
        let table = GainTable::new(R820T.to_vec()).unwrap();
        let (mut looks, mut cases) = (0, 0);
        for first in [0, 10, 28] {
            for tenth in -700..200 {
                let signal_db = f64::from(tenth) / 10.0;
                // Exact room, nothing known beyond full scale.
                let room = |place: usize| (-(signal_db + table.at(place).0)).max(-12.0);
                let found = highest_fitting(&table, first, |place| {
                    looks += 1;
                    Ok(room(place))
                });
                let expected = (0..table.len()).rev().find(|&place| room(place) >= 0.0);
                assert_eq!(found, Ok(expected), "signal {signal_db} from {first}");
                cases += 1;
            }
        }
        assert!(looks < 4 * cases, "{looks} looks for {cases} tunings");
    }

    #[test]
    fn a_failed_look_is_passed_on() {
        let table = GainTable::new(R820T.to_vec()).unwrap();
        let error = DongleError::NonePlugged;
        assert_eq!(
            highest_fitting(&table, 28, |_| Err(error.clone())),
            Err(error)
        );
    }
}
