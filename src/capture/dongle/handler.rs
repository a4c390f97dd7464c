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
        // At a low gain noise may be hidden under one step of the converter: that tells nothing.
        if bytes
            .iter()
            .zip(&bytes[2.min(bytes.len())..])
            .all(|(now, next)| now == next)
        {
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
mod tests {
    use super::*;
    use std::sync::mpsc;

    const TRANSFERS: Transfers = Transfers {
        count: 4,
        bytes: 512,
    };
    /// One byte takes a microsecond.
    const RATE_HZ: f64 = 5e5;

    /// A handler, a stream of bytes that all differ from those shortly before, and both ends of the channels.
    struct Bench {
        handler: Handler,
        told: Arc<Told>,
        windows: SyncSender<Window>,
        full: Receiver<Window>,
        at: u64,
    }

    impl Bench {
        fn new() -> Bench {
            let told = Arc::new(Told::default());
            let (windows, orders) = mpsc::sync_channel(2);
            let (done, full) = mpsc::sync_channel(4);
            let start = Instant::now();
            let handler = Handler::new(start, TRANSFERS, RATE_HZ, told.clone(), orders, done);
            Bench {
                handler,
                told,
                windows,
                full,
                at: 0,
            }
        }

        fn byte(at: u64) -> u8 {
            (at.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 56) as u8
        }

        /// The next transfer comes `late_us` after its time.
        fn transfer_of(&mut self, bytes: u64, late_us: u64) {
            let transfer: Vec<u8> = (self.at..self.at + bytes).map(Bench::byte).collect();
            self.at += bytes;
            self.handler.take_at(&transfer, 1000 * (self.at + late_us));
        }

        fn transfers(&mut self, count: usize) {
            for _ in 0..count {
                self.transfer_of(512, 0);
            }
        }

        /// A transfer is taken by the dongle and never comes.
        fn lose(&mut self) {
            self.at += 512;
        }

        fn want(&self, id: u64, from: u64, bytes: usize) {
            let window = Window {
                id,
                ..Window::new(from, false, vec![0; bytes])
            };
            self.windows.send(window).unwrap();
        }

        fn came(&self) -> Option<Window> {
            self.full.try_recv().ok()
        }
    }

    fn stretch(from: u64, bytes: usize) -> Vec<u8> {
        (from..from + bytes as u64).map(Bench::byte).collect()
    }

    #[test]
    fn a_window_holds_exactly_its_stretch_of_the_stream() {
        for (from, bytes) in [(1536, 512), (1600, 700), (1538, 1024), (2046, 4)] {
            let mut bench = Bench::new();
            bench.transfers(2);
            bench.want(7, from, bytes);
            bench.transfers(6);
            let window = bench.came().unwrap();
            assert_eq!(window.id, 7);
            assert!(!window.spoiled);
            assert_eq!(window.buffer, stretch(from, bytes), "{from}, {bytes}");
            assert!(bench.came().is_none());
        }
    }

    #[test]
    fn a_window_that_comes_too_late_begins_with_the_next_transfer_and_with_i() {
        let mut bench = Bench::new();
        bench.transfer_of(511, 0);
        bench.want(1, 100, 600);
        bench.transfers(3);
        assert_eq!(bench.came().unwrap().buffer, stretch(512, 600));
    }

    #[test]
    fn a_window_takes_the_place_of_one_that_was_given_up() {
        let mut bench = Bench::new();
        bench.want(1, 0, 1024);
        bench.transfers(1);
        bench.want(2, 512, 512);
        bench.transfers(1);
        let given_up = bench.came().unwrap();
        assert_eq!((given_up.id, given_up.filled), (1, 512));
        let window = bench.came().unwrap();
        assert_eq!((window.id, window.buffer), (2, stretch(512, 512)));
    }

    #[test]
    fn lateness_that_is_made_up_for_spoils_nothing() {
        let mut bench = Bench::new();
        bench.transfers(8);
        bench.want(1, 0, 2048);
        bench.transfers(3);
        // The end of the window is late by two transfers; then the queue is worked off.
        bench.transfer_of(512, 1024);
        assert!(bench.came().is_none(), "not decided yet");
        bench.transfer_of(512, 520);
        assert!(bench.came().is_none(), "not decided yet");
        bench.transfer_of(512, 20);
        assert!(!bench.came().unwrap().spoiled);
    }

    #[test]
    fn a_lost_transfer_spoils_the_window_wherever_it_is() {
        for place in 0..4 {
            let mut bench = Bench::new();
            bench.transfers(8);
            bench.want(1, 0, 2048);
            for transfer in 0..16 {
                bench.transfer_of(512, 30 * (transfer % 3));
                if transfer == place && place < 3 {
                    bench.lose();
                }
            }
            let window = bench.came().unwrap();
            // The fourth transfer fills the window: what is lost after it doesn't matter.
            assert_eq!(window.spoiled, place < 3, "lost after transfer {place}");
            // What is lost once is not held against the next window.
            bench.want(2, 0, 2048);
            bench.transfers(12);
            assert!(!bench.came().unwrap().spoiled);
        }
    }

    #[test]
    fn after_tuning_a_pause_in_the_stream_is_nothing_lost() {
        for tuned in [true, false] {
            let mut bench = Bench::new();
            bench.transfers(8);
            for _ in 0..9 {
                bench.lose();
            }
            let window = Window::new(0, tuned, vec![0; 2048]);
            bench.windows.send(window).unwrap();
            bench.transfers(12);
            assert_eq!(bench.came().unwrap().spoiled, !tuned);
        }
    }

    #[test]
    fn the_same_transfers_over_and_over_are_counted_and_spoil_a_window() {
        for period in [1, 4] {
            let mut bench = Bench::new();
            bench.transfers(8);
            assert_eq!(bench.told.repeats(), 0);
            bench.want(1, 0, 4096);
            let stuck = bench.at;
            for place in 0..12 {
                bench.at = stuck + 512 * (place % period);
                bench.transfer_of(512, 512 * (place - place % period));
            }
            assert!(bench.came().unwrap().spoiled, "period {period}");
            assert_eq!(u64::from(bench.told.repeats()), 12 - period);
        }
    }

    #[test]
    fn silence_is_not_taken_for_repetition() {
        let mut bench = Bench::new();
        for _ in 0..50 {
            bench.handler.take_at(&[127, 128].repeat(256), 0);
        }
        assert_eq!(bench.told.repeats(), 0);
    }

    #[test]
    fn sums_tell_transfers_apart_by_one_bit_anywhere() {
        let transfer = stretch(3, 512 + 7);
        let whole = sum(&transfer);
        for place in 0..transfer.len() {
            let mut other = transfer.clone();
            other[place] ^= 1;
            assert_ne!(sum(&other), whole, "byte {place}");
        }
        assert_ne!(sum(&[127; 512]), sum(&[127; 510]));
        assert_ne!(sum(&[]), 0);
    }

    #[test]
    fn an_empty_transfer_is_none() {
        let mut bench = Bench::new();
        bench.handler.take_at(&[], 5);
        assert_eq!(bench.told.delivered(), 0);
        assert_eq!(bench.told.least_lateness_ns(), None);
    }
}
