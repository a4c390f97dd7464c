//! What a take says of a channel's signal beside its power: pilot, guard interval, flatness, echo, spurs, linearity.
//!
//! Truth: `fixtures/truth.json` (waveforms not of this project's making) and scenes written here. Standards: pilot and its
//! level by ATSC A/53 Part 2, deliberate offsets by ATSC A/64B, thresholds by EN 300 744 Table A.1 as in the handbook.

use std::fs;

use gainsay::capture::simulated::{Scene, Setup, SimulatedSource};
use gainsay::capture::writer::{IfThere, Labels, write_sigmf};
use gainsay::units::{Decibels, Hertz};
use serde_json::Value;

use crate::program::{Place, channel, figure, fixture, truth};

/// A scene with two antennas of 0 and 3 dB and these transmitters; noise in 6 MHz is −36.22 dBFS.
fn scene(plan: &str, dongle: &str, transmitters: &str) -> String {
    format!(
        "title = \"Test bench\"\ninvented = true\nplan = \"{plan}\"\nseed = 5\n\
         [dongle]\nnoise_dbfs_per_mhz = -44\n{dongle}\n{transmitters}\n\
         [[antenna]]\nname = \"rod\"\n[[antenna]]\nname = \"better rod\"\ngain = [[400, 3.0], [800, 3.0]]\n\
         [[spot]]\nname = \"bench\"\n"
    )
}

fn station(channel: u16, low_mhz: u16, width_mhz: u16, more: &str) -> String {
    format!(
        "[[transmitter]]\nname = \"Station {channel}\"\nchannel = {channel}\nlow_mhz = {low_mhz}\n\
         width_mhz = {width_mhz}\nbearing_deg = 0\n{more}\n"
    )
}

fn vsb(channel: u16, power_dbfs: f64, more: &str) -> String {
    let low_mhz = 470 + 6 * (channel - 14);
    station(
        channel,
        low_mhz,
        6,
        &format!("standard = \"8vsb\"\npower_dbfs = {power_dbfs}\n{more}"),
    )
}

/// A take of a scene, played; its JSON.
fn played(place: &Place, text: &str, antenna: &str, channels: &str, more: &[&str]) -> Value {
    let path = place.named("bench.toml");
    fs::write(&path, text).expect("written");
    let plan = text
        .lines()
        .find_map(|line| line.strip_prefix("plan = "))
        .expect("a plan")
        .replace('"', "");
    let mut arguments = vec![
        "take",
        "--from",
        &path,
        "--terminated",
        &path,
        "--antenna",
        antenna,
        "--spot",
        "bench",
        "--plan",
        &plan,
        "--channels",
        channels,
        "--format",
        "json",
    ];
    if !more.contains(&"--taken-at") {
        // The same samples each time.
        arguments.extend(["--taken-at", "2026-05-09T10:00:00Z"]);
    }
    arguments.extend(more);
    let output = place.run(arguments).assert().success().get_output().clone();
    serde_json::from_slice(&output.stdout).expect("JSON")
}

#[test]
fn pilots_tell_the_receivers_error() {
    let place = Place::new();
    let plug = fixture("vsb-terminated");
    for name in ["vsb-a", "vsb-b"] {
        let take = place.json([
            "take",
            "--from",
            &fixture(name),
            "--terminated",
            &plug,
            "--antenna",
            name,
            "--spot",
            "y",
        ]);
        assert!((figure(&take, "ppm") - 41.0).abs() < 0.3, "{}", take["ppm"]);
        assert!(figure(&take, "ppm_low") < 41.3 && figure(&take, "ppm_high") > 40.7);
        for number in [20, 21, 23] {
            let one = channel(&take, number);
            let level = truth("vsb")["takes"][name]["channel_power_dbfs"][number.to_string()]
                .as_f64()
                .expect("a level");
            let pilot = &one["pilot"];
            // 11.27 dB under the data by the fixture's README, so 11.58 dB under the whole: that and a passband of 0.1 dB.
            assert!(
                (figure(pilot, "power_dbfs") - (level - 11.58)).abs() < 0.3,
                "{number}: {pilot}"
            );
            let nominal_hz = figure(one, "low_hz") + 309_440.56;
            assert!(
                (figure(pilot, "offset_hz") + 41e-6 * nominal_hz).abs() < 150.0,
                "{number}: {pilot}"
            );
            assert!(figure(pilot, "snr_db") > 20.0);
            assert_eq!(one["identity"]["kind"], "8vsb");
        }
        assert!(channel(&take, 22)["pilot"].is_null() && channel(&take, 22)["identity"].is_null());
    }
}

#[test]
fn the_demos_scene_shows_its_echo_its_spur_and_its_station_set_off() {
    let place = Place::new();
    let path = format!("{}/demo-data/scene.toml", env!("CARGO_MANIFEST_DIR"));
    let plot = place.named("channels.svg");
    let take = place.json([
        "take",
        "--from",
        &path,
        "--terminated",
        &path,
        "--antenna",
        "tape loop",
        "--spot",
        "north window",
        "--channels",
        "14-23,36",
        "--taken-at",
        "2026-05-09T10:02:00Z",
        "--plot",
        &plot,
    ]);
    assert!((figure(&take, "ppm") - 27.0).abs() < 0.3, "{}", take["ppm"]);
    let outlying = take["outlying_pilots"].as_array().expect("a list");
    assert_eq!(outlying.len(), 1, "{outlying:?}");
    assert_eq!(outlying[0]["channel"], 36);
    assert!((figure(&outlying[0], "residual_hz") - 19_403.07).abs() < 30.0);
    let spurs: Vec<&Value> = take["tunings"]
        .as_array()
        .expect("tunings")
        .iter()
        .flat_map(|one| one["spurs"].as_array().expect("spurs"))
        .collect();
    assert_eq!(spurs.len(), 1, "{spurs:?}");
    // 27 ppm of 489.6 MHz lower than it is: a spur does not come through the air, but the scene gives it a place in it.
    assert!(
        (figure(spurs[0], "hz") - 489.6e6).abs() < 20e3
            && (figure(spurs[0], "power_dbfs") + 58.0).abs() < 1.5
    );
    let echoing = channel(&take, 21);
    assert!(
        (figure(&echoing["echo"], "delay_s") / 1.5e-6 - 1.0).abs() < 0.1,
        "{}",
        echoing["echo"]
    );
    assert!(
        (figure(&echoing["echo"], "level_db") + 6.0).abs() < 1.0,
        "{}",
        echoing["echo"]
    );
    assert_eq!(echoing["path"], "rayleigh");
    assert!(figure(&echoing["shape"], "sigma_sp_db") > 3.0);
    let flat = channel(&take, 20);
    assert!(flat["echo"].is_null() && figure(&flat["shape"], "sigma_sp_db") < 0.6);
    assert_eq!(flat["path"], "gaussian");
    let drawn = fs::read_to_string(&plot).expect("the plot");
    for words in ["Rayleigh", "echo", "vacant", "8-VSB"] {
        assert!(drawn.contains(words), "{words}");
    }
}

#[test]
fn ofdm_is_named_and_its_threshold_follows_the_path() {
    let place = Place::new();
    let flat = "standard = \"ofdm-8k\"\nguard = \"1/8\"\npower_dbfs = -20";
    let echo = "echo = [{ delay_us = 2.0, level_db = -1.5 }]";
    let text = scene(
        "uk",
        "",
        &(station(22, 478, 8, flat) + &station(24, 494, 8, &format!("{flat}\n{echo}"))),
    );
    let take = played(&place, &text, "rod", "22-24", &[]);
    for number in [22, 24] {
        let identity = &channel(&take, number)["identity"];
        assert_eq!(identity["kind"], "ofdm");
        assert_eq!(
            (&identity["system"], &identity["guard"]),
            (&"DVB-T/T2 8k".into(), &"1/8".into())
        );
    }
    assert_eq!(channel(&take, 23)["state"], "vacant");
    // DVB-T2, 256-QAM 2/3, Gaussian and Rayleigh: TS 102 831 as in the handbook (from memory).
    let paths = [(22, "gaussian", 17.8), (24, "rayleigh", 20.1)];
    for (number, path, threshold_db) in paths {
        let one = channel(&take, number);
        assert_eq!(
            (&one["path"], figure(one, "threshold_db")),
            (&path.into(), threshold_db),
            "{number}"
        );
        assert!((figure(one, "margin_db") - (figure(one, "cn_db") - threshold_db)).abs() < 1e-9);
    }
    let table = place.text(["log", "show", "1"]);
    assert!(table.contains("DVB-T/T2 8k, guard 1/8"), "{table}");
}

#[test]
fn what_is_no_television_of_the_plan_is_unidentified_and_not_counted() {
    let place = Place::new();
    // An 8k signal in 6 MHz has the useful duration of no ATSC 3.0 size: 1194.67 against 1185.19 µs (EN 300 744, A/322).
    let foreign = "standard = \"ofdm-8k\"\nguard = \"1/8\"\npower_dbfs = -20";
    let text = scene(
        "us",
        "",
        &(station(20, 506, 6, foreign) + &vsb(22, -20.0, "")),
    );
    let take = played(&place, &text, "rod", "20-22", &[]);
    let one = channel(&take, 20);
    assert_eq!(one["identity"]["kind"], "unidentified", "{one}");
    assert!(
        one["margin_db"].is_null() && one["standard"].is_null() && one["state"].is_null(),
        "{one}"
    );
    assert!(figure(one, "cn_db") > 14.0);
    assert_eq!(channel(&take, 22)["identity"]["kind"], "8vsb");
}

#[test]
fn a_station_below_the_noise_is_compared_by_its_pilot() {
    let place = Place::new();
    // A C/N of −12 dB with the rod: −36.22 − 12 dBFS.
    let text = scene(
        "us",
        "frequency_error_ppm = 35",
        &(vsb(20, -48.22, "") + &vsb(21, -25.0, "") + &vsb(22, -22.0, "")),
    );
    let begins = |minute: u32| format!("2026-05-09T10:{minute:02}:00Z");
    for (minute, antenna) in [(0, "better rod"), (1, "rod"), (2, "rod"), (3, "better rod")] {
        let take = played(
            &place,
            &text,
            antenna,
            "20-24",
            &["--dwell", "100ms", "--taken-at", &begins(minute)],
        );
        let weak = channel(&take, 20);
        assert!(
            !weak["pilot"].is_null() && weak["identity"]["kind"] == "8vsb",
            "{weak}"
        );
        assert_eq!(weak["state"], "trace");
    }
    let comparison = place.json(["compare", "better rod", "rod", "--spot", "bench"]);
    let weak = channel(&comparison, 20);
    assert_eq!(weak["method"], "pilot");
    let (difference, low, high) = (
        figure(weak, "difference_db"),
        figure(weak, "low_db"),
        figure(weak, "high_db"),
    );
    assert!(
        (difference - 3.0).abs() < 0.7 && low < 3.0 && 3.0 < high,
        "{difference} ({low} to {high})"
    );
    let strong = channel(&comparison, 22);
    assert_eq!(strong["method"], "power");
    for side in ["a", "b"] {
        assert_eq!(strong[side]["identity"]["kind"], "8vsb");
        assert_eq!(strong[side]["path"], "gaussian");
        assert!(
            figure(&strong[side], "sigma_sp_db") < 0.6
                && figure(&strong[side], "pilot_dbfs") < -20.0
        );
    }
    let table = place.text(["compare", "better rod", "rod", "--spot", "bench"]);
    assert!(table.contains("pilot"), "{table}");
}

#[test]
fn a_channel_that_falls_by_more_than_the_gain_is_marked_overloaded() {
    let place = Place::new();
    let record = |name: &str, gain_db: f64, product_dbfs: f64| {
        let stations = vsb(20, -15.0, "")
            + &vsb(21, -18.0, "")
            + &vsb(22, product_dbfs, "")
            + &vsb(23, -16.0, "");
        let scene = Scene::parse(name, &scene("us", "gain_db = 30", &stations)).expect("a scene");
        let tunings: Vec<Hertz> = (0..15)
            .map(|n| Hertz::from_mhz(507.0 + 2.0 * f64::from(n)))
            .collect();
        let setup = Setup {
            antenna: Some("rod".to_owned()),
            gains: Some(vec![Decibels(gain_db); tunings.len()]),
            tunings,
            take_seed: gain_db as u64,
            ..Setup::terminated("bench", "2026-05-09T10:00:00Z".parse().expect("a time"))
        };
        let mut source = SimulatedSource::new(&scene, setup).expect("a source");
        write_sigmf(
            &mut source,
            &place.path(name),
            &Labels::default(),
            IfThere::Refuse,
        )
        .expect("written");
        place.named(&format!("{name}.sigmf-meta"))
    };
    // A product of third order falls by three times the step: by 6 dB more than the scene's gain takes off.
    let (high, low) = (record("high", 30.0, -16.0), record("low", 27.0, -22.0));
    let take = place.json([
        "take",
        "--from",
        &high,
        "--check-gain",
        &low,
        "--antenna",
        "rod",
        "--spot",
        "bench",
        "--channels",
        "20-24",
    ]);
    let check = &take["gain_check"];
    assert!((figure(check, "step_db") - 3.0).abs() < 0.2, "{check}");
    let falls = check["channels"].as_array().expect("channels");
    assert_eq!(falls.len(), 4, "{check}");
    for fall in falls {
        let product = fall["channel"] == 22;
        assert_eq!(fall["linear"], !product, "{fall}");
        assert!(
            (figure(fall, "fell_db") - if product { 9.0 } else { 3.0 }).abs() < 0.3,
            "{fall}"
        );
    }
    let kinds = |number| channel(&take, number)["health"].to_string();
    assert!(kinds(22).contains("overloaded"), "{}", kinds(22));
    assert!(!kinds(20).contains("overloaded"), "{}", kinds(20));
    place.refuses(
        1,
        [
            "take",
            "--from",
            &high,
            "--check-gain",
            &high,
            "--antenna",
            "rod",
            "--spot",
            "bench",
        ],
        &["high", "gain is the same", "lower the gain"],
    );
}

#[test]
fn a_tunings_image_and_drive_are_measured() {
    let place = Place::new();
    let text = scene(
        "us",
        "image_rejection_db = 30",
        &(vsb(20, -10.0, "") + &vsb(22, -30.0, "")),
    );
    let take = played(&place, &text, "rod", "20-22", &["--tunings"]);
    let strong = take["tunings"]
        .as_array()
        .expect("tunings")
        .iter()
        .find(|one| figure(one, "centre_hz") == 509e6)
        .expect("a tuning");
    assert_eq!(strong["image_is_bound"], false, "{strong}");
    assert!((figure(strong, "image_db") - 30.0).abs() < 2.0, "{strong}");
    assert!((figure(strong, "lsb_rms") - 17.0).abs() < 4.0, "{strong}");
}
