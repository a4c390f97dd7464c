//! While samples flow, neither the driver's callback nor the thread that sets the dongle allocates memory.
//!
//! The stand-in is a library of its own, whose memory doesn't go through this binary's allocator: what is counted is ours.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;
use std::process::Command;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use gainsay::capture::dongle::{Choice, LiveSource, Receiver, Setting, Settings};
use gainsay::capture::{Sample, Source};
use gainsay::units::{Decibels, Hertz};
use stand_in_support::StandIn;

mod stand_in_support;

static COUNTING: AtomicBool = AtomicBool::new(false);
/// Allocations and releases by other threads than the test's, while counting.
static COUNT: AtomicU64 = AtomicU64::new(0);

thread_local! {
    /// Set on the thread that reads the source.
    static READS: Cell<bool> = const { Cell::new(false) };
}

struct Counting;

impl Counting {
    fn count() {
        if COUNTING.load(Ordering::Relaxed) && !READS.get() {
            COUNT.fetch_add(1, Ordering::Relaxed);
        }
    }
}

// SAFETY: passes everything on to the system's allocator.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        Counting::count();
        // SAFETY: the caller's promises are passed on.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, place: *mut u8, layout: Layout) {
        Counting::count();
        // SAFETY: the caller's promises are passed on.
        unsafe { System.dealloc(place, layout) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

#[test]
fn nothing_is_allocated_while_samples_flow() {
    let stand_in = StandIn::new("[[device]]\nantenna = 'tape loop'");
    let output = Command::new(std::env::current_exe().expect("a path"))
        .args(["passes", "--exact", "--ignored", "--nocapture"])
        .envs(stand_in.environment())
        .output()
        .expect("a child");
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{said}");
    assert!(said.contains("allocated by others: 0;"), "{said}");
    assert!(said.contains("one allocation counts as: 1\n"), "{said}");
}

#[test]
#[ignore = "started as a child by the test of this file"]
fn passes() {
    if std::env::var_os("RTLSDR_STAND_IN").is_none() {
        return;
    }
    READS.set(true);
    let mut receiver =
        Receiver::open(&Choice::TheOnlyOne, Settings::at_rate(2_400_000)).expect("a dongle");
    // What is allocated once is allocated now.
    pass(&mut receiver);
    COUNTING.store(true, Ordering::Relaxed);
    pass(&mut receiver);
    COUNTING.store(false, Ordering::Relaxed);
    let by_others = COUNT.swap(0, Ordering::Relaxed);
    // That others are counted at all.
    COUNTING.store(true, Ordering::Relaxed);
    std::thread::scope(|scope| {
        scope
            .spawn(|| {
                COUNT.store(0, Ordering::Relaxed);
                let kept = std::hint::black_box(Box::new(1u64));
                COUNTING.store(false, Ordering::Relaxed);
                drop(kept);
            })
            .join()
            .expect("a thread");
    });
    println!(
        "allocated by others: {by_others}; one allocation counts as: {}",
        COUNT.load(Ordering::Relaxed)
    );
}

fn pass(receiver: &mut Receiver) {
    let plan = [471.0, 485.0, 515.0, 573.0].map(|mhz| Setting {
        centre: Hertz::from_mhz(mhz),
        gain: Decibels(29.7),
    });
    let mut source =
        LiveSource::new(receiver, plan.to_vec(), Duration::from_millis(20)).expect("a pass");
    let mut block = vec![Sample::default(); 4096];
    let mut samples = 0;
    while source.next_tuning().expect("a tuning").is_some() {
        loop {
            match source.read(&mut block).expect("samples") {
                0 => break,
                count => samples += count,
            }
        }
    }
    assert_eq!(samples, 4 * 48_000);
}
