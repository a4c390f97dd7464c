//! Each fault does what the README says of it, when it says so.

mod bench;

use std::time::Duration;

use bench::Bench;
use rtlsdr_stand_in::interface::*;

/// One dongle, as fast as it goes, with one fault.
fn with(fault: &str) -> Bench {
    Bench::new(&format!(
        "pace = 'fast'\n[[device]]\nserial = 'F'\nqueued_transfers = 2\n[[device.fault]]\n{fault}"
    ))
}

#[test]
fn a_busy_dongle_is_listed_but_cannot_be_opened() {
    let bench = with("kind = 'busy'\ntimes = 2");
    assert_eq!(rtlsdr_get_device_count(), 1);
    assert_eq!(
        (bench.open(0).err(), bench.open(0).err()),
        (Some(-6), Some(-6))
    );
    assert!(bench.open(0).is_ok());
}

#[test]
fn a_denied_dongle_is_counted_but_tells_nothing() {
    let bench = with("kind = 'denied'");
    assert_eq!(rtlsdr_get_device_count(), 1);
    assert_eq!(bench.open(0).err(), Some(-3));
    unsafe {
        let null = std::ptr::null_mut();
        assert_eq!(rtlsdr_get_device_usb_strings(0, null, null, null), -3);
        assert_eq!(rtlsdr_get_index_by_serial(c"F".as_ptr()), -3);
    }
}

#[test]
fn an_unplugged_dongle_ends_the_reading_and_fails_from_then_on() {
    for (returns, code) in [("", -5), ("\nreturns = 0", 0)] {
        let bench = with(&format!("kind = 'unplugged'\nat_transfer = 11{returns}"));
        let dongle = bench.ready();
        assert_eq!(dongle.tune(500_000_000), 0);
        let mut count = 0;
        assert_eq!(dongle.read(15, 16_384, |_, _| count += 1), code);
        assert_eq!(count, 10);
        assert_eq!(dongle.tune(600_000_000), -1);
        assert_eq!(dongle.gain(207), -1);
        assert!(dongle.read(15, 16_384, |_, _| count += 1) < 0);
        // The real library doesn't notice here.
        assert_eq!(unsafe { rtlsdr_reset_buffer(dongle.0) }, 0);
        assert_eq!(rtlsdr_get_device_count(), 0);
        drop(dongle);
        assert_eq!(bench.logged("stop"), [code.to_string()]);
    }
}

#[test]
fn a_dongle_left_out_of_the_file_is_unplugged_while_it_is_read() {
    let bench = Bench::new("pace = 'fast'\n[[device]]");
    let dongle = bench.ready();
    let code = dongle.read(15, 16_384, |index, _| {
        if index == 3 {
            bench.plug("pace = 'fast'");
            std::thread::sleep(Duration::from_millis(60));
        }
    });
    assert_eq!(code, -5);
    assert_eq!(rtlsdr_get_device_count(), 0);
}

#[test]
fn a_dongle_can_be_unplugged_between_tunings() {
    let bench = with("kind = 'unplugged'\nat_tuning = 2");
    let dongle = bench.ready();
    assert_eq!(
        (dongle.tune(500_000_000), dongle.tune(502_000_000)),
        (0, -1)
    );
    drop(dongle);
    assert_eq!(bench.open(0).err(), Some(-1));
}

#[test]
fn a_tuning_is_refused_as_often_as_stated() {
    let bench = with("kind = 'tuning-refused'\nat_tuning = 2\ntimes = 1");
    let dongle = bench.ready();
    let codes = [500_000_000, 502_000_000, 502_000_000].map(|hz| dongle.tune(hz));
    assert_eq!(codes, [0, -22, 0]);
    assert_eq!(bench.logged("fault"), ["tuning-refused"]);
}

#[test]
fn a_lost_transfer_leaves_a_gap_that_the_test_mode_shows() {
    let bench = with("kind = 'lost'\nat_transfer = 5");
    let dongle = bench.ready();
    assert_eq!(unsafe { rtlsdr_set_testmode(dongle.0, 1) }, 0);
    let bytes = dongle.transfers(20);
    let steps: Vec<u8> = bytes
        .windows(2)
        .map(|pair| pair[1].wrapping_sub(pair[0]))
        .collect();
    let jumps: Vec<(usize, u8)> = (0..).zip(steps).filter(|(_, step)| *step != 1).collect();
    // The fifth was to be handed over when the seventh was to be filled; a transfer and 74 samples are 148 bytes more
    // than a multiple of 256.
    assert_eq!(jumps, [(6 * 16_384 - 1, 149)]);
    assert_eq!(bench.logged("lost"), ["8266"]);
}

#[test]
fn a_stuck_dongle_gives_the_same_bytes_over_and_over() {
    let bench = with("kind = 'stuck'\nat_transfer = 4\ntimes = 3");
    let dongle = bench.ready();
    let bytes = dongle.transfers(10);
    let all: Vec<&[u8]> = bytes.chunks(16_384).collect();
    let same: Vec<bool> = all.windows(2).map(|pair| pair[0] == pair[1]).collect();
    // From the third to the fourth, fifth and sixth.
    let expected = [false, false, true, true, true, false, false, false, false];
    assert_eq!(same, expected);
}

#[test]
fn a_silent_dongle_never_calls_back_and_can_be_cancelled() {
    let bench = with("kind = 'silent'\nat_transfer = 6");
    let dongle = bench.ready();
    let mut count = 0;
    let code = std::thread::scope(|scope| {
        scope.spawn(|| {
            while bench.logged("fault").is_empty() {
                std::thread::sleep(Duration::from_millis(1));
            }
            assert_eq!(dongle.cancel(), 0);
        });
        dongle.read(15, 16_384, |_, _| count += 1)
    });
    assert_eq!((code, count), (0, 5));
}

#[test]
fn cancelling_is_heeded_as_late_as_stated() {
    let bench = with("kind = 'cancel-ignored'\nfor_ms = 50");
    let dongle = bench.ready();
    let mut after = 0;
    let code = dongle.read(15, 16_384, |index, _| {
        if index == 2 {
            assert_eq!(dongle.cancel(), 0);
            assert_eq!(dongle.cancel(), -2);
        }
        after += usize::from(index > 2);
    });
    assert_eq!(code, 0);
    // 50 ms are 14.6 transfers of 3.41 ms.
    assert!((14..=16).contains(&after), "{after}");
}
