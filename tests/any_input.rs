//! Whatever stands in the metadata and in the data, the library answers with a survey or with one line that names the file.

use std::cell::Cell;
use std::fs;
use std::path::Path;

use gainsay::capture::recording::Recording;
use gainsay::channels::{Plan, Thresholds};
use gainsay::reading::assemble::{Subject, Wanted, assemble};
use gainsay::reading::survey::Survey;
use proptest::prelude::*;
use proptest::test_runner::{Config, RngAlgorithm, TestCaseError, TestRng, TestRunner};
use serde_json::{Map, Value, json};

/// The same cases at each run.
fn runner(cases: u32) -> TestRunner {
    let config = Config {
        cases,
        failure_persistence: None,
        ..Config::default()
    };
    TestRunner::new_with_rng(config, TestRng::deterministic_rng(RngAlgorithm::ChaCha))
}

/// Opens and surveys what lies there, and reads its channels; true where that worked.
fn survives(meta: &Path) -> Result<bool, TestCaseError> {
    let survey = Recording::open(meta)
        .and_then(|mut recording| Survey::run(&mut recording, &[], &|| false, &mut |_| {}));
    match survey {
        Ok(survey) => {
            let plan = Plan::find("us").expect("an embedded plan");
            let wanted = Wanted {
                plan: &plan,
                chosen: None,
                thresholds: Thresholds::default(),
            };
            let subject = Subject {
                antenna: "loop".into(),
                spot: "window".into(),
                ..Subject::default()
            };
            let take = assemble(&survey, Some(&survey), &wanted, None, subject);
            for reading in &take.readings {
                prop_assert!((0.0..=1.0).contains(&reading.covered), "{reading:?}");
                for level in [reading.power_dbfs(), reading.signal_dbfs(), reading.cn_db()] {
                    prop_assert!(level.is_none_or(f64::is_finite), "{reading:?}");
                }
            }
            Ok(true)
        }
        Err(error) => {
            let message = error.to_string();
            prop_assert!(message.contains("odd.sigmf"), "no file is named: {message}");
            prop_assert!(
                !message.contains(char::is_control),
                "more than one line: {message:?}"
            );
            prop_assert!(
                message.len() < 2000,
                "a line too long: {} bytes",
                message.len()
            );
            Ok(false)
        }
    }
}

/// The largest memory that this process has held, in bytes; nothing where the system doesn't tell.
fn most_memory() -> Option<u64> {
    let status = fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    let kilobytes: u64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kilobytes * 1024)
}

fn metadata() -> Value {
    json!({
        "global": {
            "core:datatype": "cu8",
            "core:sample_rate": 2_400_000,
            "core:version": "1.2.5",
            "core:offset": 0,
            "core:num_channels": 1,
            "core:trailing_bytes": 0,
            "core:dataset": "odd.sigmf-data",
            "core:hw": "model of a dongle",
            "antenna:model": "loop",
        },
        "captures": [
            {"core:sample_start": 0, "core:frequency": 507e6, "core:datetime": "2026-05-09T10:00:00Z", "gainsay:gain_db": 20},
            {"core:sample_start": 4000, "core:frequency": 509e6, "core:header_bytes": 0},
            {"core:sample_start": 8000, "core:frequency": 509e6},
        ],
        "annotations": [],
    })
}

fn any_json() -> impl Strategy<Value = Value> {
    let number = prop_oneof![
        any::<f64>().prop_map(|number| json!(number)),
        any::<i64>().prop_map(|number| json!(number)),
        any::<u64>().prop_map(|number| json!(number)),
        (0u64..20_000).prop_map(|number| json!(number)),
        prop::sample::select(vec![
            0.0, -1.0, 1e-300, 1e30, 1e300, 1e4, 1e9, 5.07e8, 9.3e18, 0.5
        ])
        .prop_map(|number| json!(number)),
    ];
    let word = prop_oneof![
        prop::sample::select(vec![
            "cu8",
            "ci8",
            "ci16_le",
            "cf32_le",
            "rf64_be",
            "odd.sigmf-data",
            "odd.sigmf-meta",
            ".",
            "..",
            "/",
            "",
            "NaN",
            "2026-13-45T99:00:00Z",
            "-009999-01-02T01:59:59Z",
            "a\nb",
            "\u{0}",
        ])
        .prop_map(|word| json!(word)),
        any::<String>().prop_map(|word| json!(word)),
    ];
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(|it| json!(it)),
        number,
        word
    ];
    leaf.prop_recursive(3, 16, 4, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..4).prop_map(Value::Array),
            prop::collection::vec((any::<String>(), inner), 0..4)
                .prop_map(|fields| Value::Object(Map::from_iter(fields))),
        ]
    })
}

/// What is done to the metadata.
#[derive(Debug, Clone)]
enum Change {
    /// One value, chosen among all, becomes another.
    Put(prop::sample::Index, Value),
    /// One value is taken away.
    Drop(prop::sample::Index),
    /// A capture is put in again at some place.
    Again(prop::sample::Index, prop::sample::Index),
}

fn any_change() -> impl Strategy<Value = Change> {
    let index = any::<prop::sample::Index>;
    prop_oneof![
        4 => (index(), any_json()).prop_map(|(at, value)| Change::Put(at, value)),
        1 => index().prop_map(Change::Drop),
        1 => (index(), index()).prop_map(|(from, to)| Change::Again(from, to)),
    ]
}

/// JSON pointers to every value within, the whole first.
fn pointers(value: &Value, at: &str, found: &mut Vec<String>) {
    found.push(at.to_owned());
    match value {
        Value::Array(items) => {
            for (index, item) in items.iter().enumerate() {
                pointers(item, &format!("{at}/{index}"), found);
            }
        }
        Value::Object(fields) => {
            for (name, field) in fields {
                let name = name.replace('~', "~0").replace('/', "~1");
                pointers(field, &format!("{at}/{name}"), found);
            }
        }
        _ => {}
    }
}

fn change(meta: &mut Value, change: Change) {
    let mut found = Vec::new();
    pointers(meta, "", &mut found);
    match change {
        Change::Put(at, value) => {
            *meta
                .pointer_mut(&found[at.index(found.len())])
                .expect("it was found") = value;
        }
        Change::Drop(at) => {
            let Some((parent, name)) = found[at.index(found.len())].rsplit_once('/') else {
                return;
            };
            let name = name.replace("~1", "/").replace("~0", "~");
            match meta.pointer_mut(parent) {
                Some(Value::Object(fields)) => {
                    fields.remove(&name);
                }
                Some(Value::Array(items)) => {
                    items.remove(name.parse().expect("a place"));
                }
                _ => {}
            }
        }
        Change::Again(from, to) => {
            if let Some(Value::Array(captures)) = meta.get_mut("captures")
                && !captures.is_empty()
            {
                let again = from.get(captures).clone();
                captures.insert(to.index(captures.len()), again);
            }
        }
    }
}

/// Noise for 12 000 samples of two bytes.
fn data() -> Vec<u8> {
    let mut state: u32 = 1;
    (0..24_000)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (112 + (state >> 24) / 8) as u8
        })
        .collect()
}

#[test]
fn any_change_to_the_metadata() {
    let folder = tempfile::tempdir().expect("a folder");
    let meta = folder.path().join("odd.sigmf-meta");
    fs::write(folder.path().join("odd.sigmf-data"), data()).expect("written");
    fs::write(&meta, metadata().to_string()).expect("written");
    assert!(
        survives(&meta).expect("no fault"),
        "unchanged, it is a recording"
    );
    let before = most_memory();
    let (taken, refused) = (Cell::new(0), Cell::new(0));
    runner(600)
        .run(&prop::collection::vec(any_change(), 1..3), |changes| {
            let mut changed = metadata();
            for one in changes {
                change(&mut changed, one);
            }
            fs::write(&meta, changed.to_string()).expect("written");
            let count = if survives(&meta)? { &taken } else { &refused };
            count.set(count.get() + 1);
            Ok(())
        })
        .unwrap_or_else(|failure| panic!("{failure}"));
    let (taken, refused) = (taken.get(), refused.get());
    println!("{taken} taken, {refused} refused");
    assert!(
        taken > 20 && refused > 100,
        "{taken} taken, {refused} refused"
    );
    if let (Some(before), Some(after)) = (before, most_memory()) {
        let grown = (after - before) >> 20;
        println!("memory grew by {grown} MiB");
        // The other tests here run beside this one.
        assert!(grown < 64, "{grown} MiB");
    }
}

#[test]
fn any_bytes_as_metadata() {
    let folder = tempfile::tempdir().expect("a folder");
    let meta = folder.path().join("odd.sigmf-meta");
    fs::write(folder.path().join("odd.sigmf-data"), data()).expect("written");
    let bytes = prop_oneof![
        prop::collection::vec(any::<u8>(), 0..400),
        // Good metadata with a few bytes struck over, cut or doubled.
        (
            prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..4),
            any::<prop::sample::Index>(),
        )
            .prop_map(|(strikes, end)| {
                let mut text = metadata().to_string().into_bytes();
                for (at, byte) in strikes {
                    let at = at.index(text.len());
                    text[at] = byte;
                }
                text.truncate(text.len().min(2 * end.index(text.len())));
                text
            }),
    ];
    runner(400)
        .run(&bytes, |bytes| {
            fs::write(&meta, bytes).expect("written");
            survives(&meta).map(|_| ())
        })
        .unwrap_or_else(|failure| panic!("{failure}"));
}

#[test]
fn any_bytes_as_data() {
    let folder = tempfile::tempdir().expect("a folder");
    let meta = folder.path().join("odd.sigmf-meta");
    let bytes = prop_oneof![
        prop::collection::vec(any::<u8>(), 0..300),
        // Many of few values: silence, clipping, NaN and infinities.
        (
            prop::sample::select(vec![0u8, 1, 0x7f, 0x80, 0xff, 0xc0, 0x3f]),
            prop::collection::vec(any::<u8>(), 1..9),
            1usize..90_000,
        )
            .prop_map(|(value, pattern, count)| {
                let pattern: Vec<u8> = pattern.into_iter().chain([value]).collect();
                pattern.into_iter().cycle().take(count).collect()
            }),
        (any::<u8>(), 1usize..90_000).prop_map(|(value, count)| vec![value; count]),
    ];
    let datatype = prop::sample::select(vec!["cu8", "ci8", "ci16_le", "cf32_le"]);
    let taken = Cell::new(0);
    runner(250)
        .run(&(bytes, datatype), |(bytes, datatype)| {
            let mut about = metadata();
            about["global"]["core:datatype"] = json!(datatype);
            // Data of few samples gets one capture, so that some are long enough.
            if bytes.len() < 80_000 {
                about["captures"]
                    .as_array_mut()
                    .expect("captures")
                    .truncate(1);
            }
            fs::write(&meta, about.to_string()).expect("written");
            fs::write(folder.path().join("odd.sigmf-data"), bytes).expect("written");
            taken.set(taken.get() + u32::from(survives(&meta)?));
            Ok(())
        })
        .unwrap_or_else(|failure| panic!("{failure}"));
    let taken = taken.get();
    println!("{taken} taken");
    assert!(taken > 20, "{taken} taken");
}
