//! The figures of rotations against patterns in closed form, and the manners of `survey::turn::pattern`.

mod takes;
mod turns;

use gainsay::channels::ChannelId;
use gainsay::reading::{Bearing, Health, Take};
use gainsay::survey::turn::{
    self, Options, Pattern, Rotation, TurnError, leave_out_turned, pattern, rotations, turn_between,
};
use jiff::{SignedDuration, Timestamp};
use takes::NOISE;
use turns::{
    Made, Power, at, cardioid, half_wave_dipole, omni, rotation, short_dipole, three_lobes,
};

/// Errors so small that only the method's own show.
fn exact() -> Options {
    Options {
        unsteadiness_db: 0.001,
        ..Options::default()
    }
}

fn drawn_up(power: Power, bearings: usize) -> Rotation {
    pattern(
        &rotation(&[power], Made::clean(bearings, 40.0), 1),
        &exact(),
    )
    .expect("a pattern")
}

fn near(found: Option<f64>, expected: f64, tolerance: f64) {
    let found = found.expect("a value");
    assert!(
        (found - expected).abs() <= tolerance,
        "{found} is not {expected} within {tolerance}"
    );
}

fn figures(rotation: &Rotation) -> &gainsay::survey::turn::Figures {
    rotation.channels[0].figures.as_ref().expect("figures")
}

/// Half-wave dipole 78.08°, short dipole 90°: Balanis, *Antenna Theory* (handbook §7, R). Cardioid: ((1 + cos θ)/2)² = ½ at
/// cos θ = √2 − 1, so 2·65.530° = 131.06° (R).
#[test]
fn beamwidths_of_the_textbook_come_out() {
    for bearings in [24, 36, 72] {
        for (power, expected) in [
            (half_wave_dipole as Power, 78.08),
            (short_dipole, 90.0),
            (cardioid, 131.06),
        ] {
            let rotation = drawn_up(power, bearings);
            // The tables' last digit is 0.01°; what the fit smooths away of it is less than another 0.1°.
            near(
                figures(&rotation).half_power_beamwidth_deg.value,
                expected,
                0.1,
            );
        }
    }
}

/// A cardioid has nothing behind it, so its ratio is a bound; both dipoles are as strong behind as in front.
#[test]
fn front_to_back_is_a_bound_where_nothing_is_behind_and_nought_for_a_dipole() {
    let rotation = drawn_up(cardioid, 24);
    let back = &figures(&rotation).front_to_back_db;
    assert_eq!(back.value, None);
    assert!(back.low.is_some_and(|low| low > 25.0), "{back:?}");
    assert_eq!(back.high, None);
    for power in [half_wave_dipole as Power, short_dipole] {
        let rotation = drawn_up(power, 24);
        near(figures(&rotation).front_to_back_db.value, 0.0, 0.02);
        let best = &figures(&rotation).best_bearing_deg;
        assert_eq!(best.rivals.len(), 1, "{best:?}");
        assert!(
            best.remark
                .as_ref()
                .is_some_and(|r| r.contains("may be as good"))
        );
        let from_axis = turn_between(40.0, best.value.unwrap()).abs();
        assert!(!(0.5..=179.5).contains(&from_axis), "{best:?}");
    }
}

#[test]
fn an_omni_is_round_and_never_falls_3_db_and_has_no_best_bearing() {
    let rotation = drawn_up(omni, 12);
    let figures = figures(&rotation);
    near(figures.roundness_db.value, 0.0, 0.01);
    assert_eq!(figures.roundness_db.low, Some(0.0));
    assert_eq!(figures.half_power_beamwidth_deg.value, None);
    assert_eq!(
        figures.half_power_beamwidth_deg.remark.as_deref(),
        Some("never falls 3 dB")
    );
    assert_eq!(figures.best_bearing_deg.value, None);
    assert!(
        rotation
            .meaning
            .iter()
            .any(|m| m.contains("nearly all-round"))
    );
}

/// With twelve bearings lobes of the third harmonic must not pass for scatter.
#[test]
fn three_lobes_of_thirteen_decibels_are_not_called_round() {
    let made = Made {
        noise_db: 0.3,
        ..Made::clean(12, 40.0)
    };
    let rotation = pattern(&rotation(&[three_lobes], made, 2), &Options::default()).unwrap();
    let figures = figures(&rotation);
    assert!(figures.round_p < 0.025, "{}", figures.round_p);
    assert!(figures.best_bearing_deg.value.is_some());
}

#[test]
fn a_pattern_across_north_is_the_same_pattern() {
    for axis_deg in [358.5, 0.0, 1.5, 181.0] {
        let made = Made {
            noise_db: 0.2,
            ..Made::clean(24, axis_deg)
        };
        let rotation = pattern(&rotation(&[cardioid], made, 5), &Options::default()).unwrap();
        let best = &figures(&rotation).best_bearing_deg;
        let (value, low, high) = (best.value.unwrap(), best.low.unwrap(), best.high.unwrap());
        for bearing in [value, low, high] {
            assert!((0.0..360.0).contains(&bearing));
            assert!(turn_between(axis_deg, bearing).abs() < 15.0, "{best:?}");
        }
        assert!(turn_between(low, value) >= 0.0 && turn_between(value, high) >= 0.0);
    }
}

#[test]
fn vacant_bearings_have_a_bound_and_the_curve_goes_on_through_them() {
    let made = Made {
        noise_db: 0.3,
        cn_db: 6.0,
        ..Made::clean(24, 0.0)
    };
    let rotation = pattern(&rotation(&[cardioid], made, 3), &Options::default()).unwrap();
    let channel = &rotation.channels[0];
    let behind = channel
        .points
        .iter()
        .find(|p| p.bearing_deg == 180.0)
        .unwrap();
    assert_eq!((behind.level_db, behind.low_db), (None, None));
    assert!(behind.high_db.unwrap() < -15.0);
    assert_eq!(figures(&rotation).front_to_back_db.value, None);
    assert!(figures(&rotation).front_to_back_db.low.unwrap() > 12.0);
}

#[test]
fn a_drift_is_seen_at_the_repeated_bearing_and_taken_out() {
    let made = Made {
        drift_db: 1.5,
        closes: true,
        ..Made::clean(12, 100.0)
    };
    let rotation = pattern(&rotation(&[cardioid], made, 1), &Options::default()).unwrap();
    let closure = rotation.channels[0].closure.unwrap();
    assert_eq!(closure.bearing_deg, 0.0);
    near(Some(closure.minutes_apart), 6.0, 1e-9);
    near(closure.difference_db, 1.5 * 12.0 / 13.0, 0.01);
    near(closure.drift_db, 1.5, 0.4);
    assert!(closure.drift_uncertainty_db.unwrap() < 0.6);
    near(figures(&rotation).best_bearing_deg.value, 100.0, 1.5);
    assert!(
        !rotation
            .remarks
            .iter()
            .any(|r| r.contains("measured twice"))
    );
}

#[test]
fn points_scattered_more_than_foreseen_make_intervals_wider() {
    let width = |noise_db: f64| {
        let made = Made {
            noise_db,
            ..Made::clean(24, 0.0)
        };
        let rotation = pattern(&rotation(&[cardioid], made, 9), &Options::default()).unwrap();
        let figure = figures(&rotation).half_power_beamwidth_deg.clone();
        let fit = rotation.channels[0].fit.clone().unwrap();
        (
            figure.high.unwrap() - figure.low.unwrap(),
            fit.inflation,
            fit.residual_rms_db.unwrap(),
        )
    };
    let (calm, restless) = (width(0.2), width(1.0));
    assert!(restless.0 > 2.5 * calm.0, "{calm:?} {restless:?}");
    assert!(calm.1 < 1.3 && restless.1 > 2.5, "{calm:?} {restless:?}");
    near(Some(restless.2), 1.0, 0.4);
}

#[test]
fn a_point_holds_its_truth_and_its_interval_is_what_was_foreseen() {
    let rotation = pattern(
        &rotation(&[three_lobes], Made::clean(36, 0.0), 1),
        &Options::default(),
    )
    .unwrap();
    for point in &rotation.channels[0].points {
        let level = three_lobes(point.bearing_deg.to_radians()) / three_lobes(0.06);
        near(point.level_db, 10.0 * level.log10(), 0.05);
        let half = (point.high_db.unwrap() - point.low_db.unwrap()) / 2.0;
        // 0.25 dB and Student's t for 36 degrees of freedom: 0.51 dB; more in relative terms where the level is low.
        assert!((0.48..0.75).contains(&half), "{point:?}");
    }
}

/// With one channel at 30° and one at 90°, ten dB apart, the weaker one decides.
#[test]
fn aiming_goes_by_the_weakest_wanted_channel() {
    let turned = |angle: f64| cardioid(angle - 60f64.to_radians());
    let strong: Power = cardioid;
    let mut takes = rotation(&[strong, turned], Made::clean(24, 30.0), 1);
    for take in &mut takes {
        let weak = &mut take.readings[1];
        let signal = weak.signal.as_mut().unwrap();
        signal.value /= 1000.0;
        signal.standard_error /= 1000.0;
    }
    let of = |numbers: &[u16]| Options {
        wanted: Some(numbers.iter().map(|&n| ChannelId::Number(n)).collect()),
        ..Options::default()
    };
    // Not asked for, a channel that is out of reach everywhere doesn't decide.
    let within_reach = pattern(&takes, &Options::default()).unwrap().aim.unwrap();
    assert_eq!(within_reach.weakest, ChannelId::Number(20));
    assert_eq!(within_reach.left_out, [ChannelId::Number(21)]);
    let all = pattern(&takes, &of(&[20, 21])).unwrap();
    let aim = all.aim.as_ref().unwrap();
    assert_eq!(aim.weakest, ChannelId::Number(21));
    near(aim.bearing_deg.value, 90.0, 2.0);
    // C/N 40 dB less 30 dB, over a threshold of 15.2 dB.
    near(aim.margin_db.value, -5.2, 0.3);
    assert!(all.meaning[0].contains("channel 21"), "{:?}", all.meaning);
    assert!(
        all.meaning[0].contains("below its threshold"),
        "{:?}",
        all.meaning
    );

    let options = Options {
        wanted: Some(vec![ChannelId::Number(20), ChannelId::Number(40)]),
        ..Options::default()
    };
    let wanted = pattern(&takes, &options).unwrap();
    let aim = wanted.aim.as_ref().unwrap();
    near(aim.bearing_deg.value, 30.0, 2.0);
    assert_eq!(aim.left_out, [ChannelId::Number(40)]);
    assert_eq!(
        wanted.band.as_ref().unwrap().channels,
        [ChannelId::Number(20)]
    );
}

/// The mean of two cardioids 180° apart is 1 − ½·sin²: round to 3 dB.
#[test]
fn the_band_is_the_mean_of_the_channels_each_over_its_own_mean() {
    let backwards: Power = |angle| 0.01 * cardioid(angle + std::f64::consts::PI);
    let takes = rotation(&[cardioid, backwards], Made::clean(24, 0.0), 1);
    let rotation = pattern(&takes, &exact()).unwrap();
    let band = rotation.band.unwrap();
    near(band.figures.roundness_db.value, 10.0 * 2f64.log10(), 0.05);
    near(
        band.points
            .iter()
            .find(|p| p.bearing_deg == 90.0)
            .unwrap()
            .level_db,
        -3.01,
        0.05,
    );
    near(Some(band.fit.mean_db), 0.0, 1e-9);
}

fn refused(takes: &[Take], says: &[&str]) {
    let error = pattern(takes, &Options::default())
        .expect_err("a refusal")
        .to_string();
    for word in says {
        assert!(error.contains(word), "{error:?} lacks {word:?}");
    }
}

#[test]
fn what_makes_no_rotation_is_refused_with_what_to_do() {
    let whole = rotation(&[cardioid], Made::clean(12, 0.0), 1);
    let with = |change: &dyn Fn(&mut Take)| {
        let mut takes = whole.clone();
        takes[5].id = Some(6);
        change(&mut takes[5]);
        takes
    };
    refused(&[], &["no take", "gainsay turn"]);
    refused(&whole[..3], &["3 bearing(s)", "at least 4"]);
    let near: Vec<Take> = (0..6)
        .map(|n| at(10.0 * n as f64, n, whole[0].readings.clone()))
        .collect();
    refused(&near, &["50°", "all round"]);
    refused(
        &with(&|t| t.antenna = "ears".into()),
        &["antenna", "take 6", "ears", "loop"],
    );
    refused(
        &with(&|t| t.spot = "roof".into()),
        &["spot", "roof", "north window"],
    );
    refused(
        &with(&|t| t.bearing.as_mut().unwrap().from = "the window".into()),
        &["0°", "\"north\"", "\"the window\""],
    );
    refused(
        &with(&|t| t.settings.plan = "uk".into()),
        &["plan", "uk", "us"],
    );
    let mut gains = with(&|t| t.settings.gains_db = vec![(5e8, 20.0)]);
    gains[0].settings.gains_db = vec![(5e8, 30.0)];
    refused(&gains, &["gain", "30.0 dB", "20.0 dB"]);
    let askew = with(&|t| {
        t.bearing = Some(Bearing {
            degrees: f64::NAN,
            from: "north".into(),
        });
    });
    refused(&askew, &["take 6", "NaN", "360"]);
    let options = Options {
        confidence: 1.0,
        ..Options::default()
    };
    assert!(matches!(
        pattern(&whole, &options),
        Err(TurnError::Option { .. })
    ));
}

#[test]
fn bearings_may_be_uneven_and_a_wide_gap_is_said_to_be_guessed() {
    let whole = rotation(&[cardioid], Made::clean(36, 100.0), 1);
    let uneven: Vec<Take> = [0, 1, 4, 9, 10, 12, 15, 19, 20, 22]
        .map(|n: usize| whole[n].clone())
        .to_vec();
    let rotation = pattern(&uneven, &Options::default()).unwrap();
    near(Some(rotation.widest_gap_deg), 140.0, 1e-9);
    assert!(
        rotation
            .remarks
            .iter()
            .any(|r| r.contains("140°") && r.contains("guess"))
    );
    near(figures(&rotation).best_bearing_deg.value, 100.0, 5.0);
    let band = |bearing: f64| {
        let point = rotation.channels[0]
            .fit
            .as_ref()
            .unwrap()
            .curve
            .iter()
            .find(|p| p.bearing_deg == bearing)
            .unwrap();
        let ratio = |db: f64| 10f64.powf(db / 10.0);
        ratio(point.high_db) - point.low_db.map_or(0.0, ratio)
    };
    assert!(band(290.0) > 2.0 * band(150.0));
}

#[test]
fn channels_without_a_pattern_say_why() {
    let mut takes = rotation(&[cardioid, cardioid, cardioid], Made::clean(12, 0.0), 1);
    for (n, take) in takes.iter_mut().enumerate() {
        let vacant = takes::reading(21, NOISE, NOISE, 0.0);
        take.readings[1] = vacant;
        if n > 2 {
            take.readings[2].signal = None;
            take.readings[2].health = vec![Health::Clipped {
                tuning_mhz: 515.0,
                fraction: 0.1,
            }];
        }
    }
    let rotation = pattern(&takes, &Options::default()).unwrap();
    let reasons: Vec<Option<&str>> = rotation
        .channels
        .iter()
        .map(|p: &Pattern| p.reason.as_deref())
        .collect();
    assert_eq!(reasons[0], None);
    assert_eq!(reasons[1], Some("nothing found at any bearing"));
    assert!(reasons[2].is_some_and(|r| r.contains("3 bearing")));
    assert!(
        rotation
            .remarks
            .iter()
            .any(|r| r.contains("channel 22 clipped at 90°"))
    );
    assert!(rotation.channels[1].points.is_empty() && rotation.channels[1].figures.is_none());
}

#[test]
fn the_same_takes_give_the_same_result_in_any_order() {
    let made = Made {
        noise_db: 0.5,
        ..Made::clean(12, 77.0)
    };
    let takes = rotation(&[cardioid, omni], made, 4);
    let backwards: Vec<Take> = takes.iter().rev().cloned().collect();
    let [one, two] = [&takes, &backwards]
        .map(|takes| serde_json::to_string(&pattern(takes, &Options::default()).unwrap()).unwrap());
    assert_eq!(one, two);
    assert!(!one.contains("NaN"));
}

#[test]
fn rotations_soon_after_each_other_are_parted_by_their_marks() {
    let mut takes = rotation(&[cardioid], Made::clean(12, 0.0), 1);
    let begins: [Timestamp; 2] = ["2026-05-09T10:00:00.5Z", "2026-05-09T10:05:00Z"]
        .map(|time| time.parse().expect("a time"));
    for (n, take) in takes.iter_mut().enumerate() {
        take.note = format!("{}; windy", turn::mark(begins[usize::from(n >= 5)]));
    }
    // Another note takes the mark away: such a take goes with those before it.
    takes[2].note = "the cat sat on it".to_owned();
    takes[8].note = String::new();
    assert_eq!(
        turn::mark_of(&takes[0]),
        Some("rotation of 2026-05-09T10:00:00.500Z")
    );
    assert_eq!(turn::mark_of(&takes[2]), None);
    let parted = rotations(takes, SignedDuration::from_hours(2));
    assert_eq!(parted.iter().map(Vec::len).collect::<Vec<_>>(), [5, 7]);
}

#[test]
fn rotations_are_parted_by_pauses_and_left_out_of_comparisons() {
    let mut takes = rotation(&[cardioid], Made::clean(12, 0.0), 1);
    for take in &mut takes[8..] {
        take.taken_at += SignedDuration::from_hours(5);
    }
    takes.push(takes::take("loop", 3.0, Vec::new()));
    let parted = rotations(takes.clone(), SignedDuration::from_hours(2));
    assert_eq!(parted.iter().map(Vec::len).collect::<Vec<_>>(), [8, 4]);
    assert_eq!(leave_out_turned(&mut takes), 12);
    assert_eq!(takes.len(), 1);
}
