//! Scene files: what is wrong with one is said in a line, and the demo's scene is what the demo needs.

mod iq;

use gainsay::capture::simulated::{Scene, Setup, SimulatedSource};
use gainsay::units::{Decibels, Hertz, ratio_to_db};
use iq::setup;

#[test]
fn names_that_the_scene_does_not_have_are_answered_with_the_nearest() {
    let scene = Scene::demo().unwrap();
    let refused = |setup: Setup| {
        SimulatedSource::new(&scene, setup)
            .err()
            .unwrap()
            .to_string()
    };
    let base = Setup {
        spot: "north window".to_owned(),
        ..setup(&[507.0], 0.02)
    };
    assert_eq!(
        refused(Setup {
            antenna: Some("tap loop".to_owned()),
            ..base.clone()
        }),
        "demo-data/scene.toml: antenna: there is no \"tap loop\"; did you mean \"tape loop\"?"
    );
    assert_eq!(
        refused(Setup {
            spot: "book shelf".to_owned(),
            ..base.clone()
        }),
        "demo-data/scene.toml: spot: there is no \"book shelf\"; did you mean \"bookshelf\"?"
    );
    assert_eq!(
        refused(Setup {
            antenna: Some("xyz".to_owned()),
            ..base.clone()
        }),
        "demo-data/scene.toml: antenna: there is no \"xyz\"; the scene has \"tape loop\", \"rabbit ears\", \"bow-tie\""
    );
    let base = Setup {
        antenna: None,
        ..base
    };
    for bad in [
        Setup {
            dwell_s: f64::NAN,
            ..base.clone()
        },
        Setup {
            dwell_s: 0.0,
            ..base.clone()
        },
        Setup {
            dwell_s: -1.0,
            ..base.clone()
        },
        Setup {
            dwell_s: 1e9,
            ..base.clone()
        },
        Setup {
            tunings: vec![Hertz(f64::NAN)],
            ..base.clone()
        },
        Setup {
            tunings: vec![Hertz(0.0)],
            ..base.clone()
        },
        Setup {
            turned: gainsay::units::Degrees(f64::INFINITY),
            ..base.clone()
        },
        Setup {
            gains: Some(vec![]),
            ..base.clone()
        },
        Setup {
            gains: Some(vec![Decibels(f64::NAN)]),
            ..base.clone()
        },
        Setup {
            scene_epoch: jiff::Timestamp::MIN,
            ..base.clone()
        },
    ] {
        let message = refused(bad.clone());
        assert!(
            message.starts_with("demo-data/scene.toml: ") && !message.contains('\n'),
            "{bad:?}: {message}"
        );
    }
}

#[test]
fn a_broken_scene_is_refused_in_one_line_that_names_field_and_value() {
    let text =
        std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/demo-data/scene.toml"))
            .unwrap();
    for (from, to, expected) in [
        (
            "power_dbfs = -14.0",
            "power_dbfs = 1e9",
            "transmitter \"Ossenby Hill One\": power_dbfs: is 1000000000",
        ),
        (
            "power_dbfs = -14.0",
            "power_dbfs = nan",
            "power_dbfs: is NaN",
        ),
        (
            "power_dbfs = -14.0",
            "power = -14.0",
            "unknown field `power`",
        ),
        (
            "power_dbfs = -14.0",
            "power_dbfs = \"loud\"",
            "(power_dbfs = \"loud\"): invalid type",
        ),
        ("power_dbfs = -14.0\n", "", "missing field `power_dbfs`"),
        (
            "standard = \"8vsb\"",
            "standard = \"9vsb\"",
            "unknown variant `9vsb`",
        ),
        (
            "standard = \"8vsb\"",
            "standard = \"ofdm-8k\"",
            "guard: is missing",
        ),
        (
            "width_mhz = 6",
            "width_mhz = 8",
            "width_mhz: 8 can't be: 8-VSB is 6 MHz wide",
        ),
        (
            "width_mhz = 6",
            "guard = \"1/8\"\nwidth_mhz = 6",
            "guard: 8-VSB has no guard interval",
        ),
        ("channel = 16", "channel = 14", "channel 14 has other edges"),
        (
            "sample_rate_hz = 2_400_000",
            "sample_rate_hz = 0",
            "dongle: sample_rate_hz: is 0",
        ),
        (
            "flat_mhz = 0.8",
            "flat_mhz = 1.3",
            "dongle: flat_mhz: is 1.3",
        ),
        ("invented = true", "invented = false", "invented: is false"),
        (
            "[485, -2.2]",
            "[465, -2.2]",
            "antenna \"tape loop\": gain: points must ascend, but 470 comes before 465",
        ),
        (
            "name = \"bookshelf\"",
            "name = \"north window\"",
            "spot: \"north window\" is there twice",
        ),
        ("[[14, 0.5]", "[[15, 0.5]", "channel 15 has no transmitter"),
        (
            "correlation_s = 40",
            "correlation_s = 0",
            "fading: correlation_s: is 0",
        ),
        ("title =", "title", "line 4"),
    ] {
        let broken = text.replacen(from, to, 1);
        assert_ne!(broken, text, "{from} is no longer there");
        let message = Scene::parse("my.toml", &broken).unwrap_err().to_string();
        assert!(message.starts_with("my.toml: "), "{message}");
        assert!(
            message.contains(expected) && !message.contains('\n'),
            "{expected}: {message}"
        );
    }
    let missing = Scene::read(std::path::Path::new("no/such/scene.toml"))
        .unwrap_err()
        .to_string();
    assert!(
        missing.starts_with("no/such/scene.toml: can't be read"),
        "{missing}"
    );
}

#[test]
fn the_demos_scene_offers_every_state_and_every_verdict_without_clipping() {
    let scene = Scene::demo().unwrap();
    let used = scene.channels().len();
    assert!(
        (10..=12).contains(&used) && 23 - used >= 8,
        "{used} of the channels 14 to 36"
    );
    for (channel, low, high) in scene.channels() {
        // US plan: L = 470 + 6(n − 14) (47 CFR 73.603, handbook §1, C).
        let number: f64 = channel.to_string().parse().unwrap();
        assert_eq!(
            (low.mhz(), high.mhz()),
            (470.0 + 6.0 * (number - 14.0), 476.0 + 6.0 * (number - 14.0))
        );
    }
    let truth = |antenna: &str, spot: &str| {
        let setup = Setup {
            antenna: Some(antenna.to_owned()),
            spot: spot.to_owned(),
            ..setup(&[], 0.02)
        };
        SimulatedSource::new(&scene, setup).unwrap().truth()
    };
    let (loops, ears) = (
        truth("tape loop", "north window"),
        truth("rabbit ears", "north window"),
    );
    let differences: Vec<f64> = loops
        .iter()
        .zip(&ears)
        .map(|(a, b)| (a.power - b.power).0)
        .collect();
    assert!(
        differences.iter().any(|d| (1.0..6.5).contains(d)) && differences.iter().any(|d| *d < -1.0),
        "{differences:?}"
    );
    assert!(differences.iter().any(|d| d.abs() < 0.3), "{differences:?}");
    let mut states = [0; 3];
    for truth in loops.iter().chain(&ears) {
        let cn = (truth.power - truth.noise).0;
        assert!((-5.0..35.0).contains(&cn), "{truth:?}");
        // 15 dB and 3 dB more, whatever the exact threshold is: only the spread matters here.
        states[if cn < 14.0 {
            0
        } else {
            usize::from(cn > 19.0) + 1
        }] += 1;
    }
    assert!(states.iter().all(|count| *count >= 3), "{states:?}");
    // The strongest channel, all of it in three slices: under −12 dBFS in each.
    for antenna in ["tape loop", "rabbit ears", "bow-tie"] {
        for spot in ["north window", "bookshelf"] {
            for truth in truth(antenna, spot) {
                assert!(
                    truth.power.0 - ratio_to_db(3.0) < -12.0,
                    "{antenna}, {spot}: {truth:?}"
                );
            }
        }
    }
}
