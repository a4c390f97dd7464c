//! A world for simulated trials: takes with every error that the comparison's model names, true differences known.

use gainsay::reading::Take;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::{ChiSquared, Distribution, StandardNormal};

use super::{NOISE, RELATIVE_ERROR, ratio, reading, take};

/// C/N of B by class, in dB. The last lies about three standard errors above nothing.
pub const CLASSES: [(&str, f64); 5] = [
    ("strong, 25 dB", 25.0),
    ("middling, 8 dB", 8.0),
    ("weak, 0 dB", 0.0),
    ("weak, −5 dB", -5.0),
    ("faint, −17 dB", -17.0),
];
pub const CHANNELS_A_CLASS: u16 = 3;

/// What the world does to the takes of a trial. Standard deviations in dB; times in takes.
#[derive(Debug, Clone, Copy)]
pub struct World {
    /// Linear drift, all channels alike, dB a take.
    pub drift: f64,
    /// Bend of that drift, dB a take².
    pub bend: f64,
    /// Slow fading that both antennas share, each channel its own; correlation 0.8 from take to take.
    pub shared_fading: f64,
    /// Fading of each antenna by itself in each channel; correlation 0.5 from take to take.
    pub own_fading: f64,
    /// Mating of the connector, each take anew, all channels alike.
    pub mating: f64,
    /// What is the same in all matings, on the difference.
    pub fixed_mating: f64,
    /// Gain from take to take, all channels alike.
    pub gain: f64,
    /// Type B error of the terminated take's noise, relative.
    pub noise_type_b: f64,
    /// Every third channel fades by so many times what is said above.
    pub uneven: f64,
    /// In one take, half of the channels are so many dB down.
    pub bad_take: f64,
    /// From some take on, all channels are so many dB up.
    pub step: f64,
}

pub const WORLD: World = World {
    drift: 0.1,
    bend: 0.01,
    shared_fading: 0.3,
    own_fading: 0.2,
    mating: 0.1,
    fixed_mating: 0.1,
    gain: 0.02,
    noise_type_b: 0.005,
    uneven: 1.0,
    bad_take: 0.0,
    step: 0.0,
};
/// Nobody walks past: next to nothing fades.
pub const CALM: World = World {
    shared_fading: 0.05,
    own_fading: 0.03,
    drift: 0.02,
    bend: 0.001,
    ..WORLD
};
/// People about.
pub const RESTLESS: World = World {
    shared_fading: 1.0,
    own_fading: 0.6,
    drift: 0.2,
    ..WORLD
};

/// Some channels fade three times as much as others.
pub const UNEVEN: World = World {
    uneven: 3.0,
    ..WORLD
};
/// Somebody walked by in one take.
pub const BAD_TAKE: World = World {
    bad_take: 6.0,
    ..WORLD
};
/// The gain changed on the way.
pub const STEP: World = World { step: 2.0, ..WORLD };

pub fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// A power estimate of so many degrees of freedom, 2/(relative error)².
fn estimated(power: f64, rng: &mut ChaCha8Rng) -> f64 {
    let freedom = 2.0 / (RELATIVE_ERROR * RELATIVE_ERROR);
    power * ChiSquared::new(freedom).expect("freedom").sample(rng) / freedom
}

/// Takes in this order, with true differences `truth_db` by channel.
pub fn simulate(
    order: &str,
    world: &World,
    truth_db: &[f64],
    rng: &mut ChaCha8Rng,
) -> (Vec<Take>, Vec<Take>) {
    let channels = truth_db.len();
    let per_trial_gain = normal(rng) * 0.5;
    let fixed_mating = normal(rng) * world.fixed_mating;
    let noise: Vec<f64> = (0..channels)
        .map(|_| estimated(NOISE * (1.0 + world.noise_type_b * normal(rng)), rng))
        .collect();
    let mut shared: Vec<f64> = (0..channels).map(|_| normal(rng)).collect();
    let mut own: Vec<[f64; 2]> = (0..channels).map(|_| [normal(rng), normal(rng)]).collect();
    // Drawn only where they are asked for, so that other worlds stay what they are.
    let event = (world.bad_take != 0.0 || world.step != 0.0).then(|| {
        let bad: Vec<bool> = (0..channels).map(|_| rng.random_bool(0.5)).collect();
        (rng.random_range(1..order.len()), bad)
    });
    let middle = (order.len() - 1) as f64 / 2.0;
    let (mut a, mut b) = (Vec::new(), Vec::new());
    for (index, antenna) in order.chars().enumerate() {
        let at = index as f64 - middle;
        let mating = normal(rng) * world.mating;
        let common = mating
            + world.gain * normal(rng)
            + world.drift * at
            + world.bend * at * at
            + per_trial_gain;
        let mut readings = Vec::new();
        for channel in 0..channels {
            shared[channel] = 0.8 * shared[channel] + 0.6 * normal(rng);
            for one in &mut own[channel] {
                *one = 0.5 * *one + 0.75f64.sqrt() * normal(rng);
            }
            let is_a = antenna == 'A';
            let fading = world.shared_fading * shared[channel]
                + world.own_fading * own[channel][usize::from(!is_a)];
            let uneven = if channel % 3 == 2 { world.uneven } else { 1.0 };
            let event_db = event.as_ref().map_or(0.0, |(take, bad)| {
                let down = if index == *take && bad[channel] {
                    world.bad_take
                } else {
                    0.0
                };
                let up = if index >= *take { world.step } else { 0.0 };
                up - down
            });
            let class = CLASSES[channel / usize::from(CHANNELS_A_CLASS)].1;
            let level_db = class
                + common
                + fading * uneven
                + event_db
                + if is_a {
                    truth_db[channel] + fixed_mating
                } else {
                    0.0
                };
            let power = estimated(NOISE * (1.0 + ratio(level_db)), rng);
            readings.push(reading(
                20 + channel as u16,
                power,
                noise[channel],
                world.noise_type_b * NOISE,
            ));
        }
        if antenna == 'A' {
            a.push(take("A", index as f64, readings))
        } else {
            b.push(take("B", index as f64, readings))
        }
    }
    (a, b)
}
