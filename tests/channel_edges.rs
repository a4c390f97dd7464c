//! Every channel of every embedded plan against the figures of the regulations, written out here a second time.
//!
//! Each figure's source stands beside it, with how far it may be trusted: *confirmed* (read in a copy of the document or
//! in a table made from it) and *recomputed* figures are asked for exactly; figures *from memory* only set a range, half
//! a channel wide on either side, which a wrong number or a wrong band breaks and a late offset doesn't.

use gainsay::channels::{Channel, ChannelId, Plan, Standard, VSB_PILOT_OFFSET};
use gainsay::units::Hertz;

fn plan(name: &str) -> Plan {
    Plan::find(name).expect("an embedded plan")
}

fn channel(plan: &Plan, name: &str) -> Channel {
    let mut chosen = plan.choose(name).expect("a channel of the plan");
    assert_eq!(chosen.len(), 1);
    chosen.remove(0)
}

/// Names and edges in MHz, as they stand in the plan.
fn rows(plan: &Plan) -> Vec<(String, f64, f64)> {
    plan.channels
        .iter()
        .map(|c| (c.id.to_string(), c.low.mhz(), c.high.mhz()))
        .collect()
}

fn numbered(rows: &[(u16, f64, f64)]) -> Vec<(String, f64, f64)> {
    rows.iter()
        .map(|(number, low, high)| (number.to_string(), *low, *high))
        .collect()
}

/// One rule for a plan known from memory: channels, the lower edge of the first, and their width in MHz.
struct Remembered {
    numbers: Vec<u16>,
    first_low_mhz: f64,
    width_mhz: f64,
    /// Ends of the band in MHz.
    band_mhz: (f64, f64),
}

/// Widths, bands and contiguity are asked for exactly (a channel off its raster's width is a slip, whatever the
/// raster); the place of each number only within half a width.
fn within_range(plan: &Plan, remembered: &Remembered) {
    let Remembered {
        numbers,
        first_low_mhz,
        width_mhz,
        band_mhz,
    } = remembered;
    let channels: Vec<&Channel> = numbers
        .iter()
        .map(|number| {
            let id = ChannelId::Number(*number);
            plan.channels
                .iter()
                .find(|c| c.id == id)
                .unwrap_or_else(|| panic!("{} has no {number}", plan.name))
        })
        .collect();
    for (number, channel) in numbers.iter().zip(&channels) {
        let low_mhz = first_low_mhz + width_mhz * f64::from(number - numbers[0]);
        let what = format!("{} {number}: {}", plan.name, channel.low);
        assert!(
            (channel.low.mhz() - low_mhz).abs() < width_mhz / 2.0,
            "{what}, remembered {low_mhz} MHz"
        );
        assert_eq!(channel.width().mhz(), *width_mhz, "{what}");
        assert!(
            channel.low.mhz() >= band_mhz.0 && channel.high.mhz() <= band_mhz.1,
            "{what}"
        );
    }
    for (numbers, pair) in numbers.windows(2).zip(channels.windows(2)) {
        if numbers[1] == numbers[0] + 1 {
            assert_eq!(pair[0].high, pair[1].low, "{} {numbers:?}", plan.name);
        }
    }
}

/// 47 CFR 73.603(a), all channels of the table up to 36: confirmed.
const US: [(u16, f64, f64); 35] = [
    (2, 54.0, 60.0),
    (3, 60.0, 66.0),
    (4, 66.0, 72.0),
    (5, 76.0, 82.0),
    (6, 82.0, 88.0),
    (7, 174.0, 180.0),
    (8, 180.0, 186.0),
    (9, 186.0, 192.0),
    (10, 192.0, 198.0),
    (11, 198.0, 204.0),
    (12, 204.0, 210.0),
    (13, 210.0, 216.0),
    (14, 470.0, 476.0),
    (15, 476.0, 482.0),
    (16, 482.0, 488.0),
    (17, 488.0, 494.0),
    (18, 494.0, 500.0),
    (19, 500.0, 506.0),
    (20, 506.0, 512.0),
    (21, 512.0, 518.0),
    (22, 518.0, 524.0),
    (23, 524.0, 530.0),
    (24, 530.0, 536.0),
    (25, 536.0, 542.0),
    (26, 542.0, 548.0),
    (27, 548.0, 554.0),
    (28, 554.0, 560.0),
    (29, 560.0, 566.0),
    (30, 566.0, 572.0),
    (31, 572.0, 578.0),
    (32, 578.0, 584.0),
    (33, 584.0, 590.0),
    (34, 590.0, 596.0),
    (35, 596.0, 602.0),
    (36, 602.0, 608.0),
];

#[test]
fn united_states_edges_are_those_of_the_rule_and_there_is_no_37() {
    assert_eq!(rows(&plan("us")), numbered(&US));
}

/// Numbered as the United States (from memory of the regulators' plans): so a range only.
#[test]
fn canada_and_mexico_lie_where_the_united_states_do() {
    let plan = plan("canada-mexico");
    assert_eq!(plan.channels.len(), US.len());
    for (channel, (number, low_mhz, _)) in plan.channels.iter().zip(US) {
        assert_eq!(channel.id, ChannelId::Number(number));
        assert!(
            (channel.low.mhz() - low_mhz).abs() < 3.0,
            "{number}: {}",
            channel.low
        );
        assert_eq!(channel.width().mhz(), 6.0);
    }
}

/// GE06, centre 474 + 8(n − 21) MHz, edges ± 4 MHz; E21 470–478, E48 686–694: confirmed in a table of edges.
fn assert_european_uhf(channels: &[Channel]) {
    assert_eq!(channels.len(), 28);
    for (channel, n) in channels.iter().zip(21u16..=48) {
        let centre_mhz = 474.0 + 8.0 * (f64::from(n) - 21.0);
        assert_eq!(channel.id, ChannelId::Number(n));
        assert_eq!(
            (channel.low.mhz(), channel.high.mhz()),
            (centre_mhz - 4.0, centre_mhz + 4.0),
            "{n}"
        );
        assert_eq!(channel.centre().mhz(), centre_mhz, "{n}");
    }
    assert_eq!(
        (channels[0].low.mhz(), channels[0].high.mhz()),
        (470.0, 478.0)
    );
    assert_eq!(
        (channels[27].low.mhz(), channels[27].high.mhz()),
        (686.0, 694.0)
    );
}

#[test]
fn european_uhf_edges_are_those_of_geneva_2006() {
    assert_european_uhf(&plan("europe").choose("21-48").expect("UHF"));
}

/// GE06 Final Acts, 174–230 MHz, lower edge 174 + 7(n − 5): from memory.
#[test]
fn european_vhf_lies_in_band_iii() {
    let europe = plan("europe");
    let remembered = Remembered {
        numbers: (5..=12).collect(),
        first_low_mhz: 174.0,
        width_mhz: 7.0,
        band_mhz: (174.0, 230.0),
    };
    within_range(&europe, &remembered);
    assert_eq!(europe.channels.len(), 8 + 28);
}

/// Edges as in Europe: confirmed with them. That 21 to 48 are all of it: from memory.
#[test]
fn united_kingdom_edges_are_the_european_ones() {
    assert_european_uhf(&plan("uk").channels);
}

/// ACMA station book: the centre of 6 is 177.5 MHz; a tuning table: 529.5, 536.5, 543.5, 550.5, 557.5 MHz from 28 on:
/// confirmed.
#[test]
fn australian_channels_that_are_confirmed_lie_there_exactly() {
    let australia = plan("australia");
    for (name, centre_mhz) in [
        ("6", 177.5),
        ("28", 529.5),
        ("29", 536.5),
        ("30", 543.5),
        ("31", 550.5),
        ("32", 557.5),
    ] {
        let channel = channel(&australia, name);
        assert_eq!(
            (channel.centre().mhz(), channel.width().mhz()),
            (centre_mhz, 7.0),
            "{name}"
        );
    }
}

/// ACMA: 9A between 9 and 10, VHF up to 230 MHz, 28–51 from 526 MHz, 51 being 687–694: from memory.
#[test]
fn the_other_australian_channels_lie_in_their_bands() {
    let australia = plan("australia");
    let names: Vec<String> = australia
        .channels
        .iter()
        .map(|c| c.id.to_string())
        .collect();
    assert_eq!(names[..8], ["6", "7", "8", "9", "9A", "10", "11", "12"]);
    for (channel, low_mhz) in australia
        .channels
        .iter()
        .zip([174.0, 181.0, 188.0, 195.0, 202.0, 209.0, 216.0, 223.0])
    {
        assert!(
            (channel.low.mhz() - low_mhz).abs() < 3.5,
            "{}: {}",
            channel.id,
            channel.low
        );
        assert_eq!(channel.width().mhz(), 7.0, "{}", channel.id);
        assert!(channel.high.mhz() <= 230.0, "{}", channel.id);
    }
    assert!(
        australia.channels[..8]
            .windows(2)
            .all(|pair| pair[0].high == pair[1].low)
    );
    let uhf = Remembered {
        numbers: (28..=51).collect(),
        first_low_mhz: 526.0,
        width_mhz: 7.0,
        band_mhz: (526.0, 694.0),
    };
    within_range(&australia, &uhf);
    assert_eq!(australia.channels.len(), 8 + 24);
}

/// New Zealand's spectrum plan, 26–47 in 510–686 MHz, numbered as Europe: from memory.
#[test]
fn new_zealand_lies_in_its_band() {
    let new_zealand = plan("new-zealand");
    let remembered = Remembered {
        numbers: (26..=47).collect(),
        first_low_mhz: 510.0,
        width_mhz: 8.0,
        band_mhz: (510.0, 686.0),
    };
    within_range(&new_zealand, &remembered);
    assert_eq!(new_zealand.channels.len(), 22);
}

/// ARIB STD-B31, 13–52 in 470–710 MHz: from memory. The block of 13, 5.572421 MHz wide and 1/7 MHz above the middle,
/// lies at 470.356–475.929 MHz: recomputed from them.
#[test]
fn japan_lies_in_its_band() {
    let japan = plan("japan");
    let remembered = Remembered {
        numbers: (13..=52).collect(),
        first_low_mhz: 470.0,
        width_mhz: 6.0,
        band_mhz: (470.0, 710.0),
    };
    within_range(&japan, &remembered);
    assert_eq!(japan.channels.len(), 40);

    let thirteen = channel(&japan, "13");
    let middle_mhz = (thirteen.centre() + Standard::IsdbT.block_offset()).mhz();
    let half_mhz = 5.572421 / 2.0;
    // Printed to three decimals; the upper end, 475.92907, and the lower, 470.35665, of which the last digit is cut.
    assert!(
        (middle_mhz - half_mhz - 470.3565).abs() < 0.001,
        "{middle_mhz}"
    );
    assert!(
        (middle_mhz + half_mhz - 475.929).abs() < 0.001,
        "{middle_mhz}"
    );
}

/// ABNT NBR 15601, 7–13 and 14–51 without 37, edges as in the United States: from memory.
#[test]
fn brazil_lies_in_its_bands() {
    let brazil = plan("brazil");
    let vhf = Remembered {
        numbers: (7..=13).collect(),
        first_low_mhz: 174.0,
        width_mhz: 6.0,
        band_mhz: (174.0, 216.0),
    };
    let numbers = (14..=51).filter(|n| *n != 37).collect();
    let uhf = Remembered {
        numbers,
        first_low_mhz: 470.0,
        width_mhz: 6.0,
        band_mhz: (470.0, 698.0),
    };
    within_range(&brazil, &vhf);
    within_range(&brazil, &uhf);
    assert_eq!(brazil.channels.len(), 7 + 37);
}

/// ATSC A/53 Part 2: the symbol rate is 4.5/286 × 684 MHz, a band of half that lies in the middle of 6 MHz, and the
/// pilot at its lower end: 177/572 MHz, 309.4405594 kHz. Confirmed and recomputed.
#[test]
fn the_pilot_of_8vsb_stands_177_over_572_megahertz_above_the_edge() {
    let symbol_rate_mhz = 4.5 / 286.0 * 684.0;
    let from_the_symbol_rate_hz = (6.0 - symbol_rate_mhz / 2.0) / 2.0 * 1e6;
    // Double precision: 6 MHz has 53 bits, so 1e-9 Hz; a millionth of a hertz is ample.
    assert!((VSB_PILOT_OFFSET.0 - from_the_symbol_rate_hz).abs() < 1e-6);
    assert!((VSB_PILOT_OFFSET.0 - 309_440.559_4).abs() < 1e-4);
    // The exact fraction: 572 times it is 177 MHz.
    assert!((VSB_PILOT_OFFSET.0 * 572.0 - 177e6).abs() < 1e-6);
}

/// Pilots on the raster of the United States in MHz, printed to the hertz: recomputed.
#[test]
fn pilots_on_the_raster_of_the_united_states_are_the_published_ones() {
    let us = plan("us");
    for (number, pilot_mhz) in [
        ("2", 54.309441),
        ("4", 66.309441),
        ("5", 76.309441),
        ("6", 82.309441),
        ("7", 174.309441),
        ("13", 210.309441),
        ("14", 470.309441),
        ("20", 506.309441),
        ("36", 602.309441),
    ] {
        let pilot = channel(&us, number).low + VSB_PILOT_OFFSET;
        assert!(
            (pilot - Hertz::from_mhz(pilot_mhz)).0.abs() <= 0.5,
            "{number}: {pilot}"
        );
    }
}

/// 47 CFR 73.603(c), (d): 37 is radio astronomy, 17 is not television in Hawaii: confirmed.
#[test]
fn exceptions_of_the_rule_are_noted() {
    let us = plan("us");
    assert!(us.choose("37").is_err());
    assert_eq!(
        channel(&us, "17").note.as_deref(),
        Some("not television in Hawaii")
    );
}

/// Which standards are in use is common knowledge, from memory; that every channel has one, and the widths that each
/// may have, is asked for.
#[test]
fn every_channel_has_a_standard_that_fits_its_width() {
    for plan in Plan::embedded() {
        for channel in &plan.channels {
            assert!(
                !channel.standards.is_empty(),
                "{} {}",
                plan.name,
                channel.id
            );
            for standard in &channel.standards {
                let fits = match standard {
                    Standard::Vsb8 | Standard::Atsc3 | Standard::IsdbT => {
                        channel.width() == Hertz::from_mhz(6.0)
                    }
                    Standard::DvbT | Standard::DvbT2 => [7.0, 8.0].contains(&channel.width().mhz()),
                };
                assert!(fits, "{} {}: {standard}", plan.name, channel.id);
            }
        }
    }
}
