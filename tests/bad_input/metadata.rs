//! Metadata that can't be used.

use std::fs;

use serde_json::{Value, json};

use crate::program::{Made, Place};
use crate::{refuses_recording, refuses_take};

/// Two tunings: enough of a recording.
fn small() -> Made {
    Made::tunings_of("vsb-a", [0, 1])
}

#[test]
fn metadata_that_is_no_sigmf_json() {
    let place = Place::with_takes();
    let meta = small().write(&place, "bad");
    let whole = fs::read(&meta).expect("metadata");
    for (text, says) in [
        (&b""[..], "no usable SigMF metadata"),
        (b"a shopping list", "line 1 column 1"),
        (b"[1, 2]", "no usable SigMF metadata"),
        (b"null", "no usable SigMF metadata"),
        (b"{}", "global"),
        (b"{\"global\": {}}", "core:datatype"),
        (b"{\"global\": [], \"captures\": []}", "global"),
        (b"\xff\xfe\x00{", "no usable SigMF metadata"),
        (&whole[..whole.len() / 2], "EOF"),
        (&[b'['; 100_000], "no usable SigMF metadata"),
        (
            &[&whole[..], b" and more"].concat(),
            "something after the metadata",
        ),
        (
            br#"{"global": {"core:datatype": "cu8", "core:sample_rate": NaN}, "captures": []}"#,
            "core:sample_rate",
        ),
        (
            br#"{"global": {"core:datatype": "cu8", "core:sample_rate": 1e999}, "captures": []}"#,
            "core:sample_rate",
        ),
        (
            br#"{"global": {"core:datatype": "cu8", "core:datatype": "ci8"}, "captures": []}"#,
            "duplicate",
        ),
    ] {
        fs::write(&meta, text).expect("written");
        refuses_take(&place, &meta, &["bad.sigmf-meta", says]);
    }
    refuses_recording(&place, &meta, &["bad.sigmf-meta"]);
}

#[test]
fn fields_that_cant_be() {
    let place = Place::with_takes();
    let huge = json!(1u64 << 63);
    for (pointer, value, says) in [
        (
            "/global/core:datatype",
            json!("rf32_le"),
            &["core:datatype", "rf32_le", "cu8, ci8"][..],
        ),
        (
            "/global/core:datatype",
            json!("cu8\nextra"),
            &["core:datatype"],
        ),
        ("/global/core:datatype", json!(8), &["core:datatype"]),
        (
            "/global/core:sample_rate",
            json!(0),
            &["core:sample_rate", "0 samples", "2400000"],
        ),
        (
            "/global/core:sample_rate",
            json!(-2.4e6),
            &["core:sample_rate", "-2400000"],
        ),
        (
            "/global/core:sample_rate",
            json!(1e-300),
            &["core:sample_rate"],
        ),
        (
            "/global/core:sample_rate",
            json!(1e300),
            &["core:sample_rate"],
        ),
        (
            "/global/core:sample_rate",
            json!("NaN"),
            &["core:sample_rate"],
        ),
        (
            "/global/core:sample_rate",
            json!([2.4e6]),
            &["core:sample_rate"],
        ),
        (
            "/global/core:sample_rate",
            Value::Null,
            &["core:sample_rate", "missing"],
        ),
        ("/global", json!([]), &["global"]),
        ("/captures", json!([]), &["captures", "empty"]),
        ("/captures", json!({}), &["captures"]),
        ("/captures/1", json!(7), &["captures[1]"]),
        (
            "/captures/0/core:frequency",
            json!("507 MHz"),
            &["captures[0].core:frequency"],
        ),
        (
            "/captures/0/core:frequency",
            Value::Null,
            &["captures[0].core:frequency", "missing"],
        ),
        (
            "/captures/1/core:frequency",
            json!(0),
            &["captures[1].core:frequency", "0 Hz"],
        ),
        (
            "/captures/1/core:frequency",
            json!(-507e6),
            &["captures[1].core:frequency"],
        ),
        (
            "/captures/1/core:frequency",
            json!(1e300),
            &["captures[1].core:frequency"],
        ),
        (
            "/captures/0/core:datetime",
            json!("yesterday"),
            &["captures[0].core:datetime"],
        ),
        (
            "/captures/0/core:sample_start",
            json!("0"),
            &["captures[0].core:sample_start"],
        ),
        (
            "/captures/1/core:sample_start",
            json!(-1),
            &["captures[1].core:sample_start", "-1"],
        ),
        (
            "/captures/1/core:sample_start",
            json!(0.5),
            &["captures[1].core:sample_start", "0.5"],
        ),
        (
            "/captures/1/core:sample_start",
            json!(1e30),
            &["captures[1].core:sample_start"],
        ),
        (
            "/captures/1/core:sample_start",
            huge.clone(),
            &[
                "captures[1].core:sample_start",
                "9223372036854775808",
                "beyond",
            ],
        ),
        ("/captures/0/core:sample_start", huge, &["sample_start"]),
        (
            "/captures/1/core:sample_start",
            json!(u64::MAX),
            &["captures[1].core:sample_start", "beyond"],
        ),
        (
            "/captures/1/core:sample_start",
            json!(96_000),
            &["captures[1].core:sample_start", "96000"],
        ),
        (
            "/captures/0/core:sample_start",
            json!(60_000),
            &["captures[1].core:sample_start", "order"],
        ),
        (
            "/captures/1/core:sample_start",
            json!(0),
            &["captures[1].core:sample_start", "order"],
        ),
    ] {
        let meta = small().with(pointer, value.clone()).write(&place, "bad");
        let says: Vec<&str> = ["bad.sigmf-meta"].iter().chain(says).copied().collect();
        refuses_take(&place, &meta, &says);
    }
    // Fields that the fixture doesn't have.
    for (part, name, value, says) in [
        (
            "/global",
            "core:num_channels",
            json!(2),
            &["core:num_channels", "2"][..],
        ),
        (
            "/global",
            "core:metadata_only",
            json!(true),
            &["core:metadata_only"],
        ),
        (
            "/global",
            "core:offset",
            json!(5),
            &["core:sample_start", "core:offset 5"],
        ),
        (
            "/global",
            "core:trailing_bytes",
            json!(u64::MAX),
            &["bytes"],
        ),
        (
            "/global",
            "core:dataset",
            json!("../other"),
            &["core:dataset", "without folders"],
        ),
        (
            "/global",
            "core:dataset",
            json!("/etc/passwd"),
            &["core:dataset", "without folders"],
        ),
        ("/global", "core:dataset", json!("a\u{0}b"), &["bad"]),
        (
            "/global",
            "core:dataset",
            json!("elsewhere.bin"),
            &[
                "bad.sigmf-meta",
                "core:dataset",
                "elsewhere.bin",
                "no such file",
            ],
        ),
        ("/global", "core:sha512", json!("abc"), &["core:sha512"]),
        (
            "/captures/0",
            "core:header_bytes",
            json!(1u64 << 62),
            &["header"],
        ),
        (
            "/captures/1",
            "core:header_bytes",
            json!(192_000),
            &["sample"],
        ),
        (
            "/captures/0",
            "gainsay:gain_db",
            json!("high"),
            &["captures[0].gainsay:gain_db"],
        ),
    ] {
        let mut made = small();
        made.meta.pointer_mut(part).expect("it is there")[name] = value;
        refuses_take(&place, &made.write(&place, "bad"), says);
    }
    let mut made = small();
    made.meta["captures"][1]
        .as_object_mut()
        .expect("an object")
        .remove("core:sample_start");
    refuses_recording(
        &place,
        &made.write(&place, "bad"),
        &["bad.sigmf-meta", "core:sample_start"],
    );
}

#[test]
fn tunings_outside_the_plan() {
    let place = Place::with_takes();
    let far = small()
        .with("/captures/0/core:frequency", json!(1.5e9))
        .with("/captures/1/core:frequency", json!(1.502e9))
        .write(&place, "far");
    refuses_take(
        &place,
        &far,
        &["far.sigmf-meta", "1498.8–1503.2 MHz", "plan us", "--plan"],
    );
    place.refuses(1, ["compare", &far, &far], &["far.sigmf-meta", "plan us"]);
    // Within the plan, but not within what was asked for.
    let near = small().write(&place, "near");
    place.refuses(
        1,
        [
            "take",
            "--from",
            &near,
            "--antenna",
            "loop",
            "--spot",
            "roof",
            "--channels",
            "30-36",
        ],
        &["near.sigmf-meta", "--channels"],
    );
}

#[test]
fn a_message_stays_on_one_line_whatever_the_names() {
    let place = Place::with_takes();
    let meta = small()
        .with("/global/core:sample_rate", json!(0))
        .write(&place, "two\nlines");
    refuses_take(&place, &meta, &["core:sample_rate"]);
    place.refuses(1, ["compare", "no\nsuch\u{1b}[2J", "ears"], &["such"]);
    let odd = ["channels", "--plan", "us\u{7}\n"];
    place.refuses(2, odd, &["channel plan"]);
}
