//! What happens to each transfer: counted, timed, and copied into a window where one is open.
//!
//! [`Handler::take`] runs in the driver's callback, on whichever thread the driver calls it, also on one that is setting
//! the dongle at that time. It allocates nothing and waits for nobody. Windows come with their buffers through one channel
//! and go back full through another; both have room for all the windows that there are.
//!
//! # Lost samples
//!
//! The driver doesn't say when samples are lost on the way. The clock does: the *lateness* of a transfer is the time at
//! which it came, less what its samples took at the sample rate. A busy computer makes single transfers late, and the
//! following ones come quicker; after samples were lost all are late, by as much as is missing. So a window is spoiled where
//! its end comes later than the transfers before it by half a transfer and none of those that follow, of which there
//! are twice as many as can have been waiting, is in time again.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU32, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender};
use std::time::Instant;

/// Transfers whose contents are remembered: one that is the same as any of these repeats it.
const REMEMBERED: usize = 64;
/// Where a converter stands that is given nothing, its offset included.
const MIDDLE: std::ops::RangeInclusive<u8> = 112..=143;
/// Repeated transfers in a row with which a window is no good.
const REPEATS_SPOIL: u32 = 2;
/// Transfers before a window that tell when it is in time.
const RECENT: usize = 32;
/// A transfer that comes later than others by this, or by half its own length, may follow on lost samples: 150 µs, which
/// waking a thread seldom takes.
const LATE_NS: f64 = 150e3;
/// Time over which the least lateness is taken, at least: 12 ms; at most twice that. Long enough that a transfer in it came in
/// time, short enough that what was lost before doesn't count as waiting.
const PERIOD_NS: u64 = 12_000_000;
/// How much clocks may differ: 200 millionths.
const CLOCKS_DIFFER: f64 = 2e-4;

/// Length of a transfer aimed at, in seconds.
const TRANSFER_S: f64 = 0.25e-3;
/// The driver takes lengths that are multiples of this.
const BYTES_MULTIPLE: f64 = 512.0;

/// How many transfers are under way, and their size.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Transfers {
    /// How many.
    pub count: u32,
    /// Bytes in each; a multiple of 512.
    pub bytes: u32,
}

impl Transfers {
    /// What serves at a sample rate: 64 transfers of a quarter of a millisecond each, or as near as may be.
    ///
    /// Small transfers keep what is stale after tuning short, since at least the one being filled is; many of them bridge a
    /// pause of some 14 ms in which the computer does something else.
    pub fn at_rate(rate_hz: f64) -> Transfers {
        let bytes = (2.0 * rate_hz * TRANSFER_S / BYTES_MULTIPLE).round() * BYTES_MULTIPLE;
        Transfers {
            count: 64,
            bytes: bytes.max(BYTES_MULTIPLE) as u32,
        }
    }

    /// Samples in each.
    pub fn samples(self) -> u64 {
        u64::from(self.bytes / 2)
    }

    /// Samples that can be on their way at most: all transfers full, and one more in the dongle's own buffer.
    pub fn in_flight(self) -> u64 {
        (u64::from(self.count) + 1) * self.samples()
    }
}

/// What the handler tells others, without waiting.
#[derive(Debug, Default)]
pub(super) struct Told {
    /// Bytes delivered so far.
    delivered: AtomicU64,
    /// Least lateness of late, in nanoseconds after the start; [`i64::MAX`] before there is any.
    least_lateness_ns: AtomicI64,
    /// Repeated transfers in a row.
    repeats: AtomicU32,
}

impl Told {
    pub(super) fn delivered(&self) -> u64 {
        self.delivered.load(Ordering::Acquire)
    }

    pub(super) fn repeats(&self) -> u32 {
        self.repeats.load(Ordering::Relaxed)
    }

    /// Nanoseconds after the start; `None` before there is any.
    pub(super) fn least_lateness_ns(&self) -> Option<i64> {
        Some(self.least_lateness_ns.load(Ordering::Acquire))
            .filter(|&lateness| lateness != i64::MAX)
    }
}

/// A stretch of the stream that is wanted.
#[derive(Debug)]
pub(super) struct Window {
    /// Its number, given when it is ordered.
    pub id: u64,
    /// Where it begins, in bytes delivered since the start; where that has passed, it begins with the next transfer.
    pub from: u64,
    /// Where its bytes go; all of it is filled.
    pub buffer: Vec<u8>,
    /// Whether the dongle was tuned for it: what came before tells nothing of when it is in time.
    pub tuned: bool,
    /// How many are there.
    pub filled: usize,
    /// Whether samples are missing in it, or repeated.
    pub spoiled: bool,
    /// When it was full, in nanoseconds after the start.
    pub full_at_ns: u64,
    /// Least lateness shortly before its beginning.
    in_time_ns: i64,
    /// Transfers that came since it was full.
    after: u32,
}

impl Window {
    pub(super) fn new(from: u64, tuned: bool, buffer: Vec<u8>) -> Window {
        Window {
            id: 0,
            from,
            buffer,
            tuned,
            filled: 0,
            spoiled: false,
            full_at_ns: 0,
            in_time_ns: i64::MAX,
            after: 0,
        }
    }

    fn full(&self) -> bool {
        self.filled == self.buffer.len()
    }
}

/// What is done with each transfer.
pub(super) struct Handler {
    start: Instant,
    transfers: Transfers,
    ns_per_byte: f64,
    told: Arc<Told>,
    orders: Receiver<Window>,
    done: SyncSender<Window>,
    window: Option<Window>,
    delivered: u64,
    /// Of late, for telling how many samples are waiting.
    lateness: Lateness,
    /// Of the last transfers, for telling whether a window is in time.
    recent_ns: [i64; RECENT],
    recent_at: usize,
    repeats: Repeats,
}

impl Handler {
    /// `start` is what times count from; `rate_hz` is in samples a second.
    pub(super) fn new(
        start: Instant,
        transfers: Transfers,
        rate_hz: f64,
        told: Arc<Told>,
        orders: Receiver<Window>,
        done: SyncSender<Window>,
    ) -> Handler {
        told.least_lateness_ns.store(i64::MAX, Ordering::Release);
        Handler {
            start,
            transfers,
            ns_per_byte: 1e9 / rate_hz / 2.0,
            told,
            orders,
            done,
            window: None,
            delivered: 0,
            lateness: Lateness::default(),
            recent_ns: [i64::MAX; RECENT],
            recent_at: 0,
            repeats: Repeats::default(),
        }
    }

    /// Takes a transfer.
    pub(super) fn take(&mut self, bytes: &[u8]) {
        let now_ns = self.start.elapsed().as_nanos() as u64;
        self.take_at(bytes, now_ns);
    }

    fn take_at(&mut self, bytes: &[u8], now_ns: u64) {
        if bytes.is_empty() {
            return;
        }
        let begins = self.delivered;
        self.delivered += bytes.len() as u64;
        let lateness_ns = now_ns as i64 - (self.delivered as f64 * self.ns_per_byte) as i64;
        self.lateness.push(lateness_ns, now_ns);
        self.repeats.push(bytes);
        self.told
            .least_lateness_ns
            .store(self.lateness.least(), Ordering::Release);
        self.told
            .repeats
            .store(self.repeats.in_a_row, Ordering::Relaxed);
        self.told.delivered.store(self.delivered, Ordering::Release);

        if let Ok(next) = self.orders.try_recv() {
            if next.tuned {
                self.recent_ns = [i64::MAX; RECENT];
            }
            if let Some(given_up) = self.window.replace(next) {
                self.hand_over(given_up);
            }
        }
        self.recent_ns[self.recent_at] = lateness_ns;
        self.recent_at = (self.recent_at + 1) % RECENT;
        let Some(mut window) = self.window.take() else {
            return;
        };
        if window.full() {
            window.after += 1;
        } else {
            self.fill(&mut window, begins, bytes, now_ns);
        }
        if window.full() && self.judged(&mut window, lateness_ns) {
            self.hand_over(window);
        } else {
            self.window = Some(window);
        }
    }

    /// Copies what belongs into the window.
    fn fill(&self, window: &mut Window, begins: u64, bytes: &[u8], now_ns: u64) {
        let skip = window.from.saturating_sub(begins);
        // Samples are pairs of bytes: a window begins with the first of a pair.
        let skip = if window.filled == 0 {
            (begins + skip).next_multiple_of(2) - begins
        } else {
            0
        };
        let Some(wanted) = bytes.get(usize::try_from(skip).unwrap_or(usize::MAX)..) else {
            return;
        };
        if wanted.is_empty() {
            return;
        }
        if window.filled == 0 {
            window.in_time_ns = self.recent_ns.into_iter().min().unwrap_or(i64::MAX);
        }
        let space = &mut window.buffer[window.filled..];
        let count = space.len().min(wanted.len());
        space[..count].copy_from_slice(&wanted[..count]);
        window.filled += count;
        window.spoiled |= self.repeats.in_a_row >= REPEATS_SPOIL;
        window.full_at_ns = now_ns;
    }

    /// Whether it is decided that a full window has all its samples, or hasn't.
    fn judged(&mut self, window: &mut Window, lateness_ns: i64) -> bool {
        let transfer_ns = f64::from(self.transfers.bytes) * self.ns_per_byte;
        let window_ns = window.buffer.len() as f64 * self.ns_per_byte;
        let allowed_ns = (transfer_ns / 2.0).max(LATE_NS) + window_ns * CLOCKS_DIFFER;
        if lateness_ns.saturating_sub(window.in_time_ns) as f64 <= allowed_ns {
            return true;
        }
        if window.after < 2 * self.transfers.count {
            return false;
        }
        window.spoiled = true;
        // From here on this is in time.
        self.recent_ns = [i64::MAX; RECENT];
        true
    }

    fn hand_over(&self, window: Window) {
        // There is room; where nobody takes windows any more, this one is of no use.
        let _ = self.done.try_send(window);
    }
}

/// Least lateness over the last one to two periods.
#[derive(Debug)]
struct Lateness {
    period_began_ns: u64,
    now: i64,
    before: i64,
}

impl Default for Lateness {
    fn default() -> Self {
        Lateness {
            period_began_ns: 0,
            now: i64::MAX,
            before: i64::MAX,
        }
    }
}

impl Lateness {
    fn push(&mut self, lateness_ns: i64, now_ns: u64) {
        if now_ns.saturating_sub(self.period_began_ns) >= PERIOD_NS {
            self.before = self.now;
            self.now = i64::MAX;
            self.period_began_ns = now_ns;
        }
        self.now = self.now.min(lateness_ns);
    }

    fn least(&self) -> i64 {
        self.now.min(self.before)
    }
}

/// Tells transfers that came before from new ones, by a sum over each.
#[derive(Debug)]
struct Repeats {
    sums: [u64; REMEMBERED],
    at: usize,
    in_a_row: u32,
}

impl Default for Repeats {
    fn default() -> Self {
        Repeats {
            sums: [0; REMEMBERED],
            at: 0,
            in_a_row: 0,
        }
    }
}

impl Repeats {
    fn push(&mut self, bytes: &[u8]) {
        // At a low gain noise may be hidden under one step of the converter: that tells nothing. Away from the middle of the
        // scale there is no such thing.
        let in_the_middle = |byte: &u8| MIDDLE.contains(byte);
        let changes = bytes
            .iter()
            .zip(&bytes[2.min(bytes.len())..])
            .any(|(now, next)| now != next);
        if !changes && bytes.iter().take(2).all(in_the_middle) {
            return;
        }
        let sum = sum(bytes);
        if self.sums.contains(&sum) {
            self.in_a_row = self.in_a_row.saturating_add(1);
        } else {
            self.in_a_row = 0;
        }
        self.sums[self.at] = sum;
        self.at = (self.at + 1) % REMEMBERED;
    }
}

/// A number that differs, in all likelihood, where the bytes do; never 0.
fn sum(bytes: &[u8]) -> u64 {
    // Four sums side by side, so that one multiplication need not wait for the other. The factor is that of Knuth's
    // multiplicative hash, 2^64 over the golden ratio.
    const FACTOR: u64 = 0x9e37_79b9_7f4a_7c15;
    let mut sums = [1u64, 2, 3, 4];
    let chunks = bytes.chunks_exact(32);
    let rest = chunks.remainder();
    let mix = |sum: u64, word: u64| (sum.rotate_left(23) ^ word).wrapping_mul(FACTOR);
    for chunk in chunks {
        for (sum, word) in sums.iter_mut().zip(chunk.chunks_exact(8)) {
            let word = word.try_into().map_or(0, u64::from_le_bytes);
            *sum = mix(*sum, word);
        }
    }
    for &byte in rest {
        sums[0] = mix(sums[0], u64::from(byte));
    }
    sums.into_iter().fold(bytes.len() as u64, mix) | 1
}

#[cfg(test)]
mod tests;
