//! `gainsay dongle` and `gainsay dongle check`: what they print, and that Ctrl-C loses nothing.

use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use super::stand_in_support::StandIn;

fn command(stand_in: &StandIn, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_gainsay"));
    command
        .arg("dongle")
        .args(arguments)
        .env_remove("GAINSAY_PLAN")
        .env("GAINSAY_LOG", stand_in.path("logbook.sqlite"))
        .envs(stand_in.environment());
    command
}

fn run(stand_in: &StandIn, arguments: &[&str]) -> Output {
    command(stand_in, arguments).output().expect("it runs")
}

fn out(output: &Output) -> &str {
    std::str::from_utf8(&output.stdout).expect("UTF-8")
}

/// What the program itself says on standard error, without the driver's lines.
fn remarks(output: &Output) -> Vec<&str> {
    std::str::from_utf8(&output.stderr)
        .expect("UTF-8")
        .lines()
        .filter_map(|line| line.strip_prefix("gainsay: "))
        .collect()
}

#[test]
fn dongles_are_listed_as_table_csv_and_json() {
    let stand_in = StandIn::new(
        "[[device]]\nserial = 'NORTH'\ngains = [-99, 5, 496]\n[[device]]\nserial = 'SOUTH'\n\
         [[device.fault]]\nkind = 'busy'",
    );
    let table = run(&stand_in, &[]);
    let rows: Vec<Vec<&str>> = out(&table)
        .lines()
        .skip(2)
        .map(|line| line.split_whitespace().collect())
        .collect();
    assert_eq!(rows[0][..2], ["0", "NORTH"]);
    assert_eq!(
        rows[0][rows[0].len() - 4..],
        ["R820T", "3", "\u{2212}9.9", "49.6"]
    );
    assert_eq!(rows[1][..2], ["1", "SOUTH"]);
    let said = remarks(&table);
    assert!(
        said.len() == 1 && said[0].starts_with("dongle SOUTH: another program has it"),
        "{said:?}"
    );

    let csv = run(&stand_in, &["--format", "csv"]);
    assert_eq!(
        out(&csv),
        "index,serial,model,manufacturer,product,tuner,gains_db\n\
         0,NORTH,Generic RTL2832U OEM,Realtek,RTL2838UHIDIR,R820T,-9.9 0.5 49.6\n\
         1,SOUTH,Generic RTL2832U OEM,Realtek,RTL2838UHIDIR,,\n"
    );

    let json = run(&stand_in, &["--format", "json"]);
    let listed: Value = serde_json::from_str(out(&json)).expect("JSON");
    assert_eq!(listed[0]["serial"], "NORTH");
    assert_eq!(listed[0]["gains_db"][2], 49.6);
    assert_eq!(listed[1]["tuner"], Value::Null);
}

#[test]
fn none_plugged_in_is_an_empty_list_and_a_remark() {
    let output = run(&StandIn::new(""), &["--format", "json"]);
    assert_eq!(out(&output), "[]\n");
    assert_eq!(output.status.code(), Some(0));
    assert!(remarks(&output)[0].starts_with("no dongle is plugged in: "));
}

#[test]
fn a_check_prints_the_same_figures_as_csv_and_json() {
    let stand_in = StandIn::new("[[device]]\nserial = 'X'\nantenna = 'tape loop'");
    let arguments = [
        "check",
        "--channels",
        "14-16",
        "--lost-at",
        "0.5M",
        "--format",
    ];
    let with = |format| {
        let output = run(&stand_in, &[&arguments[..], &[format]].concat());
        assert_eq!(output.status.code(), Some(0), "{:?}", remarks(&output));
        out(&output).to_owned()
    };
    let json: Value = serde_json::from_str(&with("json")).expect("JSON");
    assert_eq!(json["serial"], "X");
    assert_eq!(json["gain_steps"].as_array().map(Vec::len), Some(28));
    let ppm = json["frequency"]["error_ppm"].as_f64().expect("a figure");
    assert!((ppm - 27.0).abs() < 0.5, "{ppm}");
    let csv = with("csv");
    let (head, first) = csv
        .split_once("\nX,error_ppm,,")
        .expect("a frequency error");
    assert_eq!(head, "serial,figure,at,value,standard_error");
    let ppm: f64 = first
        .split(',')
        .next()
        .and_then(|value| value.parse().ok())
        .expect("a figure");
    assert!((ppm - 27.0).abs() < 0.5, "{ppm}");
    assert_eq!(csv.matches("X,step_db,").count(), 28);
    assert!(csv.contains("X,step_db,0 to 0.9,"), "{csv}");
    assert!(csv.contains("\nX,lost_share,500000,,\n"), "{csv}");
    let table = with("table");
    assert!(table.starts_with("Dongle X, tuner R820T, 20"), "{table}");
    assert!(table.contains("\nFrequency error: +27.0"), "{table}");
}

#[test]
fn what_is_wrong_with_the_arguments_of_a_check_is_told() {
    let stand_in = StandIn::new("[[device]]\nserial = 'X'");
    for (arguments, status, says) in [
        (&["check", "--channels", "99"][..], 2, "99"),
        (&["check", "--plan", "nowhere"], 2, "nowhere"),
        (
            &["check", "--dongle", "Y"],
            1,
            "no dongle has the serial number Y; plugged in: #0: serial X",
        ),
        (
            &["check", "--rate", "500k"],
            1,
            "refuses 500000 samples a second",
        ),
        (&["--format", "xml"], 2, "xml"),
    ] {
        let output = run(&stand_in, arguments);
        let said = remarks(&output);
        assert_eq!(output.status.code(), Some(status), "{said:?}");
        assert!(
            said.len() == 1 && said[0].contains(says),
            "{arguments:?}: {said:?}"
        );
        assert_eq!(out(&output), "");
    }
}

#[cfg(unix)]
#[test]
fn a_check_that_is_stopped_prints_what_it_has() {
    let stand_in = StandIn::new("[[device]]\nserial = 'X'\nantenna = 'tape loop'");
    let child = command(
        &stand_in,
        &["check", "--channels", "14-20", "--format", "json"],
    )
    .stdout(Stdio::piped())
    .stderr(Stdio::piped())
    .spawn()
    .expect("it runs");
    // The eighth tuning is at work on gains or beyond.
    let until = Instant::now() + Duration::from_secs(60);
    while stand_in.logged("tuned").len() < 8 && Instant::now() < until {
        std::thread::sleep(Duration::from_millis(10));
    }
    let interrupted = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status()
        .expect("kill");
    assert!(interrupted.success());
    let output = child.wait_with_output().expect("it ends");
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(
        remarks(&output),
        ["stopped: these are the figures measured so far"]
    );
    let json: Value = serde_json::from_str(out(&output)).expect("JSON");
    assert_eq!(json["serial"], "X");
    assert_eq!(json["lost"], Value::Array(Vec::new()));
}

#[test]
fn a_check_in_which_every_tuning_is_refused_fails_and_keeps_nothing() {
    let stand_in = StandIn::new(
        "pace = 'fast'\n[[device]]\nserial = 'X'\n[[device.fault]]\nkind = 'tuning-refused'",
    );
    let output = run(
        &stand_in,
        &["check", "--channels", "20-21", "--lost-at", "2.4M"],
    );
    assert_eq!(output.status.code(), Some(1));
    let said = remarks(&output);
    assert!(
        said.len() == 1 && said[0].starts_with("dongle X: refuses to tune to 507 MHz"),
        "{said:?}"
    );
    assert_eq!(out(&output), "");
    assert!(!stand_in.path("logbook.sqlite").exists());
}
