//! The stream: stale transfers, settling, time, loss.

mod bench;

use std::time::{Duration, Instant};

use bench::{Bench, carrier_db, one, power_db};
use rtlsdr_stand_in::interface::*;

/// In the scene a carrier of −20 dBFS stands at 500.1 MHz and nowhere else. Noise of −44 dBFS/MHz over the passband's
/// 2.32 MHz is −40.3 dBFS, with that of rounding (2/12 of a step squared, −49.9 dBFS) −39.9 dBFS; a bin of 8192 samples
/// holds −79 dBFS of it.
fn has_carrier(transfer: &[u8]) -> bool {
    carrier_db(transfer, 100e3, 2.4e6) > -30.0
}

#[test]
fn after_a_retuning_the_queued_transfers_hold_the_old_frequency_then_garbage_then_the_new_one() {
    for queued in [1, 3, 13] {
        let bench = Bench::new(&format!(
            "pace = 'fast'\n[[device]]\nqueued_transfers = {queued}\nlock_ms = 5\nretune_ms = 0\nfrequency_error_ppm = 0"
        ));
        let dongle = bench.ready();
        assert_eq!(dongle.tune(500_000_000), 0);
        let mut kinds = Vec::new();
        let mut tuned_before = 0;
        std::thread::scope(|scope| {
            let (go, wait) = std::sync::mpsc::channel();
            let (tuned, is_tuned) = std::sync::mpsc::channel();
            let dongle = &dongle;
            scope.spawn(move || {
                wait.recv().unwrap();
                assert_eq!(dongle.tune(600_000_000), 0);
                tuned.send(()).unwrap();
            });
            let code = dongle.read(15, 16_384, |index, transfer| {
                kinds.push((has_carrier(transfer), power_db(transfer)));
                if index == 4 {
                    go.send(()).unwrap();
                    is_tuned.recv().unwrap();
                    tuned_before = index + 1;
                }
                if index == 40 {
                    dongle.cancel();
                }
            });
            assert_eq!(code, 0);
        });
        // A call within a callback's time: exactly the full transfers are old. The lock takes 5 ms, a transfer 3.4.
        // The first two transfers show how the tuner settles on its first frequency.
        let (old, rest) = kinds[2..].split_at(tuned_before + queued - 2);
        assert!(
            old.iter()
                .all(|(carrier, db)| *carrier && (db + 20.0).abs() < 0.3),
            "{kinds:?}"
        );
        let (garbage, new) = rest.split_at(2);
        assert!(garbage.iter().all(|(_, db)| *db > -12.0), "{kinds:?}");
        assert!(
            new.iter()
                .all(|(carrier, db)| !carrier && (db + 39.9).abs() < 0.3),
            "{kinds:?}"
        );
        assert_eq!(bench.logged("lost"), Vec::<String>::new());
    }
}

#[test]
fn a_slow_callback_loses_samples_at_real_pace_and_none_when_the_dongle_waits() {
    for (pace, lossless) in [("1", false), ("2", true), ("'fast'", true)] {
        let bench = one(pace, "queued_transfers = 1");
        let dongle = bench.ready();
        assert_eq!(unsafe { rtlsdr_set_testmode(dongle.0, 1) }, 0);
        let mut bytes = Vec::new();
        dongle.read(4, 16_384, |index, transfer| {
            bytes.extend_from_slice(transfer);
            // Four transfers of 3.4 ms can't bridge this.
            if index == 3 {
                std::thread::sleep(Duration::from_millis(120));
            }
            if index == 12 {
                dongle.cancel();
            }
        });
        let lost: u64 = bench
            .logged("lost")
            .iter()
            .map(|lost| lost.parse::<u64>().unwrap())
            .sum();
        let unbroken = bytes
            .windows(2)
            .all(|pair| pair[1].wrapping_sub(pair[0]) == 1);
        assert_eq!(
            (lost == 0, unbroken),
            (lossless, lossless),
            "{pace}: {lost}"
        );
        // At least what the four transfers could not take.
        assert!(
            lossless || lost > (0.12 * 2.4e6) as u64 - 4 * 8192,
            "{lost}"
        );
    }
}

#[test]
fn samples_keep_the_pace_that_is_stated() {
    for (pace, factor) in [("'real'", 1.0), ("4", 4.0)] {
        let bench = one(pace, "retune_ms = 40");
        let dongle = bench.ready();
        let begun = Instant::now();
        assert_eq!(dongle.tune(500_000_000), 0);
        assert!(begun.elapsed().as_secs_f64() >= 0.040 / factor);
        let begun = Instant::now();
        dongle.transfers(30);
        // A lower limit only: what else the machine does is not known. 33 transfers of 3.413 ms.
        assert!(begun.elapsed().as_secs_f64() >= 33.0 * 8192.0 / 2.4e6 / factor - 1e-3);
    }
}

#[test]
fn read_sync_gives_what_comes_next() {
    let bench = one("'fast'", "lock_ms = 0");
    let dongle = bench.ready();
    assert_eq!(dongle.tune(500_000_000), 0);
    let mut bytes = vec![0u8; 65_536];
    let mut read = 0;
    let code = unsafe { rtlsdr_read_sync(dongle.0, bytes.as_mut_ptr().cast(), 65_536, &mut read) };
    assert_eq!((code, read), (0, 65_536));
    assert!((carrier_db(&bytes, 100e3, 2.4e6) + 20.0).abs() < 0.05);
}

#[test]
fn a_rate_set_while_samples_flow_holds_from_then_on() {
    let bench = one("'fast'", "");
    let dongle = bench.ready();
    assert_eq!(dongle.tune(500_000_000), 0);
    let (go, wait) = std::sync::mpsc::channel();
    let mut last = Vec::new();
    std::thread::scope(|scope| {
        let dongle = &dongle;
        scope.spawn(move || {
            wait.recv().unwrap();
            assert_eq!(unsafe { rtlsdr_set_sample_rate(dongle.0, 1_024_000) }, 0);
        });
        dongle.read(15, 16_384, |index, transfer| {
            if index == 5 {
                go.send(()).unwrap();
                std::thread::sleep(Duration::from_millis(1));
            }
            if bench.logged("rate").len() == 2 {
                last.push(transfer.to_vec());
            }
            if last.len() == 10 {
                dongle.cancel();
            }
        });
    });
    let bytes = last.split_off(5).concat();
    assert!((carrier_db(&bytes, 100e3, 1.024e6) + 20.0).abs() < 0.1);
}

#[test]
fn a_retuning_while_the_dongle_waits_comes_right_after_what_was_full() {
    let bench = one("2", "queued_transfers = 1\nretune_ms = 0\nlock_ms = 0");
    let dongle = bench.ready();
    // Both are prepared: the call takes no time.
    assert_eq!(dongle.tune(600_000_000), 0);
    assert_eq!(dongle.tune(500_000_000), 0);
    let mut carriers = Vec::new();
    dongle.read(4, 16_384, |index, transfer| {
        carriers.push(has_carrier(transfer));
        if index == 5 {
            // All transfers fill, and none is free; then the frequency is set.
            std::thread::sleep(Duration::from_millis(60));
            std::thread::scope(|scope| {
                scope.spawn(|| assert_eq!(dongle.tune(600_000_000), 0));
            });
        }
        if index == 20 {
            dongle.cancel();
        }
    });
    // Three were full or filling, and this one.
    assert!(
        carriers[..=5].iter().all(|carrier| *carrier),
        "{carriers:?}"
    );
    assert!(
        carriers[10..].iter().all(|carrier| !carrier),
        "{carriers:?}"
    );
}
