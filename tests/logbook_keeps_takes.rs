//! What goes into the logbook comes out the same; lists, notes, deletions and names do what they say.

use std::path::{Path, PathBuf};

use gainsay::channels::{ChannelId, PathClass, Standard};
use gainsay::logbook::{Filter, Logbook, LogbookError, Named};
use gainsay::reading::pilot::Agreement;
use gainsay::reading::shape::{Echo, Shape};
use gainsay::reading::{
    Bearing, Estimate, Fall, FrequencyReading, GainCheck, Health, Identity, NoiseSource,
    OutlyingStation, PilotReading, Position, SpurReading, State, Take, Trace, TuningReading,
};
use jiff::Timestamp;
use proptest::prelude::*;
use tempfile::TempDir;

mod logbook_takes;
use logbook_takes::{plain, whole};

fn fresh() -> (TempDir, PathBuf, Logbook) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("logbook.sqlite");
    let logbook = Logbook::open(&path).expect("a logbook");
    (folder, path, logbook)
}

fn everything() -> Filter {
    Filter::default()
}

fn ids(logbook: &Logbook, filter: &Filter) -> Vec<i64> {
    logbook
        .list(filter)
        .expect("a list")
        .iter()
        .map(|entry| entry.id)
        .collect()
}

fn now() -> Timestamp {
    "2031-06-01T12:00:00.5Z".parse().expect("a time")
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn any_take_comes_back_as_it_was(takes in prop::collection::vec(logbook_takes::any::take(), 1..4)) {
        let (_folder, path, mut logbook) = fresh();
        let ids = logbook.append_all(&takes).expect("takes are kept");
        drop(logbook);
        let logbook = Logbook::open_existing(&path).expect("it opens again");
        for (id, take) in ids.iter().zip(&takes) {
            let expected = Take { id: Some(*id), ..take.clone() };
            prop_assert_eq!(&logbook.take(*id).expect("the take"), &expected);
        }
        let mut expected: Vec<Take> = takes
            .iter()
            .zip(&ids)
            .map(|(take, id)| Take {
                id: Some(*id),
                spectrum: None,
                tunings: Vec::new(),
                gain_check: None,
                ..take.clone()
            })
            .collect();
        expected.sort_by_key(|take| (take.taken_at, take.id));
        prop_assert_eq!(logbook.load(&everything()).expect("takes"), expected);
    }
}

#[test]
fn infinite_degrees_of_freedom_survive() {
    let (_folder, _path, mut logbook) = fresh();
    let mut take = plain(0, 1);
    let estimate = Estimate {
        value: 1e-3,
        standard_error: 0.0,
        degrees_of_freedom: f64::INFINITY,
    };
    take.readings[0].power = Some(estimate);
    let id = logbook.append(&take).expect("kept");
    assert_eq!(
        logbook.take(id).expect("the take").readings[0].power,
        Some(estimate)
    );
}

fn pilot(take: &mut Take) -> &mut PilotReading {
    take.readings[2].pilot.as_mut().expect("a pilot")
}

fn shape(take: &mut Take) -> &mut Shape {
    take.readings[2].shape.as_mut().expect("a shape")
}

fn echo(take: &mut Take) -> &mut Echo {
    take.readings[8].echo.as_mut().expect("an echo")
}

#[test]
fn a_take_with_a_number_that_is_none_is_refused_and_the_field_is_named() {
    let (_folder, _path, mut logbook) = fresh();
    type Spoil = fn(&mut Take);
    let spoilt: [(Spoil, &str); 28] = [
        (
            |take| take.readings[1].covered = f64::NAN,
            "channel 15, covered: NaN",
        ),
        (
            |take| take.readings[1].covered = 1.5,
            "channel 15, covered: 1.5",
        ),
        (
            |take| take.readings[0].low_hz = 9e9,
            "channel 14, high_hz: 476000000",
        ),
        (
            |take| {
                take.readings[0]
                    .power
                    .as_mut()
                    .expect("a power")
                    .degrees_of_freedom = f64::NAN
            },
            "channel 14, power.degrees_of_freedom: NaN",
        ),
        (
            |take| take.readings[0].noise.as_mut().expect("a noise").value = f64::INFINITY,
            "channel 14, noise: inf",
        ),
        (
            |take| {
                take.readings[0]
                    .signal
                    .as_mut()
                    .expect("a signal")
                    .standard_error = -1.0
            },
            "channel 14, signal.standard_error: -1",
        ),
        (
            |take| take.settings.gains_db[2].1 = f64::NAN,
            "gains_db: NaN",
        ),
        (|take| take.spot = "  ".into(), "spot: has no name"),
        (
            |take| {
                take.readings[0].health.push(Health::Clipped {
                    tuning_mhz: f64::NAN,
                    fraction: 0.1,
                })
            },
            "can't be read back",
        ),
        (
            |take| pilot(take).offset_hz = f64::NAN,
            "channel 16, pilot.offset_hz: NaN",
        ),
        (
            |take| pilot(take).offset_standard_error_hz = -0.5,
            "channel 16, pilot.offset_standard_error_hz: -0.5 is below zero",
        ),
        (
            |take| pilot(take).power.standard_error = f64::INFINITY,
            "channel 16, pilot.power.standard_error: inf",
        ),
        (
            |take| pilot(take).snr_db = Some(f64::NEG_INFINITY),
            "channel 16, pilot.snr_db: -inf",
        ),
        (
            |take| pilot(take).enbw_hz = 0.0,
            "channel 16, pilot.enbw_hz: 0 is not above zero",
        ),
        (
            |take| {
                take.readings[0].identity = Some(Identity::Ofdm {
                    system: "DVB-T/T2 8k".into(),
                    guard: Some(String::new()),
                    standards: Vec::new(),
                })
            },
            "channel 14, identity.guard: is empty",
        ),
        (
            |take| shape(take).sigma_sp_db = -1.0,
            "channel 16, shape.sigma_sp_db: -1 is below zero",
        ),
        (
            |take| shape(take).tilt_standard_error_db = f64::NAN,
            "channel 16, shape.tilt_standard_error_db: NaN",
        ),
        (
            |take| shape(take).notch_db = 0.5,
            "channel 16, shape.notch_db: 0.5 is above zero",
        ),
        (
            |take| shape(take).high_hz = 0.0,
            "channel 16, shape.high_hz: 0 is not above shape.low_hz, 340000",
        ),
        (
            |take| echo(take).delay_s = 0.0,
            "channel 22, echo.delay_s: 0 is not above zero",
        ),
        (
            |take| echo(take).false_alarm = 1.5,
            "channel 22, echo.false_alarm: 1.5 is no share",
        ),
        (
            |take| take.frequency_error.as_mut().expect("an error").ppm = f64::NAN,
            "ppm: NaN",
        ),
        (
            |take| take.frequency_error.as_mut().expect("an error").low_ppm = 50.0,
            "ppm_high: 41.5 is under ppm_low, 50",
        ),
        (
            |take| take.frequency_error.as_mut().expect("an error").pilots = 0,
            "ppm_pilots: ",
        ),
        (
            |take| {
                take.frequency_error.as_mut().expect("an error").outlying[0].residual_hz =
                    f64::INFINITY
            },
            "outlying_pilots, channel 31, residual_hz: inf",
        ),
        (
            |take| take.tunings[3].end_fraction = 2.0,
            "tuning 4, end_fraction: 2 is no share",
        ),
        (
            |take| take.tunings[2].spurs[1].power_dbfs = f64::NEG_INFINITY,
            "tuning 3, spur 2, power_dbfs: -inf",
        ),
        (
            |take| {
                take.gain_check.as_mut().expect("a gain check").channels[1]
                    .standard_uncertainty_db = -1.0
            },
            "gain_check, channel 19, standard_uncertainty_db: -1 is below zero",
        ),
    ];
    for (spoil, message) in spoilt {
        let mut take = whole(0, 9);
        spoil(&mut take);
        let error = logbook.append(&take).expect_err(message);
        assert!(matches!(error, LogbookError::BadTake { .. }), "{error:?}");
        assert!(
            error.to_string().contains(message),
            "{error} should contain {message}"
        );
        assert_eq!(error.to_string().lines().count(), 1);
    }
    assert_eq!(logbook.list(&everything()).expect("a list"), []);
}

#[test]
fn a_spectrum_is_kept_to_a_hundredth_of_a_decibel_with_its_gaps() {
    let (_folder, _path, mut logbook) = fresh();
    let mut take = plain(0, 1);
    let levels = [
        Some(-71.2345),
        None,
        Some(-0.005_1),
        Some(f32::NEG_INFINITY),
        Some(400.0),
        Some(0.0),
    ];
    take.spectrum = Some(Trace {
        first_hz: 470e6,
        step_hz: 1e4,
        dbfs_per_mhz: levels.to_vec(),
    });
    let id = logbook.append(&take).expect("kept");
    let kept = logbook
        .take(id)
        .expect("the take")
        .spectrum
        .expect("a spectrum");
    assert_eq!((kept.first_hz, kept.step_hz), (470e6, 1e4));
    assert_eq!(
        kept.dbfs_per_mhz,
        [
            Some(-71.23),
            None,
            Some(-0.01),
            Some(-327.67),
            Some(327.67),
            Some(0.0)
        ]
    );
}

#[test]
fn a_list_is_in_order_of_time_whatever_the_order_of_keeping() {
    let (_folder, _path, mut logbook) = fresh();
    let times = [
        "2031-01-01T00:00:00.5Z",
        "2031-01-01T00:00:00Z",
        "2030-12-31T23:59:59.999999999Z",
    ];
    for time in times {
        let take = Take {
            taken_at: time.parse().expect("a time"),
            ..plain(0, 1)
        };
        logbook.append(&take).expect("kept");
    }
    assert_eq!(ids(&logbook, &everything()), [3, 2, 1]);
    let loaded: Vec<_> = logbook
        .load(&everything())
        .expect("takes")
        .iter()
        .map(|take| take.id)
        .collect();
    assert_eq!(loaded, [Some(3), Some(2), Some(1)]);
}

#[test]
fn a_list_shows_each_take_with_its_channels_by_state() {
    let (_folder, _path, mut logbook) = fresh();
    let take = Take {
        note: "rain".into(),
        ..plain(7, 12)
    };
    let id = logbook.append(&take).expect("kept");
    let entries = logbook.list(&everything()).expect("a list");
    assert_eq!(entries.len(), 1);
    let entry = &entries[0];
    assert_eq!(
        (entry.id, entry.antenna.as_str(), entry.spot.as_str()),
        (id, "rabbit ears", "north window")
    );
    assert_eq!(
        (entry.plan.as_str(), entry.source.as_str()),
        ("us", "take-7.sigmf-meta")
    );
    assert_eq!(
        (entry.taken_at, entry.note.as_str(), entry.deleted_at),
        (take.taken_at, "rain", None)
    );
    // Channels 0 to 11 take the four states and "not measured" in turn.
    assert_eq!((entry.channels, entry.states), (12, [3, 3, 2, 2]));
}

#[test]
fn a_filter_picks_by_antenna_and_spot() {
    let (_folder, _path, mut logbook) = fresh();
    for number in 0..4 {
        let mut take = plain(number, 1);
        if number >= 2 {
            take.spot = "attic".into();
        }
        logbook.append(&take).expect("kept");
    }
    let filter = |antenna: Option<&str>, spot: Option<&str>| Filter {
        antenna: antenna.map(Into::into),
        spot: spot.map(Into::into),
        deleted: false,
    };
    assert_eq!(ids(&logbook, &filter(Some("tape loop"), None)), [1, 3]);
    assert_eq!(ids(&logbook, &filter(None, Some("attic"))), [3, 4]);
    assert_eq!(
        ids(&logbook, &filter(Some("tape loop"), Some("attic"))),
        [3]
    );
    assert_eq!(
        ids(&logbook, &filter(Some("Tape loop"), None)),
        [] as [i64; 0]
    );
    assert_eq!(
        logbook
            .load(&filter(Some("rabbit ears"), Some("attic")))
            .expect("takes")[0]
            .id,
        Some(4)
    );
}

#[test]
fn a_deleted_take_is_hidden_can_be_restored_and_is_gone_after_a_purge() {
    let (_folder, path, mut logbook) = fresh();
    for number in 0..3 {
        logbook.append(&whole(number, 4)).expect("kept");
    }
    logbook.delete(2, now()).expect("deleted");
    assert_eq!(ids(&logbook, &everything()), [1, 3]);
    assert_eq!(logbook.load(&everything()).expect("takes").len(), 2);
    let with_deleted = Filter {
        deleted: true,
        ..everything()
    };
    assert_eq!(
        logbook.list(&with_deleted).expect("a list")[1].deleted_at,
        Some(now())
    );
    assert_eq!(logbook.take(2).expect("still there").readings.len(), 4);
    let error = logbook.delete(2, now()).expect_err("twice");
    assert!(
        matches!(error, LogbookError::AlreadyDeleted { id: 2, .. }),
        "{error}"
    );

    logbook.restore(2).expect("restored");
    assert_eq!(ids(&logbook, &everything()), [1, 2, 3]);
    let error = logbook.restore(2).expect_err("twice");
    assert!(
        matches!(error, LogbookError::NotDeleted { id: 2, .. }),
        "{error}"
    );

    logbook.delete(3, now()).expect("deleted");
    assert_eq!(logbook.purge().expect("purged"), 1);
    assert_eq!(logbook.purge().expect("purged"), 0);
    assert_eq!(ids(&logbook, &with_deleted), [1, 2]);
    assert!(matches!(
        logbook.restore(3),
        Err(LogbookError::NoTake { id: 3, .. })
    ));
    let left = |table: &str| -> i64 {
        let connection = rusqlite::Connection::open(&path).expect("a file");
        connection
            .query_row(&format!("SELECT count(*) FROM {table}"), [], |row| {
                row.get(0)
            })
            .expect("a count")
    };
    assert_eq!(["readings", "spectra", "receivers"].map(left), [8, 2, 2]);
    assert_eq!(
        logbook.append(&plain(9, 1)).expect("kept"),
        4,
        "a purged number is not given again"
    );
}

#[test]
fn a_note_is_replaced_and_nothing_else() {
    let (_folder, _path, mut logbook) = fresh();
    let before = whole(0, 3);
    let id = logbook.append(&before).expect("kept");
    logbook
        .note(id, "moved 10 cm\n'; DROP TABLE takes")
        .expect("noted");
    let expected = Take {
        id: Some(id),
        note: "moved 10 cm\n'; DROP TABLE takes".into(),
        ..before
    };
    assert_eq!(logbook.take(id).expect("the take"), expected);
}

#[test]
fn an_unknown_number_is_named_with_the_numbers_there_are() {
    let (_folder, path, mut logbook) = fresh();
    let message = |error: LogbookError| {
        error
            .to_string()
            .replace(&path.display().to_string(), "LOG")
    };
    assert_eq!(
        message(logbook.take(1).expect_err("empty")),
        "LOG: there is no take 1: the logbook holds no takes"
    );
    for number in 0..5 {
        logbook.append(&plain(number, 1)).expect("kept");
    }
    logbook.delete(4, now()).expect("deleted");
    logbook.purge().expect("purged");
    let expected = "LOG: there is no take 12: the logbook holds takes 1 to 3, 5";
    assert_eq!(message(logbook.take(12).expect_err("unknown")), expected);
    assert_eq!(
        message(logbook.note(12, "x").expect_err("unknown")),
        expected
    );
    assert_eq!(
        message(logbook.delete(12, now()).expect_err("unknown")),
        expected
    );
    assert_eq!(message(logbook.restore(12).expect_err("unknown")), expected);
}

#[test]
fn names_are_counted_and_an_unknown_one_gets_the_nearest() {
    let (_folder, path, mut logbook) = fresh();
    let message = |error: LogbookError| {
        error
            .to_string()
            .replace(&path.display().to_string(), "LOG")
    };
    assert_eq!(
        message(logbook.check_antenna("tape loop").expect_err("empty")),
        "LOG: no take with antenna \"tape loop\": the logbook holds no takes"
    );
    for number in 0..3 {
        logbook.append(&plain(number, 1)).expect("kept");
    }
    let named = |name: &str, takes| Named {
        name: name.into(),
        takes,
    };
    assert_eq!(
        logbook.antennas().expect("names"),
        [named("rabbit ears", 1), named("tape loop", 2)]
    );
    assert_eq!(logbook.spots().expect("names"), [named("north window", 3)]);
    logbook.check_antenna("tape loop").expect("it is there");
    assert_eq!(
        message(logbook.check_antenna("Tape lop").expect_err("a slip")),
        "LOG: no take with antenna \"Tape lop\": did you mean \"tape loop\"?"
    );
    assert_eq!(
        message(logbook.check_spot("attic").expect_err("unknown")),
        "LOG: no take with spot \"attic\": there are \"north window\""
    );
    logbook.delete(2, now()).expect("deleted");
    assert_eq!(logbook.antennas().expect("names"), [named("tape loop", 2)]);
}

#[test]
fn a_take_that_is_there_already_is_found_by_what_was_measured() {
    let (_folder, _path, mut logbook) = fresh();
    let take = plain(0, 3);
    assert_eq!(logbook.find_same(&take).expect("an answer"), None);
    let id = logbook.append(&take).expect("kept");
    logbook
        .note(id, "a note does not make another take")
        .expect("noted");
    assert_eq!(logbook.find_same(&take).expect("an answer"), Some(id));
    // Made of the same samples again, by a version that gets more out of them, or less.
    let mut again = whole(0, 3);
    again.frequency_error = None;
    again.readings[2].pilot = None;
    again.readings[2].path = Some(PathClass::Rayleigh);
    assert_ne!(again.readings, take.readings);
    assert_eq!(logbook.find_same(&again).expect("an answer"), Some(id));
    let differing: [fn(&mut Take); 5] = [
        |take| take.antenna.push('2'),
        |take| take.spot.push('2'),
        |take| take.source.push('2'),
        |take| take.taken_at += jiff::SignedDuration::from_nanos(1),
        |take| take.readings[2].power.as_mut().expect("a power").value *= 1.0 + f64::EPSILON,
    ];
    for differ in differing {
        let mut other = take.clone();
        differ(&mut other);
        assert_eq!(logbook.find_same(&other).expect("an answer"), None);
    }
    logbook.delete(id, now()).expect("deleted");
    assert_eq!(logbook.find_same(&take).expect("an answer"), None);
}

#[test]
fn settings_are_kept_replaced_and_forgotten() {
    let (_folder, path, mut logbook) = fresh();
    assert_eq!(logbook.setting("want").expect("an answer"), None);
    logbook.set_setting("want", Some("7,9")).expect("set");
    logbook.set_setting("want", Some("7,9,20-23")).expect("set");
    drop(logbook);
    let mut logbook = Logbook::open_existing(&path).expect("a logbook");
    assert_eq!(
        logbook.setting("want").expect("an answer").as_deref(),
        Some("7,9,20-23")
    );
    logbook.set_setting("want", None).expect("forgotten");
    assert_eq!(logbook.setting("want").expect("an answer"), None);
}

#[test]
fn a_batch_with_one_bad_take_keeps_none() {
    let (_folder, _path, mut logbook) = fresh();
    let mut bad = plain(1, 1);
    bad.antenna.clear();
    logbook
        .append_all(&[plain(0, 1), bad])
        .expect_err("one is bad");
    assert_eq!(ids(&logbook, &everything()), [] as [i64; 0]);
    assert_eq!(
        logbook
            .append_all(&[plain(0, 1), plain(1, 1)])
            .expect("kept"),
        [1, 2]
    );
}

#[test]
fn what_only_a_whole_take_needs_is_not_read_for_a_comparison() {
    let (_folder, path, mut logbook) = fresh();
    logbook.append(&whole(0, 4)).expect("kept");
    rusqlite::Connection::open(&path)
        .and_then(|connection| {
            connection.execute_batch("UPDATE receivers SET tunings = 'no JSON';")
        })
        .expect("spoilt");
    let loaded = logbook.load(&everything()).expect("takes");
    assert_eq!(
        loaded,
        [Take {
            id: Some(1),
            ..plain(0, 4)
        }]
    );
    assert_eq!(logbook.list(&everything()).expect("a list").len(), 1);
    let error = logbook.take(1).expect_err("it reads all").to_string();
    assert!(error.contains("holds something unexpected"), "{error}");
}

/// A file as version 1 made it, with the take of `fixtures/logbook/version_1_take.sql`.
fn of_version_1(path: &Path) {
    let connection = rusqlite::Connection::open(path).expect("a file");
    for sql in [
        include_str!("../src/logbook/schema/version_1.sql"),
        // `gain` in ASCII marks a logbook.
        "PRAGMA user_version = 1; PRAGMA application_id = 0x6761696e;",
        include_str!("../fixtures/logbook/version_1_take.sql"),
    ] {
        connection.execute_batch(sql).expect("version 1");
    }
}

fn version(path: &Path) -> i64 {
    rusqlite::Connection::open(path)
        .and_then(|connection| connection.query_row("PRAGMA user_version", [], |row| row.get(0)))
        .expect("a version")
}

#[test]
fn a_logbook_of_version_1_is_brought_up_to_date_and_keeps_its_takes() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("old.sqlite");
    of_version_1(&path);
    let mut logbook = Logbook::open_existing(&path).expect("it opens");
    assert_eq!(version(&path), 3);
    is_the_take_of_version_1(&logbook.take(41).expect("the take"));
    assert_eq!(logbook.append(&whole(0, 9)).expect("kept"), 42);
    drop(logbook);
    let logbook = Logbook::open(&path).expect("it opens again");
    assert_eq!(ids(&logbook, &everything()), [42, 41]);
    is_the_take_of_version_1(&logbook.take(41).expect("the take"));
    let expected = Take {
        id: Some(42),
        ..whole(0, 9)
    };
    assert_eq!(logbook.take(42).expect("the take"), expected);
}

#[test]
fn a_row_of_version_1_stays_readable_in_a_logbook_of_this_version() {
    let (_folder, path, logbook) = fresh();
    drop(logbook);
    rusqlite::Connection::open(&path)
        .and_then(|connection| {
            connection.execute_batch(include_str!("../fixtures/logbook/version_1_take.sql"))
        })
        .expect("the rows go in");
    let logbook = Logbook::open_existing(&path).expect("a logbook");
    is_the_take_of_version_1(&logbook.take(41).expect("the take"));
}

/// Columns may be added, but none of version 1 may change meaning.
fn is_the_take_of_version_1(take: &Take) {
    assert_eq!(
        (
            take.antenna.as_str(),
            take.spot.as_str(),
            take.terminated.as_deref()
        ),
        ("loop", "attic", None)
    );
    assert_eq!(take.taken_at.to_string(), "2031-05-04T10:00:00.25Z");
    assert_eq!(take.settings.gains_db, [(5.15e8, 28.0)]);
    assert_eq!(take.readings.len(), 2);
    let [first, second] = &take.readings[..] else {
        panic!("two readings")
    };
    assert_eq!(
        (&first.channel, first.covered),
        (&ChannelId::Number(20), 1.0)
    );
    assert_eq!(
        (first.parts[0].low_hz, first.parts[0].high_hz),
        (506e6, 512e6)
    );
    let power = first.power.expect("a power");
    assert_eq!(
        (power.value, power.standard_error, power.degrees_of_freedom),
        (0.5, 0.25, f64::INFINITY)
    );
    assert_eq!(
        (first.noise_source, first.standard),
        (
            Some(NoiseSource::TerminatedElsewhere),
            Some(Standard::DvbT2)
        )
    );
    assert_eq!(
        (first.state, first.found, first.signal_upper),
        (Some(State::Brink), true, None)
    );
    assert_eq!(
        (&second.channel, second.state),
        (&ChannelId::Name("9A".into()), None)
    );
    assert_eq!(second.parts, []);
    assert_eq!(
        second.health,
        [Health::Partial { covered: 0.0 }, Health::NoiseEstimated]
    );
    let spectrum = take.spectrum.as_ref().expect("a spectrum");
    assert_eq!(spectrum.dbfs_per_mhz, [Some(-1.0), None, Some(2.56)]);
    for reading in &take.readings {
        assert_eq!(
            (reading.pilot, &reading.identity, reading.shape),
            (None, &None, None)
        );
        assert_eq!((reading.echo, reading.path), (None, None));
    }
    assert_eq!(
        (&take.frequency_error, &take.tunings[..], &take.gain_check),
        (&None, &[][..], &None)
    );
}

#[test]
fn a_take_written_by_hand_into_the_tables_of_version_2_is_read_as_it_was_meant() {
    let (_folder, path, logbook) = fresh();
    drop(logbook);
    rusqlite::Connection::open(&path)
        .and_then(|connection| {
            connection.execute_batch(include_str!("../fixtures/logbook/version_2_take.sql"))
        })
        .expect("the rows go in");
    let take = Logbook::open_existing(&path)
        .and_then(|logbook| logbook.take(42))
        .expect("the take");
    let [vsb, ofdm, empty] = &take.readings[..] else {
        panic!("three readings")
    };
    assert_eq!(
        (vsb.noise_type_b, vsb.signal_upper, vsb.threshold_db),
        (0.0625, None, Some(15.2))
    );
    let signal = vsb.signal.expect("a signal");
    assert_eq!((signal.value, signal.degrees_of_freedom), (0.375, 50.0));
    assert_eq!(
        vsb.pilot,
        Some(PilotReading {
            offset_hz: -1500.5,
            offset_standard_error_hz: 0.25,
            power: Estimate {
                value: 0.03125,
                standard_error: 0.001_953_125,
                degrees_of_freedom: 12.0
            },
            snr_db: Some(21.5),
            enbw_hz: 732.421_875,
            found: true,
        })
    );
    assert_eq!(vsb.identity, Some(Identity::Vsb8));
    assert_eq!(
        vsb.shape,
        Some(Shape {
            sigma_sp_db: 1.75,
            sigma_sp_standard_error_db: 0.125,
            class: PathClass::Ricean,
            tilt_db: -0.5,
            tilt_standard_error_db: 0.25,
            ripple_db: 1.5,
            notch_db: -4.25,
            notch_hz: 2.5e6,
            low_hz: 0.5e6,
            high_hz: 5.5e6,
            resolution_hz: 30e3,
        })
    );
    assert_eq!(
        vsb.echo,
        Some(Echo {
            delay_s: 3.5e-6,
            delay_standard_error_s: 1e-8,
            level_db: -11.5,
            false_alarm: 1e-4,
        })
    );
    assert_eq!(vsb.path, Some(PathClass::Ricean));
    assert_eq!(
        vsb.health,
        [
            Health::RoundingLimited {
                tuning_mhz: 515.0,
                share: 0.75
            },
            Health::Image {
                tuning_mhz: 516.5,
                share: 0.25
            },
            Health::Overloaded {
                fell_db: 9.5,
                at_least: false,
                step_db: 6.0
            },
        ]
    );
    assert_eq!(
        (ofdm.pilot, ofdm.shape, ofdm.power, ofdm.signal_upper),
        (None, None, None, Some(0.5))
    );
    assert_eq!(
        ofdm.identity,
        Some(Identity::Ofdm {
            system: "DVB-T/T2 8k".into(),
            guard: Some("1/8".into()),
            standards: vec![Standard::DvbT, Standard::DvbT2],
        })
    );
    assert_eq!(ofdm.echo.expect("an echo").level_db, -3.0);
    assert_eq!(
        (empty.low_hz, empty.signal_upper, empty.power, empty.echo),
        (524e6, None, None, None)
    );
    assert_eq!(
        take.frequency_error,
        Some(FrequencyReading {
            ppm: 41.5,
            low_ppm: 41.25,
            high_ppm: 41.75,
            pilots: 3,
            agreement: Agreement::Majority,
            outlying: vec![OutlyingStation {
                channel: ChannelId::Number(23),
                residual_hz: 19_403.5,
                deliberate: Some("next to a co-channel station".into()),
            }],
        })
    );
    assert_eq!(
        take.tunings,
        [TuningReading {
            centre_hz: 515e6,
            gain_db: Some(28.0),
            samples: 240_000,
            lsb_rms: Some(4.5),
            clipped: false,
            end_fraction: 0.0,
            expected_end_fraction: 0.0,
            rounding_share: Some(0.75),
            spike_dbfs: Some(-40.5),
            image_db: Some(38.0),
            image_is_bound: true,
            spurs: vec![SpurReading {
                hz: 514.5e6,
                excess_db: 9.5,
                power_dbfs: -61.5
            }],
        }]
    );
    assert_eq!(
        take.gain_check,
        Some(GainCheck {
            step_db: 6.0,
            step_measured: true,
            channels: vec![Fall {
                channel: ChannelId::Number(21),
                fell_db: 9.5,
                at_least: false,
                standard_uncertainty_db: 0.125,
                linear: false,
            }],
        })
    );
}

#[test]
fn a_take_written_by_hand_into_the_tables_of_version_3_is_read_as_it_was_meant() {
    let (_folder, path, logbook) = fresh();
    drop(logbook);
    rusqlite::Connection::open(&path)
        .and_then(|connection| {
            connection.execute_batch(include_str!("../fixtures/logbook/version_3_take.sql"))
        })
        .expect("the rows go in");
    let logbook = Logbook::open_existing(&path).expect("a logbook");
    let placed = |id| {
        let take = logbook.take(id).expect("the take");
        (take.position, take.bearing, take.scan_count)
    };
    let position = Position {
        x_m: 1.25,
        y_m: -0.5,
        height_m: Some(1.5),
    };
    let bearing = Bearing {
        degrees: 270.5,
        from: "the window".into(),
    };
    assert_eq!(placed(43), (Some(position), Some(bearing), Some(31)));
    let position = Position {
        height_m: None,
        ..position
    };
    assert_eq!(placed(44), (Some(position), None, None));
    assert_eq!(placed(45), (None, None, Some(0)));
}

#[test]
fn a_place_that_is_none_is_refused_by_its_name() {
    let (_folder, _path, mut logbook) = fresh();
    let bearing = |degrees, from: &str| {
        Some(Bearing {
            degrees,
            from: from.into(),
        })
    };
    let position = |x_m, height_m| {
        Some(Position {
            x_m,
            y_m: 0.0,
            height_m,
        })
    };
    for (position, bearing, field) in [
        (position(f64::NAN, None), None, "x_m"),
        (position(0.0, Some(f64::INFINITY)), None, "height_m"),
        (None, bearing(360.0, "north"), "bearing_deg"),
        (None, bearing(f64::NAN, "north"), "bearing_deg"),
        (None, bearing(0.0, " "), "bearing_from"),
    ] {
        let take = Take {
            position,
            bearing,
            ..plain(1, 2)
        };
        match logbook.append(&take) {
            Err(LogbookError::BadTake { place, .. }) => assert_eq!(place, field),
            other => panic!("{field}: {other:?}"),
        }
    }
    assert_eq!(ids(&logbook, &everything()), [] as [i64; 0]);
}
