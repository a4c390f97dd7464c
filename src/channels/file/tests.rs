//! What a plan's file may and may not hold, and how a fault is told.

use proptest::prelude::*;

use super::*;

const GOOD: &str =
    "[[band]]\nfirst = 21\nlast = 23\nlow_mhz = 470\nwidth_mhz = 8\nstandards = [\"dvb-t\"]\n";

fn problem(text: &str) -> String {
    match Plan::parse("my.toml", text) {
        Ok(plan) => panic!("{text:?} gave {plan:?}"),
        Err(error) => error.to_string(),
    }
}

/// The good file with one thing changed.
fn with(old: &str, new: &str) -> String {
    assert!(GOOD.contains(old));
    GOOD.replace(old, new)
}

#[test]
fn a_short_file_is_enough() {
    let plan = Plan::parse("folder/my.toml", GOOD).unwrap();
    assert_eq!(
        (plan.name.as_str(), plan.title.as_str()),
        ("my.toml", "my.toml")
    );
    assert_eq!(plan.source, "a user's own file");
    let edges: Vec<(f64, f64)> = plan.channels.iter().map(|c| (c.low.0, c.high.0)).collect();
    assert_eq!(edges, [(470e6, 478e6), (478e6, 486e6), (486e6, 494e6)]);
    assert!(
        plan.channels
            .iter()
            .all(|c| c.standards == [Standard::DvbT] && c.note.is_none())
    );
}

#[test]
fn carriage_returns_and_a_byte_order_mark_do_no_harm() {
    let text = format!("\u{feff}{}", GOOD.replace('\n', "\r\n"));
    assert_eq!(Plan::parse("my.toml", &text).unwrap().channels.len(), 3);
}

#[test]
fn bands_in_any_order_give_channels_ascending_with_their_notes() {
    let text = r#"
        title = "The valley"
        [[band]]
        first = 28
        last = 29
        low_mhz = 526.125
        width_mhz = 7
        standards = ["DVB-T2", "dvbt"]
        notes = { 29 = "weak" }
        [[band]]
        width_mhz = 7
        standards = ["8-vsb"]
        channels = [{ name = "9a", low_mhz = 202 }, { name = 6, low_mhz = 174, width_mhz = 6.5, note = "old" }]
    "#;
    let plan = Plan::parse("my.toml", text).unwrap();
    let rows: Vec<_> = plan
        .channels
        .iter()
        .map(|c| {
            (
                c.id.to_string(),
                c.low.0,
                c.high.0,
                c.standards[0],
                c.note.clone().unwrap_or_default(),
            )
        })
        .collect();
    assert_eq!(
        rows,
        [
            ("6".into(), 174e6, 180.5e6, Standard::Vsb8, "old".into()),
            ("9a".into(), 202e6, 209e6, Standard::Vsb8, "".into()),
            (
                "28".into(),
                526.125e6,
                533.125e6,
                Standard::DvbT2,
                "".into()
            ),
            (
                "29".into(),
                533.125e6,
                540.125e6,
                Standard::DvbT2,
                "weak".into()
            ),
        ]
    );
}

#[test]
fn channels_that_touch_do_not_overlap_for_rounding() {
    // 0.1 and 6.1 have no exact binary form: 470.1 + 2 × 6.1 and 482.3 differ in the last bits.
    let text = "[[band]]\nfirst = 1\nlast = 2\nlow_mhz = 470.1\nwidth_mhz = 6.1\nstandards = [\"8vsb\"]\n\
                [[band]]\nfirst = 3\nlast = 90\nlow_mhz = 482.3\nwidth_mhz = 6.1\nstandards = [\"8vsb\"]\n";
    let plan = Plan::parse("my.toml", text).unwrap();
    assert!(
        plan.channels
            .windows(2)
            .all(|pair| pair[0].high == pair[1].low)
    );
}

#[test]
fn each_fault_names_the_file_the_field_and_the_value() {
    let row = "band 1 (channels 21-23)";
    let cases = [
        (
            String::new(),
            "my.toml: there are no channels: add a [[band]]".to_owned(),
        ),
        (
            with("= 8", "= 0"),
            format!("my.toml: {row}: channel 21: width_mhz = 0 must lie between 0.001 and 100"),
        ),
        (
            with("= 8", "= -8"),
            format!("my.toml: {row}: channel 21: width_mhz = -8 must lie between 0.001 and 100"),
        ),
        (
            with("= 8", "= nan"),
            format!("my.toml: {row}: channel 21: width_mhz = NaN must lie between 0.001 and 100"),
        ),
        (
            with("= 8", "= inf"),
            format!("my.toml: {row}: channel 21: width_mhz = inf must lie between 0.001 and 100"),
        ),
        (
            with("470", "-inf"),
            format!(
                "my.toml: {row}: channel 21: a lower edge of -inf MHz must lie above 0, and the upper edge not above \
                 10000 MHz"
            ),
        ),
        (
            with("470", "470_000_000"),
            format!(
                "my.toml: {row}: channel 21: a lower edge of 470000000 MHz must lie above 0, and the upper edge not \
                 above 10000 MHz"
            ),
        ),
        (
            with("last = 23", "last = 20"),
            "my.toml: band 1 (channels 21-20): first = 21 is above last = 20".to_owned(),
        ),
        (
            with("last = 23", "last = 65535"),
            "my.toml: band 1 (channels 21-65535): that makes 65515 channels: 1000 is the most"
                .to_owned(),
        ),
        (
            with("low_mhz = 470\n", ""),
            format!(
                "my.toml: {row}: low_mhz is missing: give first, last, low_mhz and width_mhz, or channels"
            ),
        ),
        (
            with("dvb-t", "dvb-x"),
            format!(
                "my.toml: {row}: standards: no standard is called \"dvb-x\": there are 8vsb, atsc3, dvb-t, dvb-t2, isdb-t"
            ),
        ),
        (
            with("[\"dvb-t\"]", "[]"),
            format!(
                "my.toml: {row}: standards is empty: give one at least, the one to assume first"
            ),
        ),
        (
            with("[\"dvb-t\"]", "[\"dvb-t\", \"DVBT\"]"),
            format!("my.toml: {row}: standards: DVBT is there twice"),
        ),
        (
            format!("{GOOD}notes = {{ 24 = \"weak\" }}\n"),
            format!("my.toml: {row}: there is a note on channel \"24\", which is not in this band"),
        ),
        (
            format!("title = \"a\\nb\"\n{GOOD}"),
            "my.toml: title = \"a\\nb\": must be one line of 1 to 1000 characters".to_owned(),
        ),
        (
            format!("{GOOD}{}", with("470", "600")),
            "my.toml: channel 21 is there twice: names must differ, and not by case alone"
                .to_owned(),
        ),
        (
            format!(
                "{GOOD}{}",
                GOOD.replace("21", "31")
                    .replace("23", "33")
                    .replace("470", "486")
            ),
            "my.toml: channel 23 (486 to 494 MHz) and channel 31 (486 to 494 MHz) overlap"
                .to_owned(),
        ),
    ];
    for (text, expected) in cases {
        assert_eq!(problem(&text), expected);
    }
}

#[test]
fn faults_of_toml_and_of_types_name_the_line_and_show_it() {
    let cases = [
        (
            with("= 8", "= \"six\""),
            "my.toml: line 5 (`width_mhz = \"six\"`): ",
            "string \"six\"",
        ),
        (
            with("width_mhz", "widht_mhz"),
            "my.toml: line 5 (`widht_mhz = 8`): ",
            "unknown field `widht_mhz`",
        ),
        (
            with("first = 21", "first = -1"),
            "my.toml: line 2 (`first = -1`): ",
            "-1",
        ),
        (with("= 8", "= "), "my.toml: line 5 (`width_mhz =`): ", ""),
        (
            with("standards", "# standards"),
            "my.toml: line 1 (`[[band]]`): ",
            "missing field `standards`",
        ),
        (
            with("[[band]]", "[[bands]]"),
            "my.toml: line 1 (`[[bands]]`): ",
            "unknown field `bands`",
        ),
        (
            format!("{GOOD}last = 24\n"),
            "my.toml: line 7 (`last = 24`): ",
            "duplicate key",
        ),
    ];
    for (text, start, inside) in cases {
        let problem = problem(&text);
        assert!(
            problem.starts_with(start) && problem.contains(inside),
            "{problem}"
        );
        assert!(!problem.contains('\n'), "{problem:?}");
    }
}

#[test]
fn faults_of_listed_channels_name_the_channel() {
    let listed = |list: &str| format!("[[band]]\nstandards = [\"dvb-t\"]\nchannels = [{list}]\n");
    let cases = [
        ("", "my.toml: band 1: channels is empty"),
        (
            "{ name = 6, low_mhz = 174 }",
            "my.toml: band 1: channel 6: width_mhz is missing",
        ),
        (
            "{ name = \"9 A\", low_mhz = 202, width_mhz = 7 }",
            "my.toml: band 1: name = \"9 A\": a channel's name is of 1 to 12 letters, digits or points",
        ),
        (
            "{ name = -6, low_mhz = 202, width_mhz = 7 }",
            "my.toml: band 1: name = \"-6\": a channel's name is of 1 to 12 letters, digits or points",
        ),
        (
            "{ name = 70000, low_mhz = 202, width_mhz = 7 }",
            "my.toml: band 1: name = 70000: a channel's number is at most 65535",
        ),
        (
            "{ name = \"9A\", low_mhz = 202, width_mhz = 7 }, { name = \"9a\", low_mhz = 209, width_mhz = 7 }",
            "my.toml: channel 9a is there twice: names must differ, and not by case alone",
        ),
    ];
    for (list, expected) in cases {
        assert_eq!(problem(&listed(list)), expected);
    }
    let problem = problem(&listed("{ name = 6.5, low_mhz = 174 }"));
    assert!(
        problem.ends_with("expected a channel's number, or its name in quotes"),
        "{problem}"
    );
    let both = format!("{GOOD}channels = []\n");
    assert_eq!(
        self::problem(&both),
        "my.toml: band 1 (channels 21-23): give either channels, or first, last and low_mhz, not both"
    );
}

#[test]
fn a_file_that_cannot_be_read_is_told_by_its_path() {
    let folder = tempfile::tempdir().unwrap();
    let told = |name: &str| {
        let path = folder.path().join(name);
        let error = Plan::find(path.to_str().unwrap()).unwrap_err().to_string();
        let start = format!("{}: ", path.display());
        error
            .strip_prefix(&start)
            .unwrap_or_else(|| panic!("{error}"))
            .to_owned()
    };
    assert_eq!(told("none.toml"), "there is no such file");
    std::fs::create_dir(folder.path().join("folder.toml")).unwrap();
    assert_eq!(
        told("folder.toml"),
        "this is a folder, not a channel plan's file"
    );
    std::fs::write(folder.path().join("latin.toml"), b"title = \"\xe9\"").unwrap();
    assert_eq!(
        told("latin.toml"),
        "the file is not UTF-8 (byte 9): save it as UTF-8"
    );
    std::fs::write(
        folder.path().join("large.toml"),
        vec![b'#'; (MOST_BYTES + 1) as usize],
    )
    .unwrap();
    assert_eq!(
        told("large.toml"),
        "the file is larger than 1 MiB: that is no channel plan"
    );
    std::fs::write(folder.path().join("good.TOML"), GOOD).unwrap();
    let plan = Plan::find(folder.path().join("good.TOML").to_str().unwrap()).unwrap();
    assert_eq!((plan.name.as_str(), plan.channels.len()), ("good.TOML", 3));
}

#[test]
fn deep_nesting_and_long_lines_end_in_one_short_line() {
    for text in [
        "[".repeat(100_000),
        format!("title = {}", "[".repeat(100_000)),
        "x".repeat(100_000),
    ] {
        let problem = problem(&text);
        assert!(problem.len() < 500 && !problem.contains('\n'), "{problem}");
    }
}

/// Values that a field may be given by mistake.
fn value() -> impl Strategy<Value = String> {
    prop_oneof![
        any::<f64>().prop_map(|x| format!("{x:?}").replace("NaN", "nan")),
        any::<i64>().prop_map(|x| x.to_string()),
        (0u32..700).prop_map(|x| x.to_string()),
        Just("[]".to_owned()),
        Just("\"x\"".to_owned()),
        Just("{ name = 6, low_mhz = 1 }".to_owned()),
    ]
}

fn check(text: &str) -> Result<(), TestCaseError> {
    match Plan::parse("my.toml", text) {
        Ok(plan) => {
            prop_assert!(!plan.channels.is_empty() && plan.channels.len() <= MOST_CHANNELS);
            prop_assert!(
                plan.channels
                    .iter()
                    .all(|c| c.low.0 > 0.0 && c.low < c.high && c.high.0.is_finite())
            );
            prop_assert!(
                plan.channels
                    .windows(2)
                    .all(|pair| pair[0].high <= pair[1].low)
            );
        }
        Err(error) => prop_assert!(!error.to_string().contains('\n'), "{}", error),
    }
    Ok(())
}

proptest! {
    #[test]
    fn arbitrary_text_never_panics(text in any::<String>()) {
        check(&text)?;
    }

    #[test]
    fn arbitrary_text_in_a_good_file_never_panics(at in 0..GOOD.len(), text in "\\PC{0,8}|[\\[\\]\"'=\\n0-9a-f.]{1,8}") {
        check(&format!("{}{text}{}", &GOOD[..at], &GOOD[at..]))?;
    }

    #[test]
    fn arbitrary_values_give_a_sound_plan_or_a_message(first in value(), last in value(), low in value(), width in value(), name in value()) {
        check(&format!("[[band]]\nfirst = {first}\nlast = {last}\nlow_mhz = {low}\nwidth_mhz = {width}\nstandards = [\"dvb-t\"]\n"))?;
        check(&format!("[[band]]\nstandards = [\"dvb-t\"]\nwidth_mhz = {width}\nchannels = [{{ name = {name}, low_mhz = {low} }}, {{ name = {first}, low_mhz = {last} }}]\n"))?;
    }
}
