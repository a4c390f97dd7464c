//! The noise floor estimated from a take's own vacant stretches, against the terminated take of the same scene.

use gainsay::capture::simulated::{Scene, Setup, SimulatedSource};
use gainsay::capture::tuning::tile;
use gainsay::channels::{Channel, Plan, Thresholds};
use gainsay::reading::evaluate::evaluate;
use gainsay::reading::survey::Survey;
use gainsay::reading::{NoiseSource, State};
use gainsay::units::Hertz;
use jiff::Timestamp;

/// A pass over some channels of the demo's scene (an invented place).
fn survey(channels: &[Channel], antenna: Option<&str>, dwell_s: f64, seed: u64) -> Survey {
    let scene = Scene::demo().expect("the demo's scene");
    let edges: Vec<(Hertz, Hertz)> = channels.iter().map(|one| (one.low, one.high)).collect();
    let setup = Setup {
        antenna: antenna.map(String::from),
        tunings: tile(&edges, Hertz(f64::from(scene.dongle.sample_rate_hz))),
        dwell_s,
        take_seed: seed,
        ..Setup::terminated("north window", Timestamp::UNIX_EPOCH)
    };
    let mut source = SimulatedSource::new(&scene, setup).expect("a source");
    Survey::run(&mut source, &[], &|| false, &mut |_| {}).expect("a survey")
}

#[test]
fn the_estimated_floor_agrees_with_the_measured_one_whatever_the_dwell() {
    let plan = Plan::find("us").expect("an embedded plan");
    // Of these a third and more is vacant in the scene.
    for choice in ["14-36", "20-22", "27-29", "30-32"] {
        let channels = plan.choose(choice).expect("channels");
        for dwell_s in [0.005, 0.02, 0.1] {
            let terminated = survey(&channels, None, dwell_s, 1);
            let own = survey(&channels, Some("tape loop"), dwell_s, 2);
            let thresholds = Thresholds::default();
            let read =
                |terminated| evaluate(&own, terminated, &channels, &thresholds, None).readings;
            for (with, without) in read(Some(&terminated)).iter().zip(read(None)) {
                let place = format!("{choice}, {dwell_s} s, channel {}", with.channel);
                assert_eq!(
                    without.noise_source,
                    Some(NoiseSource::VacantChannels),
                    "{place}"
                );
                let (measured, estimated) = (with.noise_dbfs(), without.noise_dbfs());
                let off = estimated.expect("a floor") - measured.expect("a floor");
                // As asked: within 0.5 dB.
                assert!(off.abs() < 0.5, "{place}: {off} dB off");
                assert_eq!(
                    with.state == Some(State::Vacant),
                    without.state == Some(State::Vacant),
                    "{place}"
                );
            }
        }
    }
}

#[test]
fn a_floor_that_slopes_over_the_band_is_found_and_makes_no_signal_of_vacant_channels() {
    // A receiver whose gain changes over the band, by so many dB in 100 MHz: everything it shows slopes, noise and stations.
    let plan = Plan::find("us").expect("an embedded plan");
    let channels = plan.choose("14-36").expect("channels");
    let (flat_terminated, flat_own) = (
        survey(&channels, None, 0.02, 1),
        survey(&channels, Some("tape loop"), 0.02, 2),
    );
    let sloped = |survey: &Survey, db_in_100_mhz: f64| {
        let mut survey = survey.clone();
        for tuning in &mut survey.tunings {
            let db = db_in_100_mhz * (tuning.centre_hz - 540e6) / 100e6;
            for bin in &mut tuning.density {
                *bin *= 10f64.powf(db / 10.0);
            }
        }
        survey
    };
    for db_in_100_mhz in [-2.5, -1.0, -0.5, 0.5, 1.0, 2.5] {
        let terminated = sloped(&flat_terminated, db_in_100_mhz);
        let own = sloped(&flat_own, db_in_100_mhz);
        let thresholds = Thresholds::default();
        let read = |terminated| evaluate(&own, terminated, &channels, &thresholds, None).readings;
        for (with, without) in read(Some(&terminated)).iter().zip(read(None)) {
            let place = format!("{db_in_100_mhz} dB in 100 MHz, channel {}", with.channel);
            assert_eq!(
                without.noise_source,
                Some(NoiseSource::VacantChannels),
                "{place}"
            );
            let (measured, estimated) = (with.noise_dbfs(), without.noise_dbfs());
            let off = estimated.expect("a floor") - measured.expect("a floor");
            assert!(off.abs() < 0.5, "{place}: {off} dB off");
            assert_eq!(
                with.state == Some(State::Vacant),
                without.state == Some(State::Vacant),
                "{place}"
            );
        }
    }
}

#[test]
fn a_take_without_a_vacant_stretch_says_that_its_noise_is_unknown() {
    let plan = Plan::find("us").expect("an embedded plan");
    for choice in ["20", "21", "20-21", "31"] {
        let channels = plan.choose(choice).expect("channels");
        let own = survey(&channels, Some("tape loop"), 0.02, 3);
        for reading in evaluate(&own, None, &channels, &Thresholds::default(), None).readings {
            assert_eq!(
                reading.noise_source,
                Some(NoiseSource::QuietestStretch),
                "{choice}"
            );
            assert!(
                reading.found,
                "{choice}: a strong signal is one all the same"
            );
        }
    }
}
