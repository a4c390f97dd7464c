//! Invented results for the tests of figures, and a way to look at all figures.

use self::rotations::rotation;
use super::{Band, DrawError, Line, Panel, Svg, comparison, panels, polar, spectrum};
use crate::channels::ChannelId;
use crate::compare::{Basis, ChannelComparison, Comparison, Side, StateCounts, Summary, Verdict};
use crate::reading::{State, Trace};

pub(super) mod rotations;

/// Noise of every invented channel.
pub(super) const NOISE_DBFS: f64 = -36.0;
/// Threshold of every invented channel.
pub(super) const THRESHOLD_DB: f64 = 15.0;

/// A side with this C/N, or vacant.
pub(super) fn side(cn_db: Option<f64>) -> Side {
    let margin_db = cn_db.map(|cn| cn - THRESHOLD_DB);
    Side {
        takes: 4,
        covered: 1.0,
        signal_dbfs: cn_db.map(|cn| cn + NOISE_DBFS),
        signal_upper_dbfs: if cn_db.is_none() {
            Some(NOISE_DBFS - 14.0)
        } else {
            None
        },
        pilot_dbfs: None,
        identity: None,
        standard: None,
        threshold_db: Some(THRESHOLD_DB),
        threshold_assumes: None,
        path: None,
        sigma_sp_db: None,
        noise_dbfs: Some(NOISE_DBFS),
        cn_db,
        margin_db,
        state: Some(margin_db.map_or(State::Vacant, State::from_margin)),
    }
}

/// A channel of 6 MHz (US plan) with these C/N; `half_db` is half the interval.
pub(super) fn channel(
    number: u16,
    a: Option<f64>,
    b: Option<f64>,
    half_db: f64,
) -> ChannelComparison {
    let low_hz = (470.0 + 6.0 * (f64::from(number) - 14.0)) * 1e6;
    let difference_db = a.zip(b).map(|(a, b)| a - b);
    let (low_db, high_db) = match (difference_db, a, b) {
        (Some(d), _, _) => (Some(d - half_db), Some(d + half_db)),
        (None, Some(a), None) => (Some(a + 14.0), None),
        (None, None, Some(b)) => (None, Some(-14.0 - b)),
        (None, None, None) => (None, None),
        (None, Some(_), Some(_)) => unreachable!("two values have a difference"),
    };
    let verdict = match (low_db, high_db) {
        (Some(low), _) if low > 0.0 => Verdict::A,
        (_, Some(high)) if high < 0.0 => Verdict::B,
        (None, None) => Verdict::NotComparable,
        _ => Verdict::Undecided,
    };
    ChannelComparison {
        channel: ChannelId::Number(number),
        low_hz,
        high_hz: low_hz + 6e6,
        a: side(a),
        b: side(b),
        difference_db,
        low_db,
        high_db,
        standard_uncertainty_db: difference_db.map(|_| half_db / 2.0),
        degrees_of_freedom: difference_db.map(|_| 30.0),
        p: None,
        p_adjusted: None,
        basis: Basis::Blocks,
        blocks: 2,
        method: None,
        averaging: None,
        cn_difference_db: None,
        cn_p: None,
        further_blocks: None,
        beyond_repeats: false,
        budget: Vec::new(),
        verdict,
        reason: (verdict == Verdict::NotComparable).then(|| "nothing found with either".into()),
    }
}

/// A comparison of these channels.
pub(super) fn of(a: &str, b: &str, channels: Vec<ChannelComparison>) -> Comparison {
    let count = |verdict| channels.iter().filter(|c| c.verdict == verdict).count();
    let mut differences: Vec<f64> = channels.iter().filter_map(|c| c.difference_db).collect();
    differences.sort_by(f64::total_cmp);
    let summary = Summary {
        median_difference_db: differences.get(differences.len() / 2).copied(),
        a_better: count(Verdict::A),
        b_better: count(Verdict::B),
        undecided: count(Verdict::Undecided),
        not_comparable: count(Verdict::NotComparable),
        states_a: StateCounts::default(),
        states_b: StateCounts::default(),
        only_a: Vec::new(),
        only_b: Vec::new(),
    };
    Comparison {
        a: a.into(),
        b: b.into(),
        spot: Some("north window".into()),
        plan: "us".into(),
        confidence: 0.95,
        verdict_level: 0.05,
        basis: Basis::Blocks,
        takes_a: 4,
        takes_b: 4,
        blocks: 2,
        remarks: Vec::new(),
        channels,
        summary,
        meaning: Vec::new(),
    }
}

/// Four channels: A ahead on two, nothing on one, B ahead on one.
pub(super) fn four() -> Comparison {
    let channels = vec![
        channel(20, Some(26.2), Some(21.0), 0.2),
        channel(21, Some(4.0), Some(1.5), 0.3),
        channel(22, None, None, 0.0),
        channel(23, Some(17.2), Some(20.6), 0.2),
    ];
    of("tape loop", "rabbit ears", channels)
}

/// `count` channels from 14 upwards with a bit of everything; the same every time.
pub(super) fn many(count: u16) -> Comparison {
    let mut state = 7u32;
    let mut random = move || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(state >> 8) / f64::from(1u32 << 24)
    };
    let channels = (14..14 + count)
        .map(|number| {
            let (level, difference, half) = (
                32.0 * random() - 4.0,
                9.0 * random() - 3.5,
                0.15 + 1.2 * random(),
            );
            let (a, b) = (level, level - difference);
            channel(number, (a > 0.0).then_some(a), (b > 1.0).then_some(b), half)
        })
        .collect();
    of("tape loop", "rabbit ears", channels)
}

/// A trace from 470 MHz on: noise at −44 dBFS/MHz and these channels (number, level over the noise in dB).
pub(super) fn trace(channels: &[(u16, f64)], seed: u32, bins: usize) -> Trace {
    let (first_hz, step_hz) = (470.0125e6, 25e3);
    let mut state = seed;
    let dbfs_per_mhz = (0..bins)
        .map(|n| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let ripple = f64::from(state >> 8) / f64::from(1u32 << 24) - 0.5;
            let hz = first_hz + step_hz * n as f64;
            let level: f64 = channels
                .iter()
                .map(|&(number, level)| {
                    let within = hz - (470.0 + 6.0 * (f64::from(number) - 14.0)) * 1e6;
                    let edge = (within.min(6e6 - within) / 0.31e6).clamp(0.0, 1.0);
                    let pilot = if (within - 309_441.0).abs() < step_hz {
                        6.0
                    } else {
                        0.0
                    };
                    10f64.powf((level + pilot) / 10.0) * edge
                })
                .sum();
            Some((-44.0 + 10.0 * (1.0 + level).log10() + 0.8 * ripple) as f32)
        })
        .collect();
    Trace {
        first_hz,
        step_hz,
        dbfs_per_mhz,
    }
}

/// Channels of the US plan.
pub(super) fn bands(numbers: impl IntoIterator<Item = u16>) -> Vec<Band> {
    let low_hz = |number: u16| (470.0 + 6.0 * (f64::from(number) - 14.0)) * 1e6;
    numbers
        .into_iter()
        .map(|n| Band {
            label: n.to_string(),
            low_hz: low_hz(n),
            high_hz: low_hz(n) + 6e6,
        })
        .collect()
}

/// Panels of these channels, states in turn.
pub(super) fn some_panels(count: u16) -> Vec<Panel> {
    let levels: Vec<_> = (14..14 + count)
        .map(|n| (n, [26.0, 16.5, 6.0, -99.0][usize::from(n) % 4]))
        .collect();
    let all = trace(&levels, 3, 240 * usize::from(count));
    bands(14..14 + count)
        .into_iter()
        .zip(levels)
        .map(|(band, (number, level))| Panel {
            label: band.label,
            state: Some(if level < 0.0 {
                State::Vacant
            } else {
                State::from_margin(level - 15.0)
            }),
            low_hz: band.low_hz,
            high_hz: band.high_hz,
            trace: all
                .dbfs_per_mhz
                .iter()
                .enumerate()
                .map(|(n, value)| {
                    (
                        all.first_hz + all.step_hz * n as f64,
                        f64::from(value.unwrap_or(f32::NAN)),
                    )
                })
                .filter(|(hz, _)| (band.low_hz..band.high_hz).contains(hz))
                .collect(),
            notes: if number % 4 == 0 {
                vec!["σ 0.8 dB · echo at 1.5 µs, −6 dB".into()]
            } else {
                Vec::new()
            },
        })
        .collect()
}

/// Names and channels that make trouble.
pub(super) fn hostile() -> Comparison {
    let mut one = channel(20, Some(20.0), None, 0.0);
    one.channel = ChannelId::Name("9A".into());
    let mut two = channel(21, None, Some(8.0), 0.0);
    two.reason = Some("<b>&\u{1}".into());
    let mut three = channel(22, Some(18.0), Some(17.0), 40.0);
    three.channel = ChannelId::Name("a channel with a long name & <more>".into());
    let a = "Łukasz's \"Ω-loop\" <b>№ 1</b> & петля\u{0}\u{1B}[31m — αντέννα, the long one that hung in the stairwell all winter";
    of(
        a,
        "]]><script>alert('b')</script>",
        vec![one, two, three, channel(23, Some(16.0), Some(15.4), 1.1)],
    )
}

/// Every figure, by name.
pub(super) fn figures() -> Vec<(&'static str, Svg)> {
    let mut eu = of(
        "tape loop",
        "rabbit ears",
        vec![channel(20, Some(20.0), Some(16.0), 0.02)],
    );
    eu.basis = Basis::Single;
    let mut dbfs = four();
    dbfs.channels[0].a.noise_dbfs = None;
    dbfs.channels[0].a.cn_db = None;
    dbfs.channels[0].a.margin_db = None;
    let (wide_a, wide_b) = (
        trace(
            &[
                (14, 20.0),
                (16, 9.0),
                (20, 26.0),
                (21, 4.0),
                (23, 17.0),
                (30, 24.0),
                (36, 12.0),
            ],
            1,
            5520,
        ),
        trace(
            &[
                (14, 15.0),
                (16, 12.0),
                (20, 21.0),
                (21, 1.5),
                (23, 20.0),
                (30, 24.5),
                (36, 3.0),
            ],
            2,
            5520,
        ),
    );
    let mut gappy = wide_a.clone();
    gappy.dbfs_per_mhz[1500..1600].fill(None);
    let noise = trace(&[], 5, 5520);
    let a = Line {
        name: "tape loop",
        trace: &wide_a,
    };
    let b = Line {
        name: "rabbit ears",
        trace: &wide_b,
    };
    let drawn = [
        ("comparison-4", comparison(&four())),
        ("comparison-1", comparison(&eu)),
        ("comparison-12", comparison(&many(12))),
        ("comparison-23", comparison(&many(23))),
        ("comparison-36", comparison(&many(36))),
        ("comparison-45", comparison(&many(45))),
        ("comparison-dbfs", comparison(&dbfs)),
        ("comparison-hostile", comparison(&hostile())),
        (
            "comparison-empty",
            comparison(&of("tape loop", "rabbit ears", Vec::new())),
        ),
        (
            "spectrum-4",
            spectrum(a, Some(b), Some(&noise), &bands(20..24)),
        ),
        (
            "spectrum-23",
            spectrum(a, Some(b), Some(&noise), &bands(14..37)),
        ),
        (
            "spectrum-broken",
            spectrum(
                Line { trace: &gappy, ..a },
                None,
                None,
                &bands([14, 16, 20, 21, 23]),
            ),
        ),
        ("spectrum-empty", spectrum(a, None, None, &bands([50]))),
        (
            "panels-4",
            panels("tape loop — north window", &some_panels(4)),
        ),
        (
            "panels-13",
            panels("tape loop — north window", &some_panels(13)),
        ),
    ];
    drawn
        .into_iter()
        .chain(polar_figures())
        .map(|(name, svg)| (name, svg.unwrap()))
        .collect()
}

/// Patterns of one antenna and of two, from one channel to 36.
fn polar_figures() -> Vec<(&'static str, Result<Svg, DrawError>)> {
    let ears = |channels, bearings| rotation("rabbit ears", channels, bearings, 2);
    let tape = |channels, bearings| rotation("tape loop", channels, bearings, 1);
    let mut hostile = rotation(&hostile().a, 4, 12, 1);
    hostile.zero =
        "the third window from the left <behind> the \"big\" cupboard & the stairs".into();
    hostile.spot = hostile.antenna.clone();
    vec![
        ("polar-1", polar(&tape(1, 12), None)),
        ("polar-4", polar(&tape(4, 12), None)),
        ("polar-4-two", polar(&tape(4, 24), Some(&ears(4, 24)))),
        ("polar-23", polar(&tape(23, 72), None)),
        ("polar-36", polar(&tape(36, 12), None)),
        ("polar-36-two", polar(&tape(36, 72), Some(&ears(36, 72)))),
        ("polar-hostile", polar(&hostile, Some(&hostile))),
    ]
}

#[test]
#[ignore = "writes every sample figure into the temporary folder, to be looked at"]
fn all_figures_to_look_at() {
    let folder = std::env::temp_dir().join("gainsay-figures");
    std::fs::create_dir_all(&folder).unwrap();
    for (name, svg) in figures() {
        for ending in ["svg", "png"] {
            svg.write(&folder.join(format!("{name}.{ending}"))).unwrap();
        }
    }
    println!("{}", folder.display());
}
