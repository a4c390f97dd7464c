//! What `live::check` measures of a stand-in whose true figures are known, and the gain plan.

use gainsay::capture::dongle::{Choice, DongleFigures, Receiver, Settings};
use gainsay::channels::Plan;
use gainsay::live::check::{CheckSettings, check};
use gainsay::live::{Outcome, plan_gains};
use gainsay::units::Hertz;
use serde::{Deserialize, Serialize};

use super::child::{child, orders, say};
use super::stand_in_support::StandIn;

#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Check {
    pub channels: String,
    pub rates: Vec<u32>,
}

/// Has a child check the dongle.
pub fn figures(check: &Check, stand_in: &StandIn) -> DongleFigures {
    child("checking::checks_a_dongle", check, stand_in)
}

#[test]
#[ignore = "started as a child by the tests of this folder"]
fn checks_a_dongle() {
    let Some(orders) = orders::<Check>() else {
        return;
    };
    let plan = Plan::find("us").expect("a plan");
    let with = CheckSettings {
        settings: Settings::at_rate(2_400_000),
        channels: plan.choose(&orders.channels).expect("channels"),
        rates: orders.rates,
    };
    let figures = check(&Choice::TheOnlyOne, &with, &mut |_| true);
    say(&figures.expect("figures"));
}

#[test]
fn a_check_finds_what_is_true_of_the_dongle() {
    let stand_in = StandIn::new(
        "[[device]]
        serial = 'X'
        antenna = 'tape loop'
        frequency_error_ppm = 41.0
        queued_transfers = 3
        retune_ms = 8
        lock_ms = 6
        gain_errors_db = { 297 = 0.7, 328 = -0.5 }",
    );
    let orders = Check {
        channels: "14-25".into(),
        rates: vec![1_024_000, 500_000],
    };
    let figures = figures(&orders, &stand_in);
    assert_eq!(
        (figures.serial.as_str(), figures.tuner.as_str()),
        ("X", "R820T")
    );

    // Three transfers and the one being filled, of 512 samples; 6 ms at 2.4 million a second.
    let retuning = figures.retuning.expect("a change that is seen");
    let within = |found: u64, low: u64, high: u64| (low..=high).contains(&found);
    let resolution = retuning.resolution_samples;
    assert!(
        within(retuning.stale_samples, 3 * 512, 4 * 512 + 256 + resolution),
        "{retuning:?}"
    );
    let settling = retuning.settling_samples.expect("settling");
    assert!(
        within(settling, 14_400 - resolution, 14_400 + resolution),
        "{retuning:?}"
    );
    assert!((0.008..0.02).contains(&retuning.call_s), "{retuning:?}");

    let frequency = figures.frequency.expect("pilots");
    assert!(
        frequency.low_ppm <= 41.0
            && 41.0 <= frequency.high_ppm
            && frequency.high_ppm - frequency.low_ppm < 0.5,
        "{frequency:?}"
    );

    assert_eq!(figures.gain_steps.len(), 28);
    let true_db = |named: f64| match named {
        29.7 => named + 0.7,
        32.8 => named - 0.5,
        _ => named,
    };
    let mut measured = 0;
    for step in &figures.gain_steps {
        let (Some(step_db), Some(error_db)) = (step.step_db, step.standard_error_db) else {
            // Only where the signal is too weak for the converter.
            assert!(step.to_db < 20.0, "{step:?}");
            continue;
        };
        let truth = true_db(step.to_db) - true_db(step.from_db);
        // Fading of 0.3 dB within 40 s is next to nothing within a block of 0.1 s.
        assert!(
            (step_db - truth).abs() < 5.0 * error_db + 0.05,
            "{step:?}, truly {truth}"
        );
        measured += 1;
    }
    assert!(measured >= 15, "{measured}");

    let [slow, refused] = figures.lost[..] else {
        panic!("{:?}", figures.lost)
    };
    assert_eq!(refused.share, None);
    // What the stand-in lost, for whatever reason, since it was opened at this rate.
    let log = stand_in.log();
    let at_rate = log.rsplit(" rate 1024000").next().expect("a rate");
    let lost: f64 = at_rate
        .lines()
        .filter_map(|line| line.split_once(" lost ")?.1.parse::<f64>().ok())
        .sum();
    let truth = lost / 1_024_000.0 / slow.watched_s;
    let share = slow.share.expect("a share");
    // Some of it may have been lost before or after the counting.
    assert!(
        share <= truth + slow.resolution
            && (truth > 0.01 || truth - share <= 2.0 * slow.resolution + 0.1 * truth),
        "{share} for {truth}: {slow:?}"
    );
}

#[derive(Debug, Clone, Serialize, Deserialize)]
struct PlannedGain {
    mhz: f64,
    gain_db: f64,
    looks: usize,
    fits: bool,
}

#[test]
#[ignore = "started as a child by the tests of this folder"]
fn plans_gains() {
    let Some(mhz) = orders::<Vec<f64>>() else {
        return;
    };
    let centres: Vec<Hertz> = mhz.into_iter().map(Hertz::from_mhz).collect();
    let mut receiver =
        Receiver::open(&Choice::TheOnlyOne, Settings::at_rate(2_400_000)).expect("a dongle");
    let planned = plan_gains(&mut receiver, &centres, &mut |_| true).expect("a plan");
    let planned: Vec<PlannedGain> = planned
        .iter()
        .map(|planned| PlannedGain {
            mhz: planned.setting.centre.mhz(),
            gain_db: planned.setting.gain.0,
            looks: planned.looks,
            fits: planned.outcome == Outcome::Fits,
        })
        .collect();
    say(&planned);
}

#[test]
fn the_gain_plan_takes_each_tuning_as_high_as_its_signals_let_it() {
    let mhz = [515.0, 573.0, 579.0, 603.0];
    let plan = |sensitivity_db: i32| -> Vec<PlannedGain> {
        let stand_in = StandIn::new(&format!(
            "pace = 'fast'\n[[device]]\nantenna = 'tape loop'\nsensitivity_db = {sensitivity_db}"
        ));
        child("checking::plans_gains", &mhz, &stand_in)
    };
    let (usual, hotter) = (plan(0), plan(10));
    let looks: usize = usual.iter().map(|planned| planned.looks).sum();
    assert!(looks <= 5 * mhz.len(), "{usual:?}");
    for (usual, hotter) in usual.iter().zip(&hotter) {
        assert!(usual.fits && hotter.fits);
        // 10 dB more everywhere is 10 dB less gain, to within a step (3.5 dB at most up there) at both ends.
        let less_db = usual.gain_db - hotter.gain_db;
        assert!((less_db - 10.0).abs() <= 3.8, "{usual:?} {hotter:?}");
    }
    // The strongest channel of the scene against a vacant one.
    let gain_db = |mhz: f64| {
        usual
            .iter()
            .find(|planned| planned.mhz == mhz)
            .map(|planned| planned.gain_db)
    };
    assert!(gain_db(573.0) < gain_db(603.0), "{usual:?}");
    let overdriven = plan(60);
    assert!(
        overdriven
            .iter()
            .all(|planned| !planned.fits && planned.gain_db == 0.0)
    );
}
