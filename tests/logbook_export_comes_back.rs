//! Takes exported can be imported again without loss, once only, and a malformed file changes nothing.

use gainsay::logbook::transfer::{COLUMNS, as_json, export_csv, export_json};
use gainsay::logbook::{Filter, Imported, Logbook, LogbookError};
use gainsay::reading::Take;
use proptest::prelude::*;
use tempfile::TempDir;

mod logbook_takes;
use logbook_takes::{plain, whole};

fn fresh() -> (TempDir, Logbook) {
    let folder = tempfile::tempdir().expect("a folder");
    let logbook = Logbook::open(&folder.path().join("logbook.sqlite")).expect("a logbook");
    (folder, logbook)
}

fn json(takes: &[Take]) -> String {
    let mut text = Vec::new();
    export_json(takes.iter().cloned().map(Ok), &mut text).expect("an export");
    String::from_utf8(text).expect("UTF-8")
}

fn csv(takes: &[Take]) -> String {
    let mut text = Vec::new();
    export_csv(takes.iter().cloned().map(Ok), &mut text).expect("an export");
    String::from_utf8(text).expect("UTF-8")
}

/// All takes, without their numbers, in the order of keeping.
fn all(logbook: &Logbook) -> Vec<Take> {
    let mut takes: Vec<Take> = logbook
        .takes(&Filter::default())
        .and_then(Iterator::collect)
        .expect("the takes");
    takes.sort_by_key(|take| take.id);
    takes
        .into_iter()
        .map(|take| Take { id: None, ..take })
        .collect()
}

fn new(new: usize) -> Imported {
    Imported {
        new,
        ..Imported::default()
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn json_loses_nothing(takes in prop::collection::vec(logbook_takes::any::take(), 1..4)) {
        let (_folder, mut logbook) = fresh();
        let done = logbook.import_json("x.json", json(&takes).as_bytes()).expect("an import");
        prop_assert_eq!(done.new + done.known, takes.len());
        if done.known == 0 {
            prop_assert_eq!(all(&logbook), takes);
        }
    }

    #[test]
    fn csv_loses_nothing_but_spectrum_tunings_and_gain_check(takes in prop::collection::vec(logbook_takes::any::take(), 1..4)) {
        let (_folder, mut logbook) = fresh();
        let done = logbook.import_csv("x.csv", csv(&takes).as_bytes()).expect("an import");
        prop_assert_eq!(done.new + done.known, takes.len());
        if done.known == 0 {
            let expected: Vec<Take> = takes
                .into_iter()
                .map(|take| Take { spectrum: None, tunings: Vec::new(), gain_check: None, ..take })
                .collect();
            prop_assert_eq!(all(&logbook), expected);
        }
    }

    #[test]
    fn any_bytes_are_imported_or_refused_in_one_line(bytes in prop::collection::vec(any::<u8>(), 0..200), cut in 0usize..9000) {
        let (_folder, mut logbook) = fresh();
        let takes = [whole(0, 3), whole(1, 9)];
        let (json, csv) = (json(&takes), csv(&takes));
        let spoil = |text: &str| {
            let cut = cut.min(text.len());
            [&text.as_bytes()[..cut], &bytes, &text.as_bytes()[cut..]].concat()
        };
        for outcome in [
            logbook.import_json("x.json", &spoil(&json)[..]),
            logbook.import_json("x.json", &bytes[..]),
            logbook.import_csv("x.csv", &spoil(&csv)[..]),
            logbook.import_csv("x.csv", &bytes[..]),
        ] {
            if let Err(error) = outcome {
                prop_assert_eq!(error.to_string().lines().count(), 1, "{}", error);
                prop_assert!(error.to_string().starts_with("x."), "{}", error);
            }
        }
    }
}

#[test]
fn a_take_comes_in_once_from_either_format() {
    let (_folder, mut logbook) = fresh();
    let takes: Vec<Take> = (0..5).map(|number| plain(number, 9)).collect();
    logbook.append_all(&takes[..2]).expect("two are kept");
    assert_eq!(
        logbook
            .import_csv("x.csv", csv(&takes).as_bytes())
            .expect("an import"),
        Imported {
            new: 3,
            known: 2,
            deleted: 0
        }
    );
    logbook
        .delete(1, "2031-06-01T12:00:00Z".parse().expect("a time"))
        .expect("deleted");
    assert_eq!(
        logbook
            .import_json("x.json", json(&takes).as_bytes())
            .expect("an import"),
        Imported {
            new: 0,
            known: 5,
            deleted: 1
        }
    );
    assert_eq!(all(&logbook), takes[1..]);
}

#[test]
fn takes_without_numbers_or_channels_stay_apart_in_csv() {
    let (_folder, mut logbook) = fresh();
    let mut same = plain(0, 2);
    same.readings[1].covered = 0.5;
    let takes = [plain(0, 2), same, plain(0, 0), plain(1, 0)];
    assert_eq!(
        logbook
            .import_csv("x.csv", csv(&takes).as_bytes())
            .expect("an import"),
        new(4)
    );
    assert_eq!(all(&logbook), takes);
}

#[test]
fn an_export_of_nothing_is_read_as_nothing() {
    let (_folder, mut logbook) = fresh();
    assert_eq!(
        logbook
            .import_json("x.json", json(&[]).as_bytes())
            .expect("an import"),
        new(0)
    );
    assert_eq!(
        logbook
            .import_csv("x.csv", csv(&[]).as_bytes())
            .expect("an import"),
        new(0)
    );
}

#[test]
fn json_has_a_head_and_the_names_under_which_a_take_is_printed() {
    let take = Take {
        id: Some(12),
        ..plain(3, 4)
    };
    let document: serde_json::Value =
        serde_json::from_str(&json(std::slice::from_ref(&take))).expect("JSON");
    assert_eq!(
        (&document["format"], &document["version"]),
        (&"gainsay takes".into(), &3.into())
    );
    let exported = &document["takes"][0];
    assert_eq!(
        *exported,
        serde_json::to_value(as_json(&take)).expect("JSON")
    );
    assert_eq!(
        (&exported["take"], &exported["antenna"], &exported["plan"]),
        (&12.into(), &"rabbit ears".into(), &"us".into())
    );
    assert_eq!(exported["taken_at"], "2031-05-04T10:03:00Z");
    let firm = &exported["channels"][3];
    assert_eq!(
        (&firm["channel"], &firm["low_hz"], &firm["high_hz"]),
        (&17.into(), &488e6.into(), &494e6.into())
    );
    assert_eq!(
        (&firm["covered"], &firm["state"]),
        (&1.0.into(), &"firm".into())
    );
    assert_eq!(
        firm["health"],
        serde_json::json!([{"kind": "noise-estimated"}])
    );
    // Signal is 900 times the noise: 10·lg 900 = 29.5424 dB, less the threshold of 15.2 dB.
    let number = |name: &str| firm[name].as_f64().expect(name);
    assert!((number("cn_db") - 29.542_425).abs() < 1e-6);
    assert!((number("margin_db") - 14.342_425).abs() < 1e-6);
    assert!((number("signal_dbfs") - number("noise_dbfs") - 29.542_425).abs() < 1e-6);
    assert!((number("power_dbfs") - number("noise_dbfs") - 10.0 * 901f64.log10()).abs() < 1e-9);
    let vacant = &exported["channels"][0];
    for absent in ["signal_dbfs", "cn_db", "margin_db"] {
        assert!(
            vacant[absent].is_null() && vacant.as_object().expect("an object").contains_key(absent),
            "{absent}"
        );
    }
    assert!(vacant["signal_upper_dbfs"].is_f64());
    assert!(firm["noise"]["degrees_of_freedom"].is_null(), "infinite");
}

#[test]
fn json_has_the_frequency_error_flat_and_the_rest_under_its_own_names() {
    let take = whole(3, 9);
    let document = serde_json::to_value(as_json(&take)).expect("JSON");
    for (name, expected) in [
        ("ppm", 41.003),
        ("ppm_low", 40.5),
        ("ppm_high", 41.503),
        ("ppm_pilots", 9.0),
    ] {
        assert_eq!(document[name].as_f64(), Some(expected), "{name}");
    }
    assert_eq!(document["ppm_agreement"], "majority");
    assert_eq!(
        document["outlying_pilots"],
        serde_json::json!([{"channel": 31, "residual_hz": 19406.0, "deliberate": "made up, \"for tests\""}])
    );
    assert_eq!(
        (
            &document["tunings"][3]["samples"],
            &document["tunings"][3]["clipped"]
        ),
        (&240_003.into(), &true.into())
    );
    assert_eq!(document["gain_check"]["step_db"], 6.003);
    assert_eq!(document["gain_check"]["channels"][1]["channel"], 19);
    let (vsb, ofdm) = (&document["channels"][2], &document["channels"][8]);
    let pilot = take.readings[2].pilot.expect("a pilot");
    assert_eq!(vsb["pilot"]["offset_hz"].as_f64(), Some(pilot.offset_hz));
    assert_eq!(vsb["pilot"]["power_dbfs"].as_f64(), pilot.dbfs());
    assert_eq!(vsb["identity"], serde_json::json!({"kind": "8vsb"}));
    assert_eq!(
        (&vsb["shape"]["class"], &vsb["path"]),
        (&"gaussian".into(), &"gaussian".into())
    );
    assert!(vsb["echo"].is_null());
    assert_eq!(ofdm["identity"]["system"], "ATSC 3.0 8k");
    assert_eq!(ofdm["echo"]["level_db"], -9.5);

    let none = Take {
        frequency_error: None,
        ..plain(3, 1)
    };
    let document = serde_json::to_value(as_json(&none)).expect("JSON");
    let fields = document.as_object().expect("an object");
    for name in [
        "ppm",
        "ppm_low",
        "ppm_high",
        "ppm_pilots",
        "ppm_agreement",
        "gain_check",
    ] {
        assert!(
            fields.get(name).is_some_and(serde_json::Value::is_null),
            "{name}"
        );
    }
    for name in ["outlying_pilots", "tunings"] {
        assert_eq!(fields.get(name), Some(&serde_json::json!([])), "{name}");
    }
}

#[test]
fn exports_of_version_1_are_imported_and_known_from_either_format() {
    let (_folder, mut logbook) = fresh();
    let old = include_str!("../fixtures/logbook/version_1.json");
    assert_eq!(
        logbook
            .import_json("old.json", old.as_bytes())
            .expect("an import"),
        new(1)
    );
    let old = include_str!("../fixtures/logbook/version_1.csv");
    let done = logbook
        .import_csv("old.csv", old.as_bytes())
        .expect("an import");
    assert_eq!((done.new, done.known), (0, 1));
    let from_json = all(&logbook).remove(0);
    let (_folder, mut logbook) = fresh();
    assert_eq!(
        logbook
            .import_csv("old.csv", old.as_bytes())
            .expect("an import"),
        new(1)
    );
    let from_csv = all(&logbook).remove(0);
    assert_eq!(
        (from_json.antenna.as_str(), from_json.readings.len()),
        ("loop", 2)
    );
    assert_eq!(from_json.readings[0].power.expect("a power").value, 0.5);
    assert_eq!(
        (
            from_json.frequency_error.as_ref(),
            from_json.readings[0].pilot
        ),
        (None, None)
    );
    assert!(from_json.spectrum.is_some());
    assert_eq!(
        from_csv,
        Take {
            spectrum: None,
            ..from_json
        }
    );
}

#[test]
fn csv_has_one_row_a_reading_and_the_same_names_and_numbers() {
    let take = Take {
        id: Some(12),
        note: "a, \"b\"".into(),
        ..plain(3, 9)
    };
    let document = serde_json::to_value(as_json(&take)).expect("JSON");
    let text = csv(&[take]);
    let mut rows = csv::Reader::from_reader(text.as_bytes());
    assert_eq!(rows.headers().expect("a header"), COLUMNS);
    let rows: Vec<std::collections::HashMap<String, String>> =
        rows.deserialize().collect::<Result<_, _>>().expect("rows");
    assert_eq!(rows.len(), 9);
    for (index, row) in rows.iter().enumerate() {
        assert_eq!(
            (row["take"].as_str(), row["note"].as_str()),
            ("12", "a, \"b\"")
        );
        assert_eq!(row["reading"], (index + 1).to_string());
        let channel = &document["channels"][index];
        for name in [
            "low_hz",
            "high_hz",
            "covered",
            "power_dbfs",
            "noise_dbfs",
            "signal_dbfs",
            "signal_upper_dbfs",
            "cn_db",
            "margin_db",
            "threshold_db",
            "noise_type_b",
        ] {
            assert_eq!(row[name].parse().ok(), channel[name].as_f64(), "{name}");
        }
        assert_eq!(row["channel"], channel["channel"].to_string());
        assert_eq!(row["state"], channel["state"].as_str().unwrap_or_default());
        assert_eq!(row["noise_degrees_of_freedom"], "inf");
        assert_eq!(
            row["power_standard_error"].parse().ok(),
            channel["power"]["standard_error"].as_f64()
        );
        for (column, part, field) in [
            ("pilot_offset_hz", "pilot", "offset_hz"),
            ("pilot_power_dbfs", "pilot", "power_dbfs"),
            ("pilot_snr_db", "pilot", "snr_db"),
            ("sigma_sp_db", "shape", "sigma_sp_db"),
            ("tilt_db", "shape", "tilt_db"),
            ("ripple_db", "shape", "ripple_db"),
            ("notch_db", "shape", "notch_db"),
            ("notch_hz", "shape", "notch_hz"),
            ("echo_delay_s", "echo", "delay_s"),
            ("echo_level_db", "echo", "level_db"),
        ] {
            assert_eq!(
                row[column].parse().ok(),
                channel[part][field].as_f64(),
                "{column}"
            );
        }
        for (column, value) in [
            ("identity", &channel["identity"]["kind"]),
            ("identity_system", &channel["identity"]["system"]),
            ("shape_class", &channel["shape"]["class"]),
            ("path", &channel["path"]),
        ] {
            assert_eq!(row[column], value.as_str().unwrap_or_default(), "{column}");
        }
        for column in ["ppm", "ppm_low", "ppm_high", "ppm_pilots"] {
            assert_eq!(
                row[column].parse().ok(),
                document[column].as_f64(),
                "{column}"
            );
        }
    }
    let filled = |column: &str| rows.iter().filter(|row| !row[column].is_empty()).count();
    assert_eq!(
        [
            "pilot_offset_hz",
            "identity",
            "sigma_sp_db",
            "echo_delay_s",
            "path"
        ]
        .map(filled),
        [3, 4, 4, 1, 9]
    );
}

fn stopped(error: &LogbookError) -> String {
    let text = error.to_string();
    assert_eq!(text.lines().count(), 1, "{text}");
    text
}

#[test]
fn malformed_json_is_named_by_line_and_field_and_changes_nothing() {
    let (_folder, mut logbook) = fresh();
    logbook.append(&plain(9, 1)).expect("kept");
    let good = json(&[plain(0, 2), whole(1, 3)]);
    let cases = [
        (
            good.replacen("\"covered\":1.0", "\"covered\":\"all\"", 4),
            "takes[0].channels[0].covered: invalid type",
        ),
        // The second take is bad: the first, read already, must not stay.
        (
            good.replace("\"rabbit ears\"", "17"),
            "line 3 column 26, takes[1].antenna: invalid type: integer `17`",
        ),
        (
            good.replace("\"rabbit ears\"", "\"\""),
            "take 2 of the list, antenna: has no name",
        ),
        (
            good.replace("\"low_hz\":476000000.0", "\"low_hz\":1e999"),
            "takes[0].channels[1]",
        ),
        (
            good.replace("\"low_hz\":476000000.0", "\"low_hz\":482000000.0"),
            "channel 15, high_hz: 482000000 is not above",
        ),
        (
            good.replace("\"spot\"", "\"place\""),
            "takes[0]: missing field `spot`",
        ),
        (
            good.replace("\"vacant\"", "\"va\\ncant\""),
            "takes[0].channels[0].state: unknown variant",
        ),
        (
            good.replace("2031-05-04T10:01:00Z", "yesterday"),
            "takes[1].taken_at: ",
        ),
        (
            good.replace("gainsay takes", "another format"),
            "line 1 column 27: format is \"another format\", not \"gainsay takes\"",
        ),
        (
            good.replace("\"version\":3", "\"version\":4"),
            "version 4 of the format is not known here",
        ),
        (
            good.replace("\"version\":3,", ""),
            "missing field `version`",
        ),
        (
            good.replace("\"enbw_hz\":732.421875", "\"enbw_hz\":-1"),
            "take 2 of the list, channel 16, pilot.enbw_hz: -1 is not above zero",
        ),
        (
            good.replace("\"kind\":\"8vsb\"", "\"kind\":\"pal\""),
            "takes[1].channels[2].identity.kind: unknown variant `pal`",
        ),
        (
            good.replace("\"notch_hz\":2500000.0,", ""),
            "takes[1].channels[2].shape: missing field `notch_hz`",
        ),
        (
            good.replace("\"ppm_low\":40.5", "\"ppm_low\":null"),
            "take 1 of the list, ppm: ppm, ppm_low, ppm_high, ppm_pilots and ppm_agreement must all be there",
        ),
        (
            good.replace("\"samples\":240001", "\"samples\":-3"),
            "takes[1].tunings[0].samples: invalid value",
        ),
        (
            good.replace("\"excess_db\":11.5", "\"excess_db\":1e999"),
            "takes[1].tunings[1].spurs[0]",
        ),
        (
            good.replace(
                "\"standard_uncertainty_db\":0.05",
                "\"standard_uncertainty_db\":-0.05",
            ),
            "take 2 of the list, gain_check, channel 14, standard_uncertainty_db: -0.05 is below zero",
        ),
        (good[..good.len() / 2].to_owned(), "EOF while parsing"),
        (good.clone() + "{}", "trailing characters"),
        (
            "[]".to_owned(),
            "line 1 column 1: invalid type: sequence, expected an export of takes",
        ),
        (String::new(), "line 1 column 0: EOF while parsing a value"),
    ];
    for (text, expected) in cases {
        assert_ne!(text, good);
        let error = logbook
            .import_json("old.json", text.as_bytes())
            .expect_err(expected);
        let error = stopped(&error);
        assert!(
            error.starts_with("old.json, line ") && error.contains(expected),
            "{error}\nshould contain\n{expected}"
        );
        assert!(error.ends_with("; nothing was imported"), "{error}");
    }
    assert_eq!(all(&logbook), [plain(9, 1)]);
    assert_eq!(
        logbook
            .import_json("old.json", good.as_bytes())
            .expect("the good one"),
        new(2)
    );
}

#[test]
fn malformed_csv_is_named_by_line_and_column_and_changes_nothing() {
    let (_folder, mut logbook) = fresh();
    logbook.append(&plain(9, 1)).expect("kept");
    let good = csv(&[plain(0, 2), plain(1, 9)]);
    let header = COLUMNS.join(",");
    let cases = [
        (
            good.replacen("482000000", "4 MHz", 1),
            "line 3, column high_hz: \"4 MHz\" can't be read",
        ),
        (
            good.replacen(",trace,", ",so-so,", 1),
            "line 3, column state: unknown variant `so-so`",
        ),
        (
            good.replacen(",inf,", ",,", 1),
            "line 2, column noise_degrees_of_freedom: \"\" can't be read",
        ),
        (
            good.replacen(",inf,", ",NaN,", 1),
            "the take that begins in line 2, channel 14, noise.degrees_of_freedom: NaN",
        ),
        (
            good.replace("2031-05-04T10:01:00Z", "yesterday"),
            "line 4, column taken_at: \"yesterday\" can't be read",
        ),
        (
            good.replacen("[[473", "[473", 2),
            "line 2, column gains_db: ",
        ),
        (
            good.replace("rabbit ears", " "),
            "the take that begins in line 4, antenna: has no name",
        ),
        (
            good.replacen("antenna", "aerial", 1),
            "line 1: there is no column \"antenna\"",
        ),
        (
            good.replacen("pilot_offset_hz", "offset", 1),
            "line 1: there is no column \"pilot_offset_hz\"",
        ),
        (
            good.replace(",15,476000000", ",476000000"),
            "line 3: has 81 cells, and the header has 82",
        ),
        (
            good.replacen(",false,", ",no,", 1),
            "line 2, column found: \"no\" can't be read",
        ),
        (
            good.replacen(",14,470000000", ",,470000000", 1),
            "line 2, column channel: is empty",
        ),
        (
            good.replacen(",732.421875,", ",wide,", 1),
            "line 6, column pilot_enbw_hz: \"wide\" can't be read",
        ),
        (
            good.replacen(",732.421875,", ",0,", 1),
            "the take that begins in line 4, channel 16, pilot.enbw_hz: 0 is not above zero",
        ),
        (
            good.replacen(",8vsb,,,,", ",pal,,,,", 1),
            "line 6, column identity: \"pal\" is none of 8vsb, ofdm and unidentified",
        ),
        (
            good.replacen(",ATSC 3.0 8k,", ",,", 1),
            "the take that begins in line 4, channel 22, identity.system: is empty",
        ),
        (
            good.replacen(",0.04,gaussian,", ",0.04,,", 1),
            "line 6, column shape_class: is empty",
        ),
        (
            good.replacen(",40.5,", ",,", 1),
            "line 2, column ppm: ppm, ppm_low, ppm_high, ppm_pilots and ppm_agreement must all be there",
        ),
        (
            good.replacen(",majority,", ",most,", 1),
            "line 2, column ppm_agreement: unknown variant `most`",
        ),
        (header.replace(',', ";"), "line 1: there is no column"),
        (String::new(), "line 1: there is no column"),
    ];
    for (text, expected) in cases {
        assert_ne!(text, good);
        let error = logbook
            .import_csv("old.csv", text.as_bytes())
            .expect_err(expected);
        let error = stopped(&error);
        assert!(
            error.starts_with("old.csv, ") && error.contains(expected),
            "{error}\nshould contain\n{expected}"
        );
    }
    let mut bytes = good.clone().into_bytes();
    let at = good.rfind("rabbit").expect("a name");
    bytes[at] = 0xff;
    let error = stopped(
        &logbook
            .import_csv("old.csv", &bytes[..])
            .expect_err("no UTF-8"),
    );
    assert!(
        error.contains("line 12") && error.contains("UTF-8"),
        "{error}"
    );
    assert_eq!(all(&logbook), [plain(9, 1)]);
    assert_eq!(
        logbook
            .import_csv("old.csv", good.as_bytes())
            .expect("the good one"),
        new(2)
    );
}

#[test]
fn columns_in_another_order_or_missing_where_computed_are_no_matter() {
    let (_folder, mut logbook) = fresh();
    let takes = [plain(0, 3), plain(1, 2)];
    let text = csv(&takes);
    let mut rows = csv::Reader::from_reader(text.as_bytes());
    let kept: Vec<usize> = (0..COLUMNS.len())
        .rev()
        .filter(|&index| {
            !COLUMNS[index].ends_with("_dbfs")
                && !["take", "cn_db", "margin_db"].contains(&COLUMNS[index])
        })
        .collect();
    let mut turned = csv::Writer::from_writer(Vec::new());
    turned
        .write_record(kept.iter().map(|&index| COLUMNS[index]))
        .expect("a header");
    for row in rows.records() {
        let row = row.expect("a row");
        turned
            .write_record(kept.iter().map(|&index| &row[index]))
            .expect("a row");
    }
    let turned = turned.into_inner().expect("the text");
    assert_eq!(
        logbook.import_csv("x.csv", &turned[..]).expect("an import"),
        new(2)
    );
    assert_eq!(all(&logbook), takes);
}

#[test]
fn a_failing_writer_is_reported() {
    struct Full;
    impl std::io::Write for Full {
        fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
            Err(std::io::Error::new(
                std::io::ErrorKind::StorageFull,
                "no space left",
            ))
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }
    for outcome in [
        export_json([Ok(plain(0, 1))], Full),
        export_csv([Ok(plain(0, 1))], Full),
    ] {
        let error = outcome.expect_err("it is full");
        assert_eq!(
            error.to_string(),
            "the export can't be written: no space left"
        );
        assert!(
            matches!(error, LogbookError::Export(cause) if cause.kind() == std::io::ErrorKind::StorageFull)
        );
    }
}
