//! What the stand-in costs. Run with `cargo test -p rtlsdr-stand-in --test speed -- --ignored --nocapture`.

mod bench;

use std::time::Instant;

use bench::{Bench, DEMO};
use rtlsdr_stand_in::interface::*;

/// Processor time of this thread in seconds, by proc(5).
fn busy_s() -> f64 {
    let times = std::fs::read_to_string("/proc/thread-self/schedstat").expect("Linux");
    let nanoseconds = times
        .split(' ')
        .next()
        .and_then(|word| word.parse::<f64>().ok());
    nanoseconds.expect("nanoseconds") / 1e9
}

#[test]
#[ignore = "measures speed, which means something on a quiet machine only"]
fn playing_takes_a_small_part_of_a_core() {
    for rate in [2_400_000, 3_200_000] {
        let text = "[[device]]\nantenna = 'tape loop'\nspot = 'north window'";
        let bench = Bench::new(&format!("{DEMO}{text}"));
        let dongle = bench.open(0).unwrap();
        let begun = Instant::now();
        unsafe { rtlsdr_set_sample_rate(dongle.0, rate) };
        let noise_s = begun.elapsed().as_secs_f64();
        unsafe { rtlsdr_set_tuner_gain_mode(dongle.0, 1) };
        dongle.gain(297);
        for (what, hz) in [
            ("one transmitter", 509_000_000),
            ("two transmitters", 512_000_000),
        ] {
            let begun = Instant::now();
            assert_eq!(dongle.tune(hz), 0);
            let first_s = begun.elapsed().as_secs_f64();
            let begun = Instant::now();
            assert_eq!(dongle.tune(hz), 0);
            let again_s = begun.elapsed().as_secs_f64();
            let (begun, busy) = (Instant::now(), busy_s());
            let wanted = (f64::from(rate) * 3.0) as usize / 8192;
            dongle.read(15, 16_384, |index, _| {
                if index == wanted {
                    dongle.cancel();
                }
            });
            let (wall, busy) = (begun.elapsed().as_secs_f64(), busy_s() - busy);
            println!(
                "{rate} S/s, {what}: noise {:.0} ms, first tuning {:.0} ms, again {:.0} ms, {:.1} % of a core, lost {:?}",
                noise_s * 1e3,
                first_s * 1e3,
                again_s * 1e3,
                busy / wall * 100.0,
                bench.logged("lost")
            );
            assert!(busy / wall < 0.25, "{busy} of {wall} s");
        }
    }
}
