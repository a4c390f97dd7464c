//! A television's scan count against the measurement: what is expected, what hangs on the brink, when it is no count of channels.

mod takes;

use gainsay::channels::ChannelId;
use gainsay::compare::{Options, compare, compare_scans};
use gainsay::reading::scan::{SETS_DIFFER_DB, ScanAgreement, scan_check};
use gainsay::reading::{Identity, Reading, Take};
use takes::{NOISE, THRESHOLD_DB, ratio, reading, take};

/// Channels 20, 21 … with these margins in dB; nothing at all where there is none.
fn with_margins(margins: &[Option<f64>], count: Option<u32>) -> Take {
    let readings: Vec<Reading> = (margins.iter().enumerate())
        .map(|(place, margin)| {
            let cn_db = margin.map_or(-60.0, |margin| THRESHOLD_DB + margin);
            reading(20 + place as u16, NOISE * (1.0 + ratio(cn_db)), NOISE, 0.0)
        })
        .collect();
    let mut take = take("loop", 0.0, readings);
    take.scan_count = count;
    take
}

/// Two firm, one on the brink, one 1 dB and one 12 dB below, one empty.
const MARGINS: [Option<f64>; 6] = [
    Some(10.0),
    Some(6.0),
    Some(1.5),
    Some(-1.0),
    Some(-12.0),
    None,
];

#[test]
fn firm_ones_are_sure_and_the_brink_is_possible() {
    let check = scan_check(&[with_margins(&MARGINS, Some(3))]).expect("a count");
    assert_eq!(
        (check.surely, check.possibly, check.shown, check.measured),
        (2, 3, 5, 6)
    );
    assert_eq!(check.agreement, ScanAgreement::Agrees);
    assert_eq!(check.doubtful.len(), 1);
    assert_eq!(check.doubtful[0].channel, ChannelId::Number(22));
    // Φ(margin/σ) with σ of the sets, by erfc (scipy.stats.norm.cdf: 0.99999999999, 0.99996833, 0.84134475, 0.25249254,
    // 6e-16); the takes' own uncertainty of 0.02 dB changes the fourth digit.
    let expected = 0.999968 + 1.0 + 0.841345 + 0.252493;
    assert_eq!(SETS_DIFFER_DB, 1.5);
    assert!(
        (check.expected - expected).abs() < 2e-3,
        "{}",
        check.expected
    );
    let said = check.sentences.join(" ");
    for words in [
        "found 3",
        "2 to 3 of 6 channels",
        "channel 22 (1.5 dB above its threshold",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
}

#[test]
fn counts_outside_say_which_way_and_why() {
    let check = |count| scan_check(&[with_margins(&MARGINS, Some(count))]).expect("a count");
    for (count, agreement, words) in [
        (1, ScanAgreement::Fewer, "fewer than the 2 firm ones"),
        (2, ScanAgreement::Agrees, "programmes it says nothing"),
        (4, ScanAgreement::More, "more than that"),
        (5, ScanAgreement::More, "5 channels that show a signal"),
        (
            31,
            ScanAgreement::NoChannels,
            "(10.3 to 15.5 a channel would make 31)",
        ),
    ] {
        let check = check(count);
        assert_eq!(check.agreement, agreement, "{count}");
        let said = check.sentences.join(" ");
        assert!(said.contains(words), "{words}: {said}");
    }
    assert!(scan_check(&[with_margins(&MARGINS, None)]).is_none());
    assert!(scan_check(&[]).is_none());
}

#[test]
fn nothing_measured_is_no_division_by_nothing() {
    let silent = scan_check(&[with_margins(&[None, None], Some(7))]).expect("a count");
    assert_eq!((silent.surely, silent.possibly, silent.shown), (0, 0, 0));
    assert_eq!(silent.agreement, ScanAgreement::NoChannels);
    assert!(
        silent
            .sentences
            .iter()
            .all(|said| !said.contains("inf") && !said.contains("NaN"))
    );
    assert_eq!(
        scan_check(&[with_margins(&[None], Some(0))])
            .expect("a count")
            .agreement,
        ScanAgreement::Agrees
    );
    assert_eq!(
        scan_check(&[with_margins(&[], Some(2))])
            .expect("a count")
            .measured,
        0
    );
}

#[test]
fn several_takes_make_one_margin_and_what_is_no_television_is_not_counted() {
    let mut takes: Vec<Take> = [2.0, 2.6, 5.2]
        .iter()
        .map(|&margin| with_margins(&[Some(margin), Some(20.0)], None))
        .collect();
    takes[1].scan_count = Some(2);
    let check = scan_check(&takes).expect("a count");
    // Mean (2.0 + 2.6 + 5.2)/3 = 3.27: firm, whatever one take says.
    assert_eq!((check.surely, check.possibly), (2, 2));
    for take in &mut takes {
        take.readings[1].identity = Some(Identity::Unidentified);
    }
    let check = scan_check(&takes).expect("a count");
    assert_eq!((check.surely, check.shown), (1, 1));
    // Television without a threshold may be in it or not.
    for take in &mut takes {
        take.readings[1].identity = Some(Identity::Vsb8);
        take.readings[1].threshold_db = None;
        take.readings[1].state = None;
    }
    let check = scan_check(&takes).expect("a count");
    assert_eq!((check.surely, check.possibly), (1, 2));
    assert!(
        check
            .sentences
            .join(" ")
            .contains("channel 21 (no threshold to judge by)")
    );
}

#[test]
fn two_counts_stand_beside_the_comparison() {
    let a = with_margins(&[Some(10.0), Some(2.0), Some(-0.5), None], Some(31));
    let mut b = with_margins(&[Some(8.0), Some(-2.0), Some(-6.0), None], Some(29));
    (b.antenna, b.taken_at) = ("ears".to_owned(), a.taken_at);
    let [a, b] = [[a], [b]];
    let comparison = compare(&a, &b, &Options::default()).expect("comparable");
    let scans = compare_scans(&a, &b, &comparison).expect("counts");
    assert_eq!(scans.only_a, [ChannelId::Number(21)]);
    assert!(scans.only_b.is_empty());
    let said = scans.sentences.join(" ");
    for words in [
        "found 31 with loop and 29 with ears: by the count loop is ahead by 2, 7 %",
        "loop 1 firm and 1 on the brink, ears 1 firm and 0 on the brink",
        "Only loop brings 21 above the threshold",
        "programmes",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
    // One count alone is held against its own antenna.
    let mut without = b.clone();
    without[0].scan_count = None;
    let one = compare_scans(&a, &without, &comparison).expect("a count");
    assert!(one.b.is_none() && one.sentences.iter().all(|said| said.starts_with("loop: ")));
    let mut neither = a.clone();
    neither[0].scan_count = None;
    assert!(compare_scans(&neither, &without, &comparison).is_none());
}
