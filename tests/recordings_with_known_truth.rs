//! The whole measuring chain against recordings whose truth is known.
//!
//! Source: `fixtures/recordings-README.md`: 8-VSB from GNU Radio's gr-dtv modulator and OFDM by the figures of EN 300 744,
//! not of this project's making, with what went in written down in `fixtures/truth.json`.

use std::path::{Path, PathBuf};

use gainsay::capture::recording::Recording;
use gainsay::channels::{Channel, Plan, Thresholds};
use gainsay::reading::evaluate::evaluate;
use gainsay::reading::survey::Survey;
use gainsay::reading::{NoiseSource, Reading, State};
use serde_json::Value;

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures")
        .join(format!("{name}.sigmf-meta"))
}

fn survey(name: &str, channels: &[Channel]) -> Survey {
    let mut recording = Recording::open(&fixture(name)).expect("a fixture");
    Survey::run(&mut recording, channels, &|| false, &mut |_| {}).expect("a survey")
}

fn readings(name: &str, terminated: Option<&str>, plan: &str) -> Vec<Reading> {
    let plan = Plan::find(plan).expect("an embedded plan");
    let terminated = terminated.map(|name| survey(name, &[]));
    evaluate(
        &survey(name, &plan.channels),
        terminated.as_ref(),
        &plan.channels,
        &Thresholds::default(),
        None,
    )
    .readings
}

fn truth(set: &str, take: &str) -> Vec<(String, f64, f64)> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/truth.json");
    let truth: Value =
        serde_json::from_str(&std::fs::read_to_string(path).expect("truth.json")).expect("JSON");
    let take = &truth["sets"][set]["takes"][take];
    let levels = take["channel_power_dbfs"].as_object().expect("levels");
    levels
        .iter()
        .map(|(channel, level)| {
            (
                channel.clone(),
                level.as_f64().expect("a level"),
                take["cn_db"][channel].as_f64().expect("a C/N"),
            )
        })
        .collect()
}

fn named<'r>(readings: &'r [Reading], channel: &str) -> &'r Reading {
    readings
        .iter()
        .find(|reading| reading.channel.to_string() == channel)
        .expect("the channel is covered")
}

#[test]
fn signal_powers_agree_with_the_truth() {
    for (set, take, terminated, plan) in [
        ("vsb", "vsb-a", Some("vsb-terminated"), "us"),
        ("vsb", "vsb-b", Some("vsb-terminated"), "us"),
        ("vsb", "vsb-a", None, "us"),
        ("vsb", "vsb-b", None, "us"),
        ("ofdm", "ofdm-a", None, "europe"),
        ("ofdm", "ofdm-b", None, "europe"),
    ] {
        let readings = readings(take, terminated, plan);
        for (channel, level_dbfs, cn_db) in truth(set, take) {
            let reading = named(&readings, &channel);
            let error = reading.signal_dbfs().expect("a signal") - level_dbfs;
            println!(
                "{take} {channel} {error:+.3} cn {:.2} ({cn_db}) se {:?} {:?}",
                reading.cn_db().unwrap(),
                reading.signal.unwrap().standard_error_db(),
                reading.noise_source
            );
            // As asked: 0.15 dB above a C/N of 10 dB, 0.5 dB at 1.5 dB.
            let allowed_db = if cn_db > 10.0 { 0.15 } else { 0.5 };
            assert!(
                error.abs() < allowed_db,
                "{take}, channel {channel}: {error:+.3} dB off"
            );
        }
    }
}

#[test]
fn vacant_channels_are_vacant_and_the_others_are_not() {
    for (take, terminated, plan, vacant) in [
        ("vsb-a", Some("vsb-terminated"), "us", "22"),
        ("vsb-b", Some("vsb-terminated"), "us", "22"),
        ("vsb-a", None, "us", "22"),
        ("vsb-b", None, "us", "22"),
        ("ofdm-a", None, "europe", "28"),
        ("ofdm-b", None, "europe", "28"),
    ] {
        for reading in readings(take, terminated, plan) {
            let is_vacant = reading.channel.to_string() == vacant;
            assert_eq!(
                reading.state == Some(State::Vacant),
                is_vacant,
                "{take}, channel {}: {reading:?}",
                reading.channel
            );
            assert_eq!(
                reading.signal_dbfs().is_none(),
                is_vacant,
                "{take}, channel {}",
                reading.channel
            );
            assert_eq!(
                reading.signal_upper_dbfs().is_some(),
                is_vacant,
                "{take}, channel {}",
                reading.channel
            );
            let source = if terminated.is_some() {
                NoiseSource::Terminated
            } else {
                NoiseSource::VacantChannels
            };
            assert_eq!(
                reading.noise_source,
                Some(source),
                "{take}, channel {}",
                reading.channel
            );
        }
    }
}
