//! Live takes at real pace, on the stand-in for librtlsdr: how long a pass takes, what it costs, what is lost.
//!
//! Run it on an idle machine: `cargo bench --features dongle --bench dongle`. It fails where a promise is broken:
//!
//! - a pass takes at most 1.25 times the sum of its dwells and of the dongle's own times for tuning and settling;
//! - the capture path takes less than a tenth of one core at 2.4 million samples a second: the process's time with it, less
//!   that of the stand-in alone, which makes the samples in the same process;
//! - at 3.2 million samples a second, with the analysis running, none is lost.

use std::process::{Command, ExitCode};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use gainsay::capture::dongle::{Choice, LiveSource, Receiver, Setting, Settings};
use gainsay::capture::{Sample, Source};
use gainsay::live::measure_retuning;
use gainsay::reading::survey::Survey;
use gainsay::units::{Decibels, Hertz};
use serde::{Deserialize, Serialize};
use stand_in_support::StandIn;

#[path = "../tests/stand_in_support/mod.rs"]
mod stand_in_support;

const ORDERS: &str = "GAINSAY_BENCH_ORDERS";
/// Tunings of a pass: eight channels of 6 MHz.
const TUNINGS: usize = 24;
/// Length of the captures by which the cost is measured.
const COSTS: Duration = Duration::from_secs(6);

/// What a child does.
#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
enum Orders {
    /// Surveys over the plan; times are in milliseconds, the rate in samples a second.
    Pass {
        rate: u32,
        dwell_ms: u64,
        passes: usize,
    },
    /// One long capture, through the whole path.
    Capture,
    /// The same time with a callback that does nothing.
    Nothing,
}

/// What came of it: seconds for each pass, or processor time a second.
type Came = Vec<f64>;

fn main() -> ExitCode {
    if let Ok(orders) = std::env::var(ORDERS) {
        let came: Came = match serde_json::from_str(&orders).expect("JSON") {
            Orders::Pass {
                rate,
                dwell_ms,
                passes,
            } => surveys(rate, dwell_ms, passes),
            Orders::Capture => vec![capture()],
            Orders::Nothing => vec![nothing()],
        };
        println!("CAME {}", serde_json::to_string(&came).expect("JSON"));
        return ExitCode::SUCCESS;
    }
    let kept = [pace(), costs(), losses()];
    if kept.contains(&false) {
        ExitCode::FAILURE
    } else {
        ExitCode::SUCCESS
    }
}

fn child(stand_in: &StandIn, orders: Orders) -> Came {
    let output = Command::new(std::env::current_exe().expect("a path"))
        .envs(stand_in.environment())
        .env(ORDERS, serde_json::to_string(&orders).expect("JSON"))
        .output()
        .expect("a child");
    let said = String::from_utf8_lossy(&output.stdout);
    let came = said.lines().find_map(|line| line.strip_prefix("CAME "));
    let Some(came) = came else {
        panic!("{}", String::from_utf8_lossy(&output.stderr))
    };
    serde_json::from_str(came).expect("JSON")
}

fn verdict(kept: bool) -> &'static str {
    if kept { "" } else { "  BROKEN" }
}

fn pace() -> bool {
    println!(
        "A pass of {TUNINGS} tunings, over the sum of its parts (1.25 at most; least and most of 5):"
    );
    println!("  dwell   call   lock  queued      ratio");
    let mut all_kept = true;
    for (dwell_ms, retune_ms, lock_ms, queued) in [
        (20, 5, 2, 1),
        (20, 5, 2, 15),
        (20, 10, 4, 3),
        (20, 50, 10, 15),
        (50, 10, 4, 3),
    ] {
        let stand_in = StandIn::new(&format!(
            "[[device]]\nantenna = 'tape loop'\nretune_ms = {retune_ms}\nlock_ms = {lock_ms}\nqueued_transfers = {queued}"
        ));
        let took = child(
            &stand_in,
            Orders::Pass {
                rate: 2_400_000,
                dwell_ms,
                passes: 5,
            },
        );
        let parts_s = TUNINGS as f64 * (dwell_ms + retune_ms + lock_ms) as f64 / 1e3;
        let ratio =
            |of: fn(f64, f64) -> f64, from: f64| took.iter().copied().fold(from, of) / parts_s;
        let (least, most) = (ratio(f64::min, f64::INFINITY), ratio(f64::max, 0.0));
        let kept = most <= 1.25;
        all_kept &= kept;
        println!(
            "  {dwell_ms:>3} ms  {retune_ms:>2} ms  {lock_ms:>2} ms   {queued:>5}  {least:.2}–{most:.2}{}",
            verdict(kept)
        );
    }
    all_kept
}

fn costs() -> bool {
    let stand_in = StandIn::new("[[device]]\nantenna = 'tape loop'");
    let [whole, bare] =
        [Orders::Capture, Orders::Nothing].map(|orders| child(&stand_in, orders)[0]);
    let kept = whole - bare < 0.1;
    println!(
        "Capture path at 2.4 MS/s: {:.1} % of one core ({:.1} % with the stand-in, {:.1} % it alone){}",
        100.0 * (whole - bare),
        100.0 * whole,
        100.0 * bare,
        verdict(kept)
    );
    kept
}

fn losses() -> bool {
    let stand_in = StandIn::new("[[device]]\nantenna = 'tape loop'");
    let passes = 5;
    let took = child(
        &stand_in,
        Orders::Pass {
            rate: 3_200_000,
            dwell_ms: 100,
            passes,
        },
    );
    let lost = stand_in.logged("lost").len();
    println!(
        "At 3.2 MS/s with the analysis running: {lost} losses in {:.1} s{}",
        took.iter().sum::<f64>(),
        verdict(lost == 0)
    );
    lost == 0
}

fn plan() -> Vec<Setting> {
    (0..TUNINGS)
        .map(|tuning| Setting {
            centre: Hertz::from_mhz(471.0 + 2.0 * tuning as f64),
            gain: Decibels(25.4),
        })
        .collect()
}

fn open(rate: u32) -> Receiver {
    Receiver::open(&Choice::TheOnlyOne, Settings::at_rate(rate)).expect("a dongle")
}

/// Surveys, as a take makes them, after what comes after tuning was measured.
fn surveys(rate: u32, dwell_ms: u64, passes: usize) -> Came {
    let mut receiver = open(rate);
    let dwell = Duration::from_millis(dwell_ms);
    let pass = |receiver: &mut Receiver| {
        let mut source = LiveSource::new(receiver, plan(), dwell).expect("a pass");
        let begun = Instant::now();
        let survey = Survey::run(&mut source, &[], &|| false, &mut |_| {}).expect("a survey");
        assert_eq!(survey.tunings.len(), TUNINGS);
        begun.elapsed().as_secs_f64()
    };
    // The stand-in prepares its samples at the first visit.
    pass(&mut receiver);
    let retuning = measure_retuning(&mut receiver, &plan(), 12, &mut |_| true)
        .expect("figures")
        .expect("a change that is seen");
    receiver.set_discards(Some(retuning.stale_samples), retuning.settling_samples);
    (0..passes).map(|_| pass(&mut receiver)).collect()
}

fn capture() -> f64 {
    let mut receiver = open(2_400_000);
    let mut source = LiveSource::new(&mut receiver, plan()[..1].to_vec(), COSTS).expect("a pass");
    source.next_tuning().expect("a tuning");
    let mut block = vec![Sample::default(); 8192];
    let begun = (Instant::now(), processor_s());
    while source.read(&mut block).expect("samples") > 0 {}
    (processor_s() - begun.1) / begun.0.elapsed().as_secs_f64()
}

/// The driver alone, with the same transfers.
fn nothing() -> f64 {
    let transfers = Settings::at_rate(2_400_000).transfers;
    let (mut controller, mut reader) = rtlsdr_mt::open(0).expect("a dongle");
    controller.set_sample_rate(2_400_000).expect("a rate");
    controller.disable_agc().expect("gain by hand");
    controller.set_tuner_gain(254).expect("a gain");
    controller
        .set_center_freq(471_000_000)
        .expect("a frequency");
    let bytes = Arc::new(AtomicU64::new(0));
    let counted = bytes.clone();
    let reading = std::thread::spawn(move || {
        reader.read_async(transfers.count, transfers.bytes, |transfer| {
            counted.fetch_add(transfer.len() as u64, Ordering::Relaxed);
        })
    });
    std::thread::sleep(Duration::from_millis(500));
    let begun = (Instant::now(), processor_s(), bytes.load(Ordering::Relaxed));
    std::thread::sleep(COSTS);
    let share = (processor_s() - begun.1) / begun.0.elapsed().as_secs_f64();
    let rate =
        (bytes.load(Ordering::Relaxed) - begun.2) as f64 / 2.0 / begun.0.elapsed().as_secs_f64();
    assert!((rate / 2.4e6 - 1.0).abs() < 0.05, "{rate} samples a second");
    controller.cancel_async_read();
    reading.join().expect("a thread").expect("read to the end");
    share
}

/// Processor time of this process in seconds: user's and system's, proc(5), in ticks of 10 ms.
fn processor_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").expect("Linux");
    let fields: Vec<&str> = stat
        .rsplit(") ")
        .next()
        .unwrap_or("")
        .split_whitespace()
        .collect();
    let ticks: u64 = [11, 12]
        .iter()
        .filter_map(|&field| fields.get(field)?.parse::<u64>().ok())
        .sum();
    ticks as f64 / 100.0
}
