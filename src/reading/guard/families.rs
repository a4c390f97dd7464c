//! The OFDM systems as a table: useful durations, guard intervals, and the lags and periods that follow from them.
//!
//! Sources: EN 300 744 (DVB-T: elementary periods, guard fractions), EN 302 755 Tables 67 and 68 (DVB-T2: from memory),
//! ARIB STD-B31 (ISDB-T), ATSC A/321 (bootstrap) and A/322 (ATSC 3.0 frame body, guard intervals in samples).

use std::fmt;

use crate::units::Hertz;

/// A family of OFDM television systems.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Family {
    /// DVB-T.
    DvbT,
    /// DVB-T2.
    DvbT2,
    /// ISDB-T, 13 segments.
    IsdbT,
    /// ATSC 3.0.
    Atsc3,
}

impl Family {
    /// Every family.
    pub const ALL: [Family; 4] = [Family::DvbT, Family::DvbT2, Family::IsdbT, Family::Atsc3];
}

impl fmt::Display for Family {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Family::DvbT => "DVB-T",
            Family::DvbT2 => "DVB-T2",
            Family::IsdbT => "ISDB-T",
            Family::Atsc3 => "ATSC 3.0",
        })
    }
}

/// A guard interval as its standard writes it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Guard {
    /// A fraction of the useful duration.
    Fraction {
        /// Numerator.
        over: u32,
        /// Denominator.
        under: u32,
    },
    /// A number of samples of the standard's own rate, which `fft` of them make the useful duration.
    Samples(u32),
}

impl Guard {
    /// The guard's share of the useful duration, which has `fft` samples of the system's own rate.
    pub fn ratio(self, fft: u32) -> f64 {
        match self {
            Guard::Fraction { over, under } => f64::from(over) / f64::from(under),
            Guard::Samples(samples) => f64::from(samples) / f64::from(fft),
        }
    }
}

impl fmt::Display for Guard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Guard::Fraction { over, under } => write!(f, "{over}/{under}"),
            Guard::Samples(samples) => write!(f, "{samples} samples"),
        }
    }
}

const fn fraction(over: u32, under: u32) -> Guard {
    Guard::Fraction { over, under }
}

const QUARTER_TO_32ND: &[Guard] = &[
    fraction(1, 4),
    fraction(1, 8),
    fraction(1, 16),
    fraction(1, 32),
];
const T2_1K: &[Guard] = &[fraction(1, 4), fraction(1, 8), fraction(1, 16)];
const T2_8K: &[Guard] = &[
    fraction(1, 4),
    fraction(19, 128),
    fraction(1, 8),
    fraction(19, 256),
    fraction(1, 16),
    fraction(1, 32),
    fraction(1, 128),
];
const ATSC3: &[Guard] = &[
    Guard::Samples(192),
    Guard::Samples(384),
    Guard::Samples(512),
    Guard::Samples(768),
    Guard::Samples(1024),
    Guard::Samples(1536),
    Guard::Samples(2048),
    Guard::Samples(2432),
    Guard::Samples(3072),
    Guard::Samples(3648),
    Guard::Samples(4096),
    Guard::Samples(4864),
];

/// One size of one system.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct System {
    /// The family.
    pub family: Family,
    /// Channel width in megahertz: 6, 7 or 8.
    pub width_mhz: u32,
    /// Samples of the system's own rate in the useful duration: 1024 for 1k and so on.
    pub fft: u32,
    /// Useful duration in seconds, that is one over the carriers' spacing.
    pub useful_s: f64,
    /// The guard intervals allowed.
    pub guards: &'static [Guard],
}

impl System {
    /// The lag at which the guard interval repeats, in samples at `sample_rate`; seldom a whole number.
    pub fn lag_samples(&self, sample_rate: Hertz) -> f64 {
        self.useful_s * sample_rate.0
    }
}

/// Every size of every system that a channel of `width_mhz` may carry; empty unless that is 6, 7 or 8.
///
/// Elementary periods 7/48, 1/8 and 7/64 µs (DVB-T and DVB-T2 in 6, 7 and 8 MHz), 63/512 µs (ISDB-T), 1/6.912 µs
/// (ATSC 3.0 in 6 MHz).
pub fn systems(width_mhz: u32) -> Vec<System> {
    let dvb_period_us = match width_mhz {
        6 => 7.0 / 48.0,
        7 => 1.0 / 8.0,
        8 => 7.0 / 64.0,
        _ => return Vec::new(),
    };
    let system = |family, fft: u32, period_us: f64, guards| System {
        family,
        width_mhz,
        fft,
        useful_s: f64::from(fft) * period_us * 1e-6,
        guards,
    };
    let mut all = vec![
        system(Family::DvbT, 2048, dvb_period_us, QUARTER_TO_32ND),
        system(Family::DvbT, 8192, dvb_period_us, QUARTER_TO_32ND),
        system(Family::DvbT2, 1024, dvb_period_us, T2_1K),
        system(Family::DvbT2, 2048, dvb_period_us, QUARTER_TO_32ND),
        system(Family::DvbT2, 4096, dvb_period_us, QUARTER_TO_32ND),
        system(Family::DvbT2, 8192, dvb_period_us, T2_8K),
        system(Family::DvbT2, 16384, dvb_period_us, T2_8K),
        // 32k is allowed all but 1/4.
        system(Family::DvbT2, 32768, dvb_period_us, &T2_8K[1..]),
    ];
    if width_mhz == 6 {
        all.extend([
            system(Family::IsdbT, 2048, 63.0 / 512.0, QUARTER_TO_32ND),
            system(Family::IsdbT, 4096, 63.0 / 512.0, QUARTER_TO_32ND),
            system(Family::IsdbT, 8192, 63.0 / 512.0, QUARTER_TO_32ND),
            // 8k takes guards up to 2048 samples, 16k up to 4096.
            system(Family::Atsc3, 8192, 1.0 / 6.912, &ATSC3[..7]),
            system(Family::Atsc3, 16384, 1.0 / 6.912, &ATSC3[..11]),
            system(Family::Atsc3, 32768, 1.0 / 6.912, ATSC3),
        ]);
    }
    all
}

/// What is looked for: a stretch that comes again after `lag_s`, at a known rhythm.
#[derive(Debug, Clone, PartialEq)]
pub struct Hypothesis {
    /// The families that it would fit, ascending: DVB-T and DVB-T2 share most of theirs.
    pub families: Vec<Family>,
    /// Samples of the system's own rate in the useful duration; `None` for the ATSC 3.0 bootstrap.
    pub fft: Option<u32>,
    /// Distance between the stretch and its copy in seconds: the useful duration.
    pub lag_s: f64,
    /// Length of the stretch in seconds: the guard interval.
    pub guard_s: f64,
    /// The guard interval by its standard's name, the longest not beyond it where a guard may be lengthened; `None` for the bootstrap.
    pub guard: Option<Guard>,
    /// When stretches begin.
    pub(super) rhythm: Rhythm,
}

/// When the repeated stretches begin, counted from the first.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Rhythm {
    /// Every so many seconds, for ever.
    Every(f64),
    /// At these seconds only.
    Once([f64; 4]),
}

/// How far an ATSC 3.0 frame that is aligned in time may lengthen its guards, as a share of the symbol. The spare time is
/// less than one symbol a frame, shared by its symbols: 2 % holds for frames of 50 symbols. Not a published limit.
const LENGTHENED: f64 = 0.02;

/// What to look for in a channel of `width_mhz` that may carry `families`, for dwells of `dwell_s` seconds.
///
/// Hypotheses of one lag stand together. Guards of ATSC 3.0 may be lengthened by spare samples, so for that family the
/// guard is searched on a grid fine enough that the last symbol in the dwell is off by less than half a guard.
pub(super) fn hypotheses(width_mhz: u32, families: &[Family], dwell_s: f64) -> Vec<Hypothesis> {
    let mut list: Vec<Hypothesis> = Vec::new();
    for system in systems(width_mhz) {
        if !families.contains(&system.family) {
            continue;
        }
        if system.family == Family::Atsc3 {
            list.extend(atsc3_grid(&system, dwell_s));
            continue;
        }
        for &guard in system.guards {
            let guard_s = system.useful_s * guard.ratio(system.fft);
            match list
                .iter_mut()
                .find(|h| h.lag_s == system.useful_s && h.guard == Some(guard))
            {
                Some(shared) => shared.families.push(system.family),
                None => list.push(Hypothesis {
                    families: vec![system.family],
                    fft: Some(system.fft),
                    lag_s: system.useful_s,
                    guard_s,
                    guard: Some(guard),
                    rhythm: Rhythm::Every(system.useful_s + guard_s),
                }),
            }
        }
    }
    if width_mhz == 6 && families.contains(&Family::Atsc3) {
        list.push(bootstrap());
    }
    // A stable sort: within a lag, the order above.
    list.sort_by(|a, b| a.lag_s.total_cmp(&b.lag_s));
    list
}

fn atsc3_grid(system: &System, dwell_s: f64) -> Vec<Hypothesis> {
    let standard: Vec<f64> = system
        .guards
        .iter()
        .map(|g| system.useful_s * g.ratio(system.fft))
        .collect();
    let widest = standard[standard.len() - 1];
    let mut edges = standard.clone();
    edges.push(widest + LENGTHENED * (system.useful_s + widest));

    let mut list = Vec::new();
    for (place, pair) in edges.windows(2).enumerate() {
        let symbols = dwell_s / (system.useful_s + pair[0]);
        let ratio = pair[1] / pair[0];
        let steps = (2.5 * symbols * ratio.ln()).ceil().max(1.0) as usize;
        list.extend((0..steps).map(|i| {
            let guard_s = pair[0] * ratio.powf(i as f64 / steps as f64);
            // Guards are lengthened and never shortened: it is the longest that is no longer than what is looked for. But the
            // last step before the next guard may as well be that.
            let is_next = i > 0 && i + 1 == steps;
            let guard = system.guards[(place + usize::from(is_next)).min(standard.len() - 1)];
            Hypothesis {
                families: vec![Family::Atsc3],
                fft: Some(system.fft),
                lag_s: system.useful_s,
                guard_s,
                guard: Some(guard),
                rhythm: Rhythm::Every(system.useful_s + guard_s),
            }
        }));
    }
    list
}

/// The ATSC 3.0 bootstrap: 4 symbols of 3072 samples at 6.144 MHz. In the first, C-A-B, the last 520 of A's 2048 samples
/// stand before it; in the others, B-C-A, they come 504 samples later. The parts B are shifted by one carrier and not used.
///
/// Source: ATSC A/321 (part lengths); its sampling rate from memory of the same.
fn bootstrap() -> Hypothesis {
    let samples = |n: u32| f64::from(n) / 6.144e6;
    Hypothesis {
        families: vec![Family::Atsc3],
        fft: None,
        lag_s: samples(2048),
        guard_s: samples(520),
        guard: None,
        rhythm: Rhythm::Once([0, 3072 + 504, 2 * 3072 + 504, 3 * 3072 + 504].map(samples)),
    }
}
