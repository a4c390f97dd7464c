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
    // At the end of the scale it is no silence.
    for _ in 0..50 {
        bench.handler.take_at(&[0; 512], 0);
    }
    assert_eq!(bench.told.repeats(), 49);
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
