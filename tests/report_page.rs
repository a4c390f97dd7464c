//! What a report says and how it is built, read from the finished document.
//!
//! Validity, contrast and layout are checked in a browser: `tests/page/`.

mod takes;

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use gainsay::compare::{Against, Comparison, Options, compare, compare_many};
use gainsay::logbook::{Filter, Logbook};
use gainsay::reading::{Reading, Take, Trace};
use gainsay::report::{Block, Content, Section, html, markdown, write_html, write_markdown};
use takes::{NOISE, ratio, reading, take, trial};

fn content_of(takes_a: Vec<Take>, takes_b: Vec<Take>) -> Content {
    let comparison = compare(&takes_a, &takes_b, &Options::default()).expect("comparable");
    let made_at = "2026-05-10T08:30:00Z".parse().expect("a time");
    Content::of_two(comparison, takes_a, takes_b, made_at)
}

fn comparison(content: &Content) -> &Comparison {
    &content.compared[0].comparison
}

/// Four blocks over four channels: A 3 dB ahead, drifting, channel by channel closer to noise.
fn content() -> Content {
    let (a, b) = trial("ABBABAABABBABAAB", 4, |antenna, minute, channel| {
        let ahead = if antenna == 'A' { 3.0 } else { 0.0 };
        20.0 - 4.0 * f64::from(channel - 20) + ahead + 0.02 * minute * (1.0 + (minute * 1.7).sin())
    });
    content_of(a, b)
}

/// One take each: a channel with both, one with A alone, one with neither, one that only A covers.
fn weak() -> Content {
    let readings = |cn: [Option<f64>; 3]| -> Vec<Reading> {
        (20..)
            .zip(cn)
            .map(|(channel, cn)| {
                reading(channel, NOISE * (1.0 + cn.map_or(0.0, ratio)), NOISE, 0.0)
            })
            .collect()
    };
    let a = take("tape loop", 0.0, readings([Some(20.0), Some(12.0), None]));
    let mut b = take("rabbit ears", 1.0, readings([Some(18.0), None, None]));
    let mut a = [a];
    a[0].readings.push(reading(40, 2.0 * NOISE, NOISE, 0.0));
    b.note = "first try".to_owned();
    content_of(a.to_vec(), vec![b])
}

/// The tags of a document in order, without their attributes.
fn tags(document: &str) -> Vec<&str> {
    document
        .split('<')
        .skip(1)
        .map(|tag| {
            tag.split(|c: char| c.is_whitespace() || c == '>')
                .next()
                .unwrap_or_default()
        })
        .collect()
}

/// What stands between two marks, each time they come.
fn between<'d>(document: &'d str, from: &str, to: &str) -> Vec<&'d str> {
    let pieces = document.split(from).skip(1);
    pieces
        .filter_map(|piece| piece.split_once(to).map(|(inside, _)| inside))
        .collect()
}

/// The document's text without tags, entities read.
fn words(document: &str) -> String {
    let body = document.split_once("<body>").expect("a body").1;
    let mut text = String::new();
    for piece in body.split('<').skip(1) {
        text += piece.split_once('>').map_or("", |(_, after)| after);
        text.push(' ');
    }
    let text = text
        .replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&quot;", "\"")
        .replace("&amp;", "&");
    text.replace('\u{a0}', " ")
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
}

fn csv_of(document: &str) -> Vec<u8> {
    let data = between(document, "href=\"data:text/csv;charset=utf-8;base64,", "\"");
    assert_eq!(data.len(), 1, "one file to download");
    STANDARD.decode(data[0]).expect("base64")
}

#[test]
fn what_was_compared_comes_first_then_the_answer_and_all_the_rest_in_order() {
    let document = html(&content()).expect("a report");
    assert_eq!(
        between(&document, "<section id=\"", "\""),
        [
            "what",
            "answer",
            "plots",
            "channels",
            "uncertainty",
            "method",
            "data",
            "cautions",
            "about"
        ]
    );
    assert!(document.starts_with("<!DOCTYPE html><html lang=\"en\">"));
    let headings: Vec<u8> = (tags(&document).into_iter())
        .filter(|tag| tag.len() == 2 && tag.starts_with('h') && tag.as_bytes()[1].is_ascii_digit())
        .map(|tag| tag.as_bytes()[1] - b'0')
        .collect();
    assert_eq!(headings.iter().filter(|&&level| level == 1).count(), 1);
    assert!(
        headings.windows(2).all(|pair| pair[1] <= pair[0] + 1),
        "{headings:?}"
    );
}

#[test]
fn the_report_says_what_where_when_with_what_and_how_many() {
    let mut content = content();
    content.by = Some("J. Doe".to_owned());
    content.title = Some("Loop or ears?".to_owned());
    let said = words(&html(&content).expect("a report"));
    for words in [
        "Loop or ears?",
        "Antenna A tape loop",
        "Antenna B rabbit ears",
        "Spot north window",
        "When 1 May 2024, 12:00 to 12:15 UTC",
        "Measured by J. Doe",
        "8 takes of A and 8 of B, in 4 blocks of four in turn",
        "4 channels of the plan United States (us), 506 to 530 MHz",
        "2.4 million samples a second, 20 ms on each tuning",
        "measured with a terminator in the antenna's place (terminator)",
        "Made with gainsay",
        "10 May 2026, 08:30 UTC",
        "½ (A₁ − B₁ − B₂ + A₂)",
        "15.2 dB for 8-VSB",
    ] {
        assert!(said.contains(words), "{words:?} is not in: {said}");
    }
}

#[test]
fn every_difference_interval_level_and_verdict_stands_in_a_table() {
    let content = content();
    let said = words(&html(&content).expect("a report"));
    let signed = |db: f64, digits: usize| format!("{db:+.digits$}").replace('-', "−");
    for one in &comparison(&content).channels {
        let (difference, low, high) = (
            one.difference_db.unwrap(),
            one.low_db.unwrap(),
            one.high_db.unwrap(),
        );
        let digits = if high - low < 0.19 { 2 } else { 1 };
        let row = format!(
            "{} {}–{} {} {} … {} {}",
            one.channel,
            one.low_hz / 1e6,
            one.high_hz / 1e6,
            signed(difference, digits),
            signed(low, digits),
            signed(high, digits),
            "A better"
        );
        assert!(said.contains(&row), "{row:?} is not in: {said}");
        let levels = format!(
            "{} {:.1} {:.1} {:.1}",
            one.a.state.unwrap().word(),
            one.a.signal_dbfs.unwrap(),
            one.a.cn_db.unwrap(),
            one.a.margin_db.unwrap()
        );
        assert!(
            said.contains(&levels.replace('-', "−")),
            "{levels:?} is not in: {said}"
        );
    }
    for sentence in &comparison(&content).meaning {
        assert!(said.contains(sentence.as_str()), "{sentence}");
    }
}

#[test]
fn bounds_reasons_and_what_makes_a_comparison_weak_are_not_lost() {
    let mut content = weak();
    content.remarks.push(
        "2 take(s) of tape loop are in the logbook more than once; each counts once.".to_owned(),
    );
    let comparison = comparison(&content).clone();
    let said = words(&html(&content).expect("a report"));
    for remark in comparison.remarks.iter().chain(&content.remarks) {
        assert!(said.contains(remark.as_str()), "{remark}");
    }
    assert!(comparison.remarks[0].starts_with("weak:"));
    assert!(said.contains("no repeat") && said.contains("assumed: no repeat shows it"));
    let bound = comparison.channels[1].low_db.expect("a bound");
    assert!(comparison.channels[1].difference_db.is_none());
    assert!(
        said.contains(&format!("at least +{:.1}", (bound * 10.0).floor() / 10.0)),
        "{said}"
    );
    assert!(said.contains("Left out here: channel 22, on which neither antenna shows a signal."));
    let reason = comparison.channels[3].reason.clone().expect("a reason");
    assert!(
        said.contains(&format!("Channel 40 can't be compared: {reason}.")),
        "{said}"
    );
    assert!(said.contains("first try"), "a take's note");
}

#[test]
fn what_was_invented_or_simulated_says_so_above_everything_else() {
    let banner = |change: fn(&mut Take)| {
        let mut content = content();
        change(&mut content.takes[1][3]);
        let document = html(&content).expect("a report");
        let post = markdown(&content, "x").expect("a post").text;
        let at = document.find("Invented data");
        assert_eq!(at.is_some(), post.contains("Invented data"));
        assert!(at.is_none_or(|at| at < document.find("<h1>").expect("a title")));
        at.is_some()
    };
    assert!(!banner(|_| ()));
    assert!(banner(
        |take| take.source = "demo-data/scene.toml".to_owned()
    ));
    assert!(banner(|take| take.note = "demo: invented".to_owned()));
    assert!(banner(|take| take.source = "Simulated receiver".to_owned()));
}

/// Names that would break a page.
const HOSTILE: [&str; 5] = [
    "<b>&\"'",
    "</title><script>alert(1)</script>",
    "two\nlines\tand\u{0}\u{7}bells",
    "אנטנה \u{202e}12 dB",
    "a|b `c` [d](e) <!-- f",
];

#[test]
fn text_from_users_never_becomes_markup() {
    let renamed = |name: &str| {
        let (mut a, mut b) = trial(
            "ABBA",
            2,
            |antenna, _, _| if antenna == 'A' { 20.0 } else { 15.0 },
        );
        for take in &mut a {
            take.antenna = name.to_owned();
            take.note = name.to_owned();
        }
        for take in a.iter_mut().chain(&mut b) {
            take.spot = name.to_owned();
            take.source = name.to_owned();
            take.terminated = Some(name.to_owned());
        }
        let mut content = content_of(a, b);
        content.title = Some(name.to_owned());
        content.by = Some(name.to_owned());
        content.remarks.push(name.to_owned());
        content
    };
    // Long names are wrapped in the figures: as many lines as they need.
    let structure = |document: &str| -> Vec<String> {
        let tags = tags(document).into_iter();
        tags.filter(|tag| !tag.ends_with("text"))
            .map(str::to_owned)
            .collect()
    };
    let plain = html(&renamed("plain")).expect("a report");
    for name in HOSTILE {
        let document = html(&renamed(name)).expect("a report");
        assert!(
            structure(&document) == structure(&plain),
            "{name:?} changed the structure"
        );
        assert!(
            !document.contains(|c: char| c.is_control() && c != '\n'),
            "{name:?}"
        );
        assert!(
            !document.contains('\u{202e}'),
            "nothing turns the direction of writing"
        );
        let shown = name
            .split_whitespace()
            .next()
            .expect("a word")
            .replace(char::is_control, "");
        assert!(words(&document).contains(&shown), "{shown:?} is shown");
        assert!(!document.contains("<script"));
    }
    let document = html(&renamed(HOSTILE[3])).expect("a report");
    assert!(
        document.contains("\u{2068}אנטנה 12 dB\u{2069}"),
        "set apart from the words around it"
    );
}

#[test]
fn nothing_is_asked_of_the_network_and_every_reference_within_holds() {
    let mut content = content();
    let trace = Trace {
        first_hz: 506e6,
        step_hz: 1e5,
        dbfs_per_mhz: (0..240).map(|n| Some(-40.0 + (n % 7) as f32)).collect(),
    };
    let line = |name| gainsay::draw::Line {
        name,
        trace: &trace,
    };
    let bands = [gainsay::draw::Band {
        label: "20".into(),
        low_hz: 506e6,
        high_hz: 512e6,
    }];
    content.compared[0].spectrum =
        Some(gainsay::draw::spectrum(line("a"), Some(line("b")), None, &bands).expect("a figure"));
    let document = html(&content).expect("a report");
    for (from, to) in [("href=\"", "\""), ("src=\"", "\""), ("url(", ")")] {
        for address in between(&document, from, to) {
            assert!(
                address.starts_with('#') || address.starts_with("data:"),
                "{address}"
            );
        }
    }
    for word in ["<script", "@import", "javascript:", " onload", " onclick"] {
        assert!(!document.contains(word), "{word}");
    }
    assert!(document.contains("content=\"default-src 'none'; style-src 'unsafe-inline';"));
    let ids = between(&document, " id=\"", "\"");
    let known: BTreeSet<&str> = ids.iter().copied().collect();
    assert_eq!(known.len(), ids.len(), "no id comes twice");
    let referred = ["href=\"#", "aria-labelledby=\"", "aria-describedby=\""];
    for name in referred
        .into_iter()
        .flat_map(|from| between(&document, from, "\""))
    {
        assert!(known.contains(name), "{name} is nowhere");
    }
    // Each figure is one picture with a name and a description, and its numbers are linked.
    assert_eq!(document.matches("role=\"img\"").count(), 2);
    assert_eq!(document.matches("<desc id=").count(), 2);
    assert_eq!(
        document
            .matches("Its numbers: <a href=\"#channels\">")
            .count(),
        2
    );
    assert_eq!(
        document.matches("@font-face").count(),
        2,
        "the fonts stand once, in two weights"
    );
}

#[test]
fn the_same_content_gives_the_same_bytes() {
    assert_eq!(
        html(&content()).expect("a report"),
        html(&content()).expect("a report")
    );
    assert_eq!(
        markdown(&content(), "x").expect("a post"),
        markdown(&content(), "x").expect("a post")
    );
    let mut later = content();
    later.made_at = "2027-01-01T00:00:00Z".parse().expect("a time");
    assert_ne!(
        html(&content()).expect("a report"),
        html(&later).expect("a report")
    );
}

#[test]
fn the_takes_come_back_from_the_page_and_compare_the_same() {
    let content = content();
    let document = html(&content).expect("a report");
    let bytes = csv_of(&document);
    let size = format!("gainsay-takes.csv, {} kB", bytes.len().div_ceil(1000));
    assert!(words(&document).contains(&size), "{size}");
    let folder = tempfile::tempdir().expect("a folder");
    let mut logbook = Logbook::open(&folder.path().join("other.sqlite")).expect("a logbook");
    let imported = logbook
        .import_csv("gainsay-takes.csv", bytes.as_slice())
        .expect("imported");
    assert_eq!(imported.new, 16);
    let of = |antenna: &str| {
        logbook
            .load(&Filter {
                antenna: Some(antenna.into()),
                spot: Some("north window".into()),
                deleted: false,
            })
            .expect("takes")
    };
    let again: Comparison =
        compare(&of("tape loop"), &of("rabbit ears"), &Options::default()).expect("comparable");
    assert_eq!(&again, comparison(&content));
}

#[test]
fn the_budget_shows_a_typical_and_the_widest_channel_and_folds_the_others() {
    let content = content();
    let mut widths: Vec<(f64, String)> = (comparison(&content).channels.iter())
        .map(|one| {
            (
                one.standard_uncertainty_db.unwrap(),
                one.channel.to_string(),
            )
        })
        .collect();
    widths.sort_by(|one, other| one.0.total_cmp(&other.0));
    let sections = content.sections().expect("sections");
    let budget = sections
        .iter()
        .find(|section| section.id == "uncertainty")
        .expect("a budget");
    let headings: Vec<&str> = (budget.blocks.iter())
        .filter_map(|block| match block {
            Block::Heading(text) => Some(text.as_str()),
            _ => None,
        })
        .collect();
    let wanted = [
        format!("A typical channel: {}", widths[1].1),
        format!("The widest interval: channel {}", widths[3].1),
    ];
    assert_eq!(headings, wanted);
    let folded: Vec<&Block> = (budget.blocks.iter())
        .flat_map(|block| match block {
            Block::Folded(_, blocks) => blocks.iter().collect(),
            _ => Vec::new(),
        })
        .filter(|block| matches!(block, Block::Table(_)))
        .collect();
    assert_eq!(folded.len(), 2);
    // Each row of each budget is there, its contribution the product of the two columns before it.
    let one = &comparison(&content).channels[0];
    let said = words(&html(&content).expect("a report"));
    for row in &one.budget {
        let contribution = format!("{:.3}", row.sensitivity.abs() * row.standard_uncertainty_db);
        assert!(
            said.contains(&row.source) && said.contains(&contribution),
            "{row:?}"
        );
    }
}

#[test]
fn further_sections_stand_after_the_tables_and_in_the_post_too() {
    let mut content = content();
    content.further.push(Section::new(
        "spots",
        "Where to put it",
        vec![Block::Text("By the window.".to_owned())],
    ));
    let document = html(&content).expect("a report");
    let order = between(&document, "<section id=\"", "\"");
    assert_eq!(order[3..6], ["channels", "spots", "uncertainty"]);
    let post = markdown(&content, "x").expect("a post").text;
    assert!(post.contains("## Where to put it\n\nBy the window."));
}

/// Three antennas in turn over two channels: `whip` 6 dB under `loop`, `bow tie` 2 dB under it.
fn several() -> Content {
    let behind = [("loop", 0.0), ("bow tie", 2.0), ("whip", 6.0)];
    let takes: Vec<Vec<Take>> = behind
        .into_iter()
        .zip(0u8..)
        .map(|((antenna, behind), at)| {
            let takes = (0u8..4).map(|round| {
                let minute = f64::from(3 * round + at);
                let readings = [20, 21].map(|channel| {
                    let cn = 25.0 - behind + 0.05 * (minute * 2.1 + f64::from(channel)).sin();
                    reading(channel, NOISE * (1.0 + ratio(cn)), NOISE, 0.0)
                });
                take(antenna, minute, readings.to_vec())
            });
            takes.collect()
        })
        .collect();
    let many =
        compare_many(&takes, Against::Reference(2), &Options::default()).expect("comparable");
    Content::of_several(many, takes, "2026-05-10T08:30:00Z".parse().expect("a time"))
}

#[test]
fn several_antennas_have_a_table_of_merit_and_each_pair_its_own() {
    let content = several();
    let many = content.several.clone().expect("several");
    let document = html(&content).expect("a report");
    let said = words(&document);
    let signed = |db: f64| format!("{db:+.1}").replace('-', "−");
    for merit in many.merits.iter().filter(|merit| merit.antenna != "whip") {
        let (mean, low, high) = (
            merit.mean_difference_db.expect("a mean"),
            merit.mean_low_db.expect("an end"),
            merit.mean_high_db.expect("an end"),
        );
        let row = format!(
            "{} {} … {} {} / {}",
            signed(mean),
            signed(low),
            signed(high),
            merit.better,
            merit.worse
        );
        assert!(said.contains(&row), "{row:?} is not in: {said}");
        assert!(said.contains(&format!("{} against whip", merit.antenna)));
    }
    for sentence in many.meaning.iter().chain(&many.remarks) {
        assert!(said.contains(sentence.as_str()), "{sentence}");
    }
    for part in [
        "2 antennas against whip",
        "whip: 4 takes, the reference",
        "12 takes in all",
        "--reference whip",
    ] {
        assert!(said.contains(part), "{part:?} is not in: {said}");
    }
    assert_eq!(
        document.matches("role=\"img\"").count(),
        3,
        "one of merit, and one for each pair"
    );
    let post = markdown(&content, "x").expect("a post");
    assert_eq!(post.figures.len(), 3);
    assert!(
        post.text
            .contains("| Antenna | Rank | Mean, dB (95 % interval) |"),
        "{}",
        post.text
    );
    assert!(
        post.text.contains("| Channel | MHz | loop | bow tie |"),
        "{}",
        post.text
    );
}

/// The cells of a line of a table, as GitHub Flavored Markdown parts them (4.10): at bars without a backslash.
fn cells(line: &str) -> usize {
    let mut bars = 0;
    let mut escaped = false;
    for c in line.chars() {
        bars += usize::from(c == '|' && !escaped);
        escaped = c == '\\' && !escaped;
    }
    bars - 1
}

#[test]
fn a_post_has_the_answer_an_even_table_and_its_pictures_beside_it() {
    let mut content = weak();
    for take in &mut content.takes[0] {
        take.antenna = "a|b <i> *c* _d_".to_owned();
    }
    content = content_of(content.takes[0].clone(), content.takes[1].clone());
    content.by = Some("J|D".to_owned());
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("my gain (1).md");
    let written = write_markdown(&content, &path).expect("written");
    assert_eq!(written.len(), 2);
    let text = fs::read_to_string(&path).expect("a post");
    let picture = fs::read(folder.path().join("my gain (1)-comparison.png")).expect("a picture");
    assert!(picture.starts_with(b"\x89PNG\r\n\x1a\n"));
    assert!(
        text.contains("](my%20gain%20%281%29-comparison.png)"),
        "{text}"
    );
    assert!(
        text.starts_with("# a\\|b \\<i\\> \\*c\\* \\_d\\_ against rabbit ears\n"),
        "{text}"
    );
    let table: Vec<&str> = text.lines().filter(|line| line.starts_with("| ")).collect();
    assert_eq!(table.len(), 2 + 3, "{text}");
    assert!(table.iter().all(|line| cells(line) == 3), "{table:?}");
    for part in [
        "**How it was measured.**",
        "**Cautions.**",
        "weak: one take each",
        "Measured by J\\|D. Made with gainsay",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
    let alternative = between(&text, "![", "](")[0];
    assert!(alternative.contains("against rabbit ears") && alternative.contains("difference"));
}

#[test]
fn a_report_is_written_whole_or_not_at_all() {
    let folder = tempfile::tempdir().expect("a folder");
    let names = || {
        let mut names: Vec<String> = fs::read_dir(folder.path())
            .expect("a folder")
            .map(|entry| {
                entry
                    .expect("an entry")
                    .file_name()
                    .to_string_lossy()
                    .into_owned()
            })
            .collect();
        names.sort();
        names
    };
    let page = folder.path().join("gain.html");
    let size = write_html(&content(), &page).expect("written");
    assert_eq!(fs::read(&page).expect("a page").len(), size);
    for (name, says) in [
        ("gain.pdf", "must end in .html"),
        ("nowhere/gain.html", "can't be written"),
    ] {
        let refused = write_html(&content(), &folder.path().join(name))
            .expect_err("refused")
            .to_string();
        assert!(
            refused.contains(name) && refused.contains(says),
            "{refused}"
        );
    }
    fs::create_dir(folder.path().join("taken.html")).expect("a folder in its place");
    assert!(write_html(&content(), &folder.path().join("taken.html")).is_err());
    assert_eq!(names(), ["gain.html", "taken.html"]);
}

/// Reports for the checks in a browser, into the folder that `PAGE_SAMPLES` names.
#[test]
#[ignore = "writes files for tests/page/check.mjs"]
fn samples_for_the_checks_in_a_browser() {
    let folder = std::env::var("PAGE_SAMPLES").expect("PAGE_SAMPLES names a folder");
    let folder = Path::new(&folder);
    fs::create_dir_all(folder).expect("a folder");
    let write = |name: &str, content: &Content| {
        write_html(content, &folder.join(name).with_extension("html")).expect("written");
    };
    write("blocks", &content());
    write("weak", &weak());
    write("several", &several());
    let (mut a, mut b) = trial("ABBABAABABBABAAB", 36, |antenna, minute, channel| {
        let wave = f64::from(channel * 37 % 29) - 6.0;
        let ahead = if antenna == 'A' {
            f64::from(channel * 13 % 11) - 4.0
        } else {
            0.0
        };
        wave + ahead + 0.4 * (minute * 2.3 + f64::from(channel)).sin()
    });
    for take in &mut a {
        take.antenna =
            "The long-winded fourteen-element antenna of tin, tape & biscuits, <mark 3>, אנטנה"
                .to_owned();
        take.source = "/a/very/long/path/without/any/space/in/it/that/a/phone/would/have/to/break/somewhere/take.sigmf-meta".to_owned();
        take.scan_count = Some(11);
    }
    for take in a.iter_mut().chain(&mut b) {
        take.spot = "attic,\nbehind the \"chimney\"".to_owned();
        take.note = "demo: invented".to_owned();
    }
    let mut long = content_of(a, b);
    long.by =
        Some("Donaudampfschifffahrtsgesellschaftskapitänswitwenverein Ortsgruppe 7".to_owned());
    long.title = Some("Which of two antennas is better, and by how much, and who says so, and may the reader believe it?".to_owned());
    write("long", &long);
    let vacant =
        |antenna: &str, minute| take(antenna, minute, vec![reading(20, NOISE, NOISE, 0.0)]);
    write(
        "nothing",
        &content_of(vec![vacant("a", 0.0)], vec![vacant("b", 1.0)]),
    );
}
