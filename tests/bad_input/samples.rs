//! Samples that can't be used.

use std::fs;

use serde_json::json;

use crate::program::{DWELL, Made, Place, fixture};
use crate::{refuses_recording, refuses_take};

#[test]
fn data_cut_short() {
    let place = Place::with_takes();
    let whole = Made::of("vsb-a");
    let cut = |bytes: usize| Made {
        data: whole.data[..bytes].to_vec(),
        ..whole.clone()
    };
    // Within the sixth capture: the seventh begins beyond the end, whether there is a hash or not.
    for made in [cut(11 * DWELL), cut(11 * DWELL).without_hash()] {
        let meta = made.write(&place, "cut");
        refuses_take(
            &place,
            &meta,
            &[
                "captures[6].core:sample_start",
                "cut.sigmf-data",
                "cut short",
            ],
        );
    }
    // Within the last capture only the hash tells.
    let meta = cut(whole.data.len() - 2000).write(&place, "cut");
    refuses_recording(
        &place,
        &meta,
        &["cut.sigmf-meta", "core:sha512", "cut short"],
    );
    // One byte changed.
    let mut changed = whole.clone();
    changed.data[700_000] ^= 1;
    refuses_recording(&place, &changed.write(&place, "changed"), &["core:sha512"]);
    // Within a sample.
    for bytes in [whole.data.len() - 1, 1] {
        let meta = cut(bytes).write(&place, "cut");
        refuses_take(
            &place,
            &meta,
            &["cut.sigmf-data", "2-byte samples", "copy it again"],
        );
    }
    for (datatype, bytes) in [("ci16_le", 3), ("cf32_le", 4)] {
        let mut made = Made::tunings_of("vsb-a", [0, 1]).converted(datatype);
        made.data.truncate(made.data.len() - bytes);
        refuses_take(
            &place,
            &made.write(&place, "cut"),
            &["cut.sigmf-data", "whole number"],
        );
    }
}

#[test]
fn nothing_or_too_little_recorded() {
    let place = Place::with_takes();
    let mut made = Made::tunings_of("vsb-a", [0]);
    made.data.clear();
    refuses_recording(
        &place,
        &made.write(&place, "empty"),
        &["empty.sigmf-data", "is empty"],
    );
    let mut made = Made::tunings_of("vsb-a", [0]);
    made.data.truncate(200);
    refuses_recording(
        &place,
        &made.write(&place, "short"),
        &["short", "100 samples", "too few"],
    );
}

#[test]
fn samples_that_are_no_numbers() {
    let place = Place::with_takes();
    for value in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY] {
        let mut made = Made::tunings_of("vsb-a", [0, 1]).converted("cf32_le");
        let at = 50_000 * 8 + 4;
        made.data[at..at + 4].copy_from_slice(&value.to_le_bytes());
        let meta = made.write(&place, "nan");
        refuses_take(&place, &meta, &["nan.sigmf-data", "sample 50000", "finite"]);
    }
    // Finite, but beyond any receiver: no figure may come out as infinite or NaN.
    let mut made = Made::tunings_of("vsb-a", [0, 1]).converted("cf32_le");
    for sample in made.data.chunks_exact_mut(4) {
        sample.copy_from_slice(&f32::MAX.to_le_bytes());
    }
    let meta = made.write(&place, "huge");
    let command = place.run([
        "take",
        "--from",
        &meta,
        "--antenna",
        "loop",
        "--spot",
        "roof",
    ]);
    place.refused(
        1,
        command,
        &["huge.sigmf-data", "sample 0", "full scale is 1"],
    );
}

#[test]
fn files_that_are_not_there_or_no_files() {
    let place = Place::with_takes();
    let good = Made::tunings_of("vsb-a", [0, 1]);
    refuses_recording(
        &place,
        &place.named("none.sigmf-meta"),
        &["none.sigmf-meta", "no such file"],
    );
    refuses_recording(
        &place,
        &place.named("none.bin"),
        &["none.bin", "no such file"],
    );
    let meta = good.write(&place, "half");
    fs::remove_file(place.path("half.sigmf-data")).expect("removed");
    refuses_recording(&place, &meta, &["half.sigmf-data", "no such file"]);
    good.write(&place, "half");
    fs::remove_file(&meta).expect("removed");
    refuses_recording(
        &place,
        &place.named("half.sigmf-data"),
        &["half.sigmf-meta", "no such file"],
    );

    for (name, at_fault) in [
        ("folder", "folder"),
        ("folder.sigmf-meta", "folder.sigmf-meta"),
        ("data-folder.sigmf-meta", "data-folder.sigmf-data"),
    ] {
        fs::create_dir(place.path(at_fault)).expect("a folder");
        if name != at_fault {
            let meta = serde_json::to_vec(&good.meta).expect("JSON");
            fs::write(place.path(name), meta).expect("written");
        }
        refuses_recording(&place, &place.named(name), &[at_fault, "folder"]);
    }
}

#[test]
fn raw_recordings() {
    let place = Place::with_takes();
    let raw = place.named("raw.bin");
    let data = Made::tunings_of("vsb-a", [1]).data;
    fs::write(&raw, &data).expect("written");
    let take = [
        "take",
        "--from",
        &raw,
        "--antenna",
        "loop",
        "--spot",
        "roof",
    ];
    let with = |more: &[&str]| -> Vec<String> {
        take.iter().chain(more).map(ToString::to_string).collect()
    };
    for (status, more, says) in [
        (2, &[][..], &["raw.bin", "--rate", "--tuned"][..]),
        (2, &["--rate", "2.4M"], &["raw.bin", "--tuned"]),
        (2, &["--rate", "2.4M", "--tuned", "0"], &["--tuned", "0"]),
        (2, &["--rate", "0", "--tuned", "509M"], &["--rate", "0"]),
        (2, &["--rate", "NaN", "--tuned", "509M"], &["--rate", "NaN"]),
        (
            2,
            &["--rate=-2.4M", "--tuned", "509M"],
            &["--rate", "-2.4M"],
        ),
        (2, &["--rate", "inf", "--tuned", "509M"], &["--rate", "inf"]),
        (
            1,
            &["--rate", "1", "--tuned", "509M"],
            &["raw.bin", "--rate", "1 samples"],
        ),
        (
            1,
            &["--rate", "999G", "--tuned", "509M"],
            &["raw.bin", "--rate"],
        ),
        (
            1,
            &["--rate", "1e308G", "--tuned", "509M"],
            &["raw.bin", "--rate"],
        ),
        (
            1,
            &["--rate", "2.4M", "--tuned", "5"],
            &["raw.bin", "--tuned", "5 Hz"],
        ),
        (
            1,
            &["--rate", "2.4M", "--tuned", "1.5G"],
            &["raw.bin", "plan us"],
        ),
    ] {
        place.refuses(status, with(more), says);
    }
    let tuned = ["--rate", "2.4M", "--tuned", "509M"];
    fs::write(&raw, &data[1..]).expect("written");
    place.refuses(
        1,
        with(&tuned),
        &["raw.bin", "95999 bytes", "copy it again"],
    );
    fs::write(&raw, b"").expect("written");
    place.refuses(1, with(&tuned), &["raw.bin", "is empty"]);
    // SigMF says these itself.
    let meta = fixture("vsb-a");
    let arguments = [
        "take",
        "--from",
        &meta,
        "--antenna",
        "loop",
        "--spot",
        "roof",
    ];
    place.refuses(
        2,
        arguments.iter().chain(&tuned),
        &["vsb-a.sigmf-meta", "--rate"],
    );
}

#[test]
fn standard_input() {
    let place = Place::with_takes();
    let data = Made::tunings_of("vsb-a", [1]).data;
    let tuned = ["--rate", "2.4M", "--tuned", "509M"];
    for (input, says) in [
        (&[][..], &["standard input", "no samples"][..]),
        (&data[1..], &["standard input", "47999 whole ones", "even"]),
        (&data[..1], &["standard input", "even"]),
        (&data[..100], &["standard input", "50 samples", "too few"]),
    ] {
        let start = ["take", "--from", "-", "--antenna", "loop", "--spot", "roof"];
        let mut command = place.run(start.iter().chain(&tuned));
        command.write_stdin(input);
        place.refused(1, command, says);
    }
    let command = place.run(["take", "--from", "-", "--antenna", "loop", "--spot", "roof"]);
    place.refused(2, command, &["standard input", "--rate"]);
    // It can be read once only.
    let both = [
        "take",
        "--from",
        "-",
        "--terminated",
        "-",
        "--antenna",
        "loop",
        "--spot",
        "roof",
    ];
    let mut command = place.run(both.iter().chain(&tuned));
    command.write_stdin(data);
    place.refused(2, command, &["standard input"]);
}

#[test]
fn a_terminated_take_that_doesnt_fit() {
    let place = Place::with_takes();
    let good = fixture("vsb-a");
    let slower = Made::of("vsb-terminated")
        .with("/global/core:sample_rate", json!(2_000_000))
        .write(&place, "slower");
    let says = ["slower.sigmf-meta", "2000000", "2400000", "same settings"];
    place.refuses(
        1,
        [
            "take",
            "--from",
            &good,
            "--antenna",
            "loop",
            "--spot",
            "roof",
            "--terminated",
            &slower,
        ],
        &says,
    );
    place.refuses(1, ["compare", &good, &good, "--terminated", &slower], &says);
    // Sparks at full scale: no terminator's noise.
    let mut clipped = Made::of("vsb-terminated").without_hash();
    for byte in clipped.data[..2 * DWELL].iter_mut().step_by(100) {
        *byte = 255;
    }
    let clipped = clipped.write(&place, "clipped");
    place.refuses(
        1,
        ["compare", &good, &good, "--terminated", &clipped],
        &["clipped.sigmf-meta", "507 MHz"],
    );
}

/// A recording made with far too much gain.
fn overdriven(name: &str, gain: f64) -> Made {
    let mut made = Made::of(name).without_hash();
    for byte in &mut made.data {
        *byte = ((f64::from(*byte) - 127.5) * gain + 128.0) as u8;
    }
    made
}

#[test]
fn tunings_that_are_hard_overdriven_give_no_figure() {
    let place = Place::with_takes();
    // 24 % and 74 % of the values of the first tuning lie at the converter's ends.
    for gain in [6.0, 20.0] {
        let from = overdriven("vsb-a", gain).write(&place, "loud");
        let take = place.json([
            "take",
            "--from",
            &from,
            "--antenna",
            "loop",
            "--spot",
            "roof",
            "--no-log",
        ]);
        let twenty = crate::program::channel(&take, 20);
        let health = twenty["health"].as_array().expect("remarks");
        assert!(
            health.iter().any(|remark| remark["kind"] == "clipped"),
            "{twenty}"
        );
        assert!(twenty["signal_dbfs"].is_null(), "{twenty}");
    }
}
