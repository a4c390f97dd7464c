//! How often the intervals of a rotation's figures hold the truth, by simulation: the promise is 95 %.

mod takes;
mod turns;

use gainsay::survey::turn::{Figure, Options, Rotation, pattern, turn_between, wrapped};
use turns::{
    Made, Power, Truth, cardioid, half_wave_dipole, nearly_omni, omni, rotation, three_lobes, truth,
};

const PATTERNS: [(&str, Power); 5] = [
    ("half-wave dipole", half_wave_dipole),
    ("cardioid", cardioid),
    ("omni", omni),
    ("nearly omni", nearly_omni),
    ("three lobes", three_lobes),
];

/// How many of a case's intervals held: best bearing, beamwidth, front-to-back, roundness, the curve; and of how many.
#[derive(Debug, Clone, Copy, Default)]
struct Held {
    held: [f64; 5],
    of: [f64; 5],
}

impl Held {
    fn count(&mut self, which: usize, holds: bool) {
        self.held[which] += f64::from(u8::from(holds));
        self.of[which] += 1.0;
    }

    fn share(&self, which: usize) -> Option<f64> {
        (self.of[which] > 0.0).then(|| self.held[which] / self.of[which])
    }
}

/// Whether an interval holds a value; without an upper end it reaches to infinity.
fn holds(figure: &Figure, truth: f64) -> bool {
    let (low, high) = (figure.low.unwrap_or(0.0), figure.high);
    let high = high.unwrap_or(f64::INFINITY);
    low - 0.01 <= truth && truth <= high + 0.01
}

fn judge(held: &mut Held, rotation: &Rotation, power: Power, truth: &Truth, made: Made) {
    let channel = &rotation.channels[0];
    let (Some(figures), Some(fit)) = (&channel.figures, &channel.fit) else {
        panic!("no curve: {:?}", channel.reason);
    };
    let best = &figures.best_bearing_deg;
    // An all-round antenna has no best bearing: there "none" is right.
    if truth.roundness_db == 0.0 {
        held.count(0, best.value.is_none());
    } else if let (Some(_), Some(low), Some(high)) = (best.value, best.low, best.high) {
        let expected = wrapped(truth.best_deg + made.axis_deg);
        let inside =
            |bearing: f64| (bearing - low).rem_euclid(360.0) <= (high - low).rem_euclid(360.0);
        let near_rival = |bearing: f64| {
            best.rivals
                .iter()
                .any(|r| turn_between(*r, bearing).abs() < 20.0)
        };
        held.count(0, inside(expected) || near_rival(expected));
    }
    held.count(
        1,
        match truth.beamwidth_deg {
            Some(width) => holds(&figures.half_power_beamwidth_deg, width),
            None => figures.half_power_beamwidth_deg.high.is_none(),
        },
    );
    held.count(2, holds(&figures.front_to_back_db, truth.front_to_back_db));
    held.count(3, holds(&figures.roundness_db, truth.roundness_db));
    let top = power(truth.best_deg.to_radians());
    // The band is relative to the fitted maximum, so the curve is compared in absolute power.
    let unit = 10f64.powf(fit.maximum_db / 10.0)
        / (takes::NOISE * 10f64.powf(made.cn_db / 10.0) * level_bias(made));
    for point in &fit.curve {
        let truth = power((point.bearing_deg - made.axis_deg).to_radians()) / top;
        let bound = |db: f64| 10f64.powf(db / 10.0) * unit / top;
        let low = point.low_db.map_or(0.0, bound);
        held.count(4, low <= truth && truth <= bound(point.high_db));
    }
}

/// The mean of a level that varies normally in decibels, over its median.
fn level_bias(made: Made) -> f64 {
    let spread = made.noise_db * std::f64::consts::LN_10 / 10.0;
    (spread * spread / 2.0).exp()
}

fn coverage(power: Power, bearings: usize, noise_db: f64, runs: u64) -> Held {
    let truth = truth(power);
    let mut held = Held::default();
    for seed in 0..runs {
        let made = Made {
            axis_deg: (seed as f64 * 137.508) % 360.0,
            bearings,
            noise_db,
            cn_db: 20.0,
            closes: false,
            drift_db: 0.0,
        };
        let options = Options {
            seed,
            draws: 400,
            ..Options::default()
        };
        let takes = rotation(&[power], made, 1000 * bearings as u64 + seed);
        judge(
            &mut held,
            &pattern(&takes, &options).expect("a pattern"),
            power,
            &truth,
            made,
        );
    }
    held
}

fn line(name: &str, bearings: usize, noise_db: f64, held: &Held) -> String {
    let shares: Vec<String> = (0..5)
        .map(|n| {
            held.share(n)
                .map_or("–".into(), |share| format!("{:.1}", 100.0 * share))
        })
        .collect();
    format!(
        "| {name} | {bearings} | {noise_db} | {} |",
        shares.join(" | ")
    )
}

#[test]
#[ignore = "takes minutes: coverage of every case, printed"]
fn coverage_of_every_pattern() {
    let runs = std::env::var("RUNS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(1000);
    println!(
        "| pattern | bearings | noise dB | best bearing | beamwidth | front-to-back | roundness | curve |"
    );
    for (name, power) in PATTERNS {
        for bearings in [12, 24, 72] {
            for noise_db in [0.3, 1.0] {
                let held = coverage(power, bearings, noise_db, runs);
                println!("{}", line(name, bearings, noise_db, &held));
            }
        }
    }
}

/// A short version of the above. Of 100 intervals that hold the truth in 93 % of cases or more, fewer than 84 do with a
/// probability under 1 in 1000 (binomial law).
#[test]
fn intervals_hold_the_truth() {
    for (name, power) in PATTERNS {
        let held = coverage(power, 24, 0.5, 100);
        for which in 1..4 {
            let share = held.share(which).expect("judged");
            assert!(share >= 0.84, "{}", line(name, 24, 0.5, &held));
        }
    }
}
