//! What goes wrong while samples flow: each fault ends in its message, and what was taken before it stays.

use super::child::{Pass, Passed, passes};
use super::stand_in_support::StandIn;

/// Tunings of a pass.
const PLAN: [f64; 4] = [500.0, 530.0, 560.0, 590.0];

/// Two passes over the plan with one dongle that has a fault; its noise shows at every gain.
fn with_fault(pace: &str, fault: &str) -> (Passed, StandIn) {
    let stand_in = StandIn::new(&format!(
        "pace = {pace}\n[[device]]\nserial = 'X'\nsensitivity_db = 25\n[[device.fault]]\n{fault}"
    ));
    let pass = Pass {
        passes: 2,
        ..Pass::over(&PLAN)
    };
    (passes(&pass, &stand_in), stand_in)
}

/// Tunings that were read whole.
fn whole(passed: &Passed) -> Vec<f64> {
    passed
        .tunings
        .iter()
        .filter(|came| came.error.is_none())
        .map(|came| {
            assert_eq!(came.samples, 24_000);
            came.mhz
        })
        .collect()
}

#[test]
fn a_tuning_that_is_refused_costs_only_itself() {
    // Five attempts at the second tuning.
    let (passed, _) = with_fault(
        "'fast'",
        "kind = 'tuning-refused'\nat_tuning = 2\ntimes = 5",
    );
    assert_eq!(
        whole(&passed),
        [500.0, 560.0, 590.0, 500.0, 530.0, 560.0, 590.0]
    );
    assert_eq!(
        passed.errors(),
        [
            "dongle X: refuses to tune to 530 MHz at a gain of 29.7 dB (5 attempts): leave the channel out with --channels if \
             the tuner doesn't reach it, or plug the dongle out and in again"
        ]
    );
}

#[test]
fn a_tuning_that_is_refused_four_times_is_taken_all_the_same() {
    let (passed, stand_in) = with_fault(
        "'fast'",
        "kind = 'tuning-refused'\nat_tuning = 2\ntimes = 4",
    );
    assert_eq!(passed.errors(), [""; 0]);
    assert_eq!(whole(&passed), [PLAN, PLAN].concat());
    assert_eq!(stand_in.logged("tuned").len(), 8);
}

#[test]
fn a_dongle_that_is_pulled_out_is_told_and_tunings_before_stay() {
    for pace in ["'fast'", "1"] {
        let (passed, _) = with_fault(pace, "kind = 'unplugged'\nat_transfer = 480");
        assert_eq!(
            passed.errors(),
            ["dongle X: was unplugged: plug it in again, and start again"],
            "at pace {pace}"
        );
        let whole = whole(&passed);
        let all = [PLAN, PLAN].concat();
        assert_eq!(whole, all[..whole.len()]);
        // At no particular pace the stream may have come to its end before the first tuning was set.
        assert!(pace == "'fast'" || !whole.is_empty());
    }
}

#[test]
fn a_dongle_that_falls_silent_is_told() {
    let (passed, _) = with_fault("1", "kind = 'silent'\nat_transfer = 480");
    let errors = passed.errors();
    assert_eq!(errors.len(), 1);
    assert!(
        errors[0].starts_with("dongle X: no samples came for 1.")
            && errors[0].ends_with(" s: plug it out and in again, or try another port"),
        "{errors:?}"
    );
    assert!(!whole(&passed).is_empty());
}

#[test]
fn a_dongle_that_is_silent_from_the_beginning_is_told() {
    let (passed, _) = with_fault("1", "kind = 'silent'");
    let error = passed.error.expect("an error");
    assert!(
        error.starts_with("dongle X: no samples came for 1."),
        "{error}"
    );
}

#[test]
fn a_stuck_buffer_is_told() {
    for pace in ["'fast'", "1"] {
        let (passed, _) = with_fault(pace, "kind = 'stuck'\nat_transfer = 480");
        assert_eq!(
            passed.errors(),
            ["dongle X: sends the same samples over and over: plug it out and in again"],
            "at pace {pace}"
        );
    }
}

#[test]
fn a_buffer_that_is_stuck_before_anything_came_is_told() {
    // It holds zeros, which are no silence: that lies in the middle of the scale.
    for pace in ["'fast'", "1"] {
        let (passed, _) = with_fault(pace, "kind = 'stuck'");
        assert_eq!(
            passed.errors(),
            ["dongle X: sends the same samples over and over: plug it out and in again"],
            "at pace {pace}"
        );
    }
}

#[test]
fn a_dongle_that_always_loses_samples_is_given_up_before_the_end_of_the_plan() {
    let stand_in = StandIn::new(
        "pace = 1\n[[device]]\nserial = 'X'\n[[device.fault]]\nkind = 'lost'\ntimes = 1000000000\nsamples = 600",
    );
    let passed = passes(&Pass::over(&[PLAN, PLAN].concat()), &stand_in);
    let errors = passed.errors();
    assert_eq!(errors.len(), 4, "{errors:?}");
    assert_eq!(
        errors[3],
        "dongle X: samples are lost at every tuning: try a lower --rate, a port of the computer's own in place of a hub, or \
         close what else keeps the computer busy"
    );
    assert!(whole(&passed).is_empty());
}

#[test]
fn a_dongle_that_does_not_stop_when_told_keeps_nothing_from_ending() {
    let (passed, _) = with_fault("1", "kind = 'cancel-ignored'\nfor_ms = 60000");
    assert_eq!(passed.errors(), [""; 0]);
    assert_eq!(whole(&passed), [PLAN, PLAN].concat());
}

#[test]
fn a_call_of_the_driver_that_does_not_come_back_is_told() {
    let pass = Pass {
        patience_ms: (1000, 700),
        ..Pass::over(&PLAN)
    };
    for (slow, doing) in [("rate_ms", "opening it"), ("retune_ms", "tuning it")] {
        let passed = passes(&pass, &StandIn::new(&format!("[[device]]\n{slow} = 10000")));
        let errors = passed.errors();
        assert_eq!(errors.len(), 1);
        let start = format!("dongle 00000001: the driver hangs while {doing}, for ");
        let end = " s now: plug the dongle out and in again";
        assert!(
            errors[0].starts_with(&start) && errors[0].ends_with(end),
            "{errors:?}"
        );
    }
}

#[test]
fn a_gain_that_the_tuner_does_not_have_is_told() {
    let pass = Pass {
        plan: vec![(500.0, 29.7), (530.0, 30.3)],
        ..Pass::over(&[])
    };
    let passed = passes(&pass, &StandIn::new("pace = 'fast'\n[[device]]"));
    assert_eq!(
        passed.errors(),
        [
            "dongle 00000001: has no gain of 30.3 dB, the nearest is 29.7 dB: make the gain plan with this dongle"
        ]
    );
}

/// Where samples go missing now and then, the tuning is taken again; where always, that is told.
#[test]
fn a_tuning_in_which_samples_were_lost_is_taken_again_or_told() {
    let tunings = |times: u64| {
        // From the second tuning's beginning on or thereabouts.
        let fault = format!("kind = 'lost'\nat_transfer = 150\ntimes = {times}\nsamples = 2400");
        let (passed, stand_in) = with_fault("1", &fault);
        (passed, stand_in.logged("lost").len())
    };
    // A few losses cost attempts, and no tuning.
    let (passed, lost) = tunings(3);
    assert!(lost >= 3);
    assert!(whole(&passed).len() >= 6, "{:?}", passed.errors());
    // In every transfer.
    let (passed, _) = tunings(u64::MAX >> 1);
    let errors = passed.errors();
    assert!(!errors.is_empty());
    for error in errors {
        assert!(
            error.starts_with("dongle X: samples are lost at ")
                && error.ends_with(
                    ": try a lower --rate, a port of the computer's own in place of a hub, or close what else keeps the \
                     computer busy"
                ),
            "{error}"
        );
    }
}
