//! Tells OFDM systems by their guard interval, and OFDM from 8-VSB and from noise.
//!
//! Every OFDM symbol begins with a copy of its own end: the guard interval, a fraction g of the useful duration Tu. So
//! the signal, correlated with itself Tu later, shows one plateau of length g·Tu a symbol, and nothing between. That holds
//! on any slice of the channel, so the 2 MHz that a dongle sees are enough. The lag names the system, the rhythm
//! (1 + g)·Tu at which plateaus come names the guard fraction. A receiver's frequency error turns the correlation's phase,
//! the same for all symbols of a tuning; only the magnitude is used.
//!
//! The way through: a [`GuardProbe`] takes the samples of one tuning after another, in stretches of 20 ms and no more than
//! 60 ms of a tuning. Each stretch is made white and lines are cut down; then, at each lag of the table, the products of
//! sample and later sample are summed over guard intervals at each candidate's rhythm, wherever the first could begin.
//! What counts is the best place *above the mean of all places*, so a line, which correlates at every time and lag, counts
//! for nothing. Each stretch gives a chance that noise does as well; the chances of tunings and dwells are put together by
//! Fisher's method ([`GuardEvidence::combine`]), and [`GuardEvidence::decide`] names a system where the chance, times the
//! number of hypotheses, is below [`FALSE_ALARM`].
//!
//! DVB-T and DVB-T2 of the same size share useful duration and most guard fractions: both are named then. 8-VSB repeats
//! its segment sync every 77.31 µs; no lag of a 6 MHz channel lies within 2.5 µs of a multiple of that, and a 2 MHz slice
//! resolves 0.5 µs. Analogue television (PAL: lines of 64 µs, of which 256, 448, 512, 896, 1024, 1792, 2048, 3584 and
//! 4096 µs are multiples) repeats at the lags of the DVB systems, and a line earlier
//! and later just as well: what a lag shows is held against those.
//!
//! Sources: EN 300 744, EN 302 755, ARIB STD-B31, ATSC A/321 and A/322 for the table; J.-J. van de Beek, M. Sandell, P. O.
//! Börjesson, "ML estimation of time and frequency offset in OFDM systems", IEEE Trans. Signal Processing 45(7), 1997, for
//! correlation at the useful duration.

mod evidence;
mod families;
mod lag;
mod probe;
mod whiten;

pub use evidence::{FALSE_ALARM, GuardEvidence, LEAST_SHARE, Ofdm};
pub use families::{Family, Guard, Hypothesis, System, systems};
pub use lag::correlation_coefficient;
pub use probe::{GuardError, GuardProbe, STRETCH_S, STRETCHES};
