//! The stream: stale transfers, settling, gains, time.

mod bench;

use bench::{Bench, carrier_db, power_db};

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
