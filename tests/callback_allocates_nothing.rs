//! The driver's callback takes no memory: what it does thousands of times a second would, sooner or later, wait for it.
//!
//! Counted by an allocator of this test's own; the stand-in for librtlsdr has its own allocator and isn't counted.

mod stand_in_support;

use std::alloc::{GlobalAlloc, Layout, System};
use std::process::Command;
use std::sync::atomic::{AtomicU64, Ordering};

use gainsay::capture::dongle::{Begin, Choice, Receiver, Setting, Settings};
use gainsay::units::{Decibels, Hertz};
use stand_in_support::StandIn;

static ALLOCATIONS: AtomicU64 = AtomicU64::new(0);

struct Counting;

// SAFETY: everything is passed on to the system's allocator as it is.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        ALLOCATIONS.fetch_add(1, Ordering::Relaxed);
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        unsafe { System.dealloc(pointer, layout) }
    }

    unsafe fn realloc(&self, pointer: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        ALLOCATIONS.fetch_add(1, Ordering::Relaxed);
        unsafe { System.realloc(pointer, layout, size) }
    }
}

#[global_allocator]
static COUNTING: Counting = Counting;

#[test]
fn thousands_of_transfers_take_no_memory() {
    let stand_in = StandIn::new("pace = 4.0\n[[device]]\nantenna = 'tape loop'\n");
    let output = Command::new(std::env::current_exe().expect("a path"))
        .args(["--exact", "captures", "--ignored", "--nocapture"])
        .envs(stand_in.environment())
        .output()
        .expect("it runs");
    let said = String::from_utf8_lossy(&output.stdout);
    let figures: Vec<u64> = said
        .lines()
        .find_map(|line| line.split_once("counted "))
        .map(|(_, figures)| {
            figures
                .split_whitespace()
                .map(|one| one.parse().expect("a number"))
                .collect()
        })
        .unwrap_or_else(|| panic!("{said}{}", String::from_utf8_lossy(&output.stderr)));
    let [transfers, allocations] = figures[..] else {
        panic!("{said}");
    };
    assert!(transfers > 5_000, "{transfers}");
    // Ordering a capture and handing it over takes a few.
    assert!(
        allocations < 100,
        "{allocations} allocations over {transfers} transfers"
    );
}

#[test]
#[ignore = "started as a child"]
fn captures() {
    if std::env::var_os("RTLSDR_STAND_IN").is_none() {
        return;
    }
    let settings = Settings::at_rate(2_400_000);
    let each = settings.transfers.samples();
    let mut receiver = Receiver::open(&Choice::TheOnlyOne, settings).expect("a dongle");
    let setting = Setting {
        centre: Hertz::from_mhz(507.0),
        gain: Decibels(0.0),
    };
    // Once to get everything going; then what counts.
    let samples = 4_000_000;
    receiver
        .capture(setting, Begin::Good, 100_000)
        .expect("samples");
    let before = ALLOCATIONS.load(Ordering::Relaxed);
    let capture = receiver
        .capture(setting, Begin::Good, samples)
        .expect("samples");
    let allocations = ALLOCATIONS.load(Ordering::Relaxed) - before;
    assert_eq!(capture.bytes.len(), 2 * samples);
    println!("counted {} {allocations}", samples as u64 / each);
}
