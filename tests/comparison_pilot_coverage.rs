//! Comparison by pilot at low C/N, from samples: whether it finds the true difference, and its intervals hold it.
//!
//! Simulated 8-VSB (real waveforms, random symbols) in noise through the model of an 8-bit dongle, its pilot measured by
//! [`PilotProbe`]. The long run is ignored by default: `cargo test --test comparison_pilot_coverage -- --ignored
//! --nocapture` prints the table of DEVELOPERS.md. There, to be quick, only the pilot's tuning is simulated, and the power
//! is drawn.

mod iq;
mod takes;

use gainsay::capture::simulated::{Scene, Setup, SimulatedSource};
use gainsay::capture::tuning::tile;
use gainsay::capture::{Sample, Source};
use gainsay::channels::{Plan, Thresholds};
use gainsay::compare::{ChannelComparison, Method, Options, compare};
use gainsay::reading::evaluate::evaluate;
use gainsay::reading::pilot::{PilotPower, PilotProbe, PilotSpectrum};
use gainsay::reading::survey::Survey;
use gainsay::reading::{Estimate, NoiseSource, PilotReading, Take};
use gainsay::units::Hertz;
use iq::{PILOT_HZ, VSB, scene, setup};
use jiff::{SignedDuration, Timestamp};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use takes::{NOISE, RELATIVE_ERROR, ratio, reading, take};

/// Enough that rounding to 8 bits adds under 2 % to it.
const NOISE_DBFS_PER_MHZ: f64 = -36.0;
/// The pilot's tuning, and where the pilot stands in it.
const TUNING_MHZ: f64 = 507.0;
const PLACE_HZ: f64 = PILOT_HZ - 1e6;
const TRUTH_DB: f64 = 3.0;

/// Channel 20 at this C/N in 6 MHz, channels 21 and 22 vacant.
fn station(cn_db: f64) -> Scene {
    let dongle = format!("noise_dbfs_per_mhz = {NOISE_DBFS_PER_MHZ}");
    let mut scene = scene(&dongle, VSB);
    scene.transmitters[0].power_dbfs = scene.dongle.noise_in(Hertz::from_mhz(6.0)).0 + cn_db;
    scene
}

/// Each seed another stretch of time, so other symbols and other noise.
fn at(seed: u64, tunings: &[f64], dwell_s: f64) -> Setup {
    let start: Timestamp = "2026-05-09T10:00:00Z".parse().expect("a time");
    Setup {
        take_seed: seed,
        starts_at: start + SignedDuration::from_secs(seed as i64 % 1_000_000),
        scene_epoch: start,
        ..setup(tunings, dwell_s)
    }
}

/// The pilot's spectrum in one visit to its tuning.
fn visit(cn_db: f64, dwell_s: f64, seed: u64) -> PilotSpectrum {
    let mut source =
        SimulatedSource::new(&station(cn_db), at(seed, &[TUNING_MHZ], dwell_s)).expect("a source");
    let mut probe = PilotProbe::new(2.4e6, PLACE_HZ, 60e3).expect("a probe");
    source.next_tuning().expect("a tuning");
    let mut buffer = vec![Sample::default(); 12_000];
    loop {
        match source.read(&mut buffer).expect("samples") {
            0 => return probe.finish(),
            count => probe.push(&buffer[..count]),
        }
    }
}

/// `scale` brings the simulated dongle's powers to those of the reading that it goes with.
fn pilot_reading(power: PilotPower, found: bool, scale: f64) -> PilotReading {
    PilotReading {
        offset_hz: power.baseband_hz - PLACE_HZ,
        offset_standard_error_hz: 10.0,
        power: Estimate {
            value: scale * power.power,
            standard_error: scale * power.power_standard_error,
            degrees_of_freedom: f64::INFINITY,
        },
        snr_db: power.snr_db().map(|ratio| ratio.0),
        enbw_hz: power.enbw_hz,
        found,
    }
}

/// The pilot of each of two recordings: where one doesn't show it, at the place where the other does.
fn of_pair(spectra: [&PilotSpectrum; 2], scale: f64) -> [Option<PilotReading>; 2] {
    let found = spectra.map(PilotSpectrum::find);
    let place_hz = |other: usize| found[other].map(|pilot| pilot.power.baseband_hz);
    [0, 1].map(|one| match (found[one], place_hz(1 - one)) {
        (Some(pilot), _) => Some(pilot_reading(pilot.power, true, scale)),
        (None, Some(hz)) => Some(pilot_reading(spectra[one].measure_at(hz)?, false, scale)),
        (None, None) => None,
    })
}

/// The whole way from samples: three channels of 20, of which one has a station, no terminated take.
///
/// 100 ms a tuning, 300 ms on the channel, one pair. The pilot's statistics are then good to 0.15 dB with B and 0.10 dB with A,
/// 0.18 dB together: 0.7 dB is four of these.
#[test]
fn three_decibels_are_recovered_at_a_cn_of_minus_12() {
    let plan = Plan::find("us").expect("an embedded plan");
    let channels = plan.choose("20-22").expect("channels");
    let edges: Vec<(Hertz, Hertz)> = channels.iter().map(|one| (one.low, one.high)).collect();
    let tunings: Vec<f64> = tile(&edges, Hertz(2.4e6))
        .iter()
        .map(|hz| hz.mhz())
        .collect();
    let heard = |name: &str, cn_db: f64, seed: u64| {
        let mut source =
            SimulatedSource::new(&station(cn_db), at(seed, &tunings, 0.1)).expect("a source");
        let survey = Survey::run(&mut source, &[], &|| false, &mut |_| {}).expect("a survey");
        let readings = evaluate(&survey, None, &channels, &Thresholds::default(), None).readings;
        (take(name, 0.0, readings), visit(cn_db, 0.1, seed))
    };
    for seed in [1, 2] {
        let (mut a, seen_a) = heard("A", TRUTH_DB - 12.0, 10 * seed);
        let (mut b, seen_b) = heard("B", -12.0, 10 * seed + 1);
        let pilots = of_pair([&seen_a, &seen_b], 1.0);
        for (take, pilot) in [&mut a, &mut b].into_iter().zip(pilots) {
            let station = &mut take.readings[0];
            assert_eq!(station.noise_source, Some(NoiseSource::VacantChannels));
            station.pilot = pilot;
        }
        let comparison = compare(&[a], &[b], &Options::default()).expect("comparable");
        let one = &comparison.channels[0];
        assert_eq!(one.method, Some(Method::Pilot), "{one:?}");
        let difference_db = one.difference_db.expect("a difference");
        println!(
            "seed {seed}: {difference_db:.3} dB, {:?} to {:?}",
            one.low_db, one.high_db
        );
        assert!(
            (difference_db - TRUTH_DB).abs() < 0.7,
            "seed {seed}: {difference_db}"
        );
        assert!(holds(one), "{one:?}");
        // The empty channels stay empty.
        assert!(
            comparison.channels[1..]
                .iter()
                .all(|one| one.method.is_none())
        );
    }
}

fn holds(one: &ChannelComparison) -> bool {
    one.low_db.is_none_or(|low_db| low_db <= TRUTH_DB)
        && one.high_db.is_none_or(|high_db| TRUTH_DB <= high_db)
}

/// What the world does to a trial, standard deviations in dB.
#[derive(Debug, Clone, Copy)]
struct World {
    /// Of the pilots' difference for the channels', the same in all takes of a trial.
    selective_fading: f64,
    /// Of the connectors, the same in all takes of a trial, on the difference.
    fixed_mating: f64,
    /// Of each take: mating and unsteadiness.
    take: f64,
    /// Whether one terminated take serves all; else each take has an estimate of its own.
    terminated: bool,
}

const RECEIVER_ALONE: World = World {
    selective_fading: 0.0,
    fixed_mating: 0.0,
    take: 0.0,
    terminated: false,
};
/// As the defaults have it: 0.27 dB is 0.1 dB and 0.25 dB.
const AS_ASSUMED: World = World {
    selective_fading: 1.0,
    fixed_mating: 0.1,
    take: 0.27,
    terminated: false,
};
const WITH_TERMINATED_TAKE: World = World {
    terminated: true,
    ..AS_ASSUMED
};

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// Takes of one channel in this order. In a pair both pilots are measured where one is found; in the logbook's way (more
/// takes than two) a take has a pilot only if it found one.
fn simulate(
    order: &str,
    cn_db: f64,
    dwell_s: f64,
    world: World,
    rng: &mut ChaCha8Rng,
    seed: &mut u64,
) -> [Vec<Take>; 2] {
    let selective_db = world.selective_fading * normal(rng);
    let gain_db = TRUTH_DB + world.fixed_mating * normal(rng);
    let shared_noise = NOISE * (1.0 + 0.0116 * normal(rng)) * (1.0 + RELATIVE_ERROR * normal(rng));
    let mut heard = Vec::new();
    for antenna in order.chars() {
        let is_a = antenna == 'A';
        let level_db = cn_db + world.take * normal(rng) + if is_a { gain_db } else { 0.0 };
        // Half of the selective fading to either side.
        let own_db = selective_db / if is_a { 2.0 } else { -2.0 };
        *seed += 1;
        let spectrum = visit(level_db + own_db, dwell_s, *seed);
        let power = NOISE * (1.0 + ratio(level_db)) * (1.0 + RELATIVE_ERROR * normal(rng));
        let reading = if world.terminated {
            reading(20, power, shared_noise, 0.0116 * NOISE)
        } else {
            let noise = NOISE * (1.0 + 0.05 * normal(rng));
            let mut reading = reading(20, power, noise, 0.05 * NOISE);
            reading.noise_source = Some(NoiseSource::VacantChannels);
            reading
        };
        heard.push((is_a, reading, spectrum));
    }
    let scale = NOISE / (6.0 * ratio(NOISE_DBFS_PER_MHZ));
    let pilots: Vec<Option<PilotReading>> = if let [one, two] = heard.as_slice() {
        of_pair([&one.2, &two.2], scale).to_vec()
    } else {
        let found =
            |spectrum: &PilotSpectrum| Some(pilot_reading(spectrum.find()?.power, true, scale));
        heard.iter().map(|one| found(&one.2)).collect()
    };
    let mut takes = [Vec::new(), Vec::new()];
    for (minute, ((is_a, mut reading, _), pilot)) in heard.into_iter().zip(pilots).enumerate() {
        reading.pilot = pilot;
        let name = if is_a { "A" } else { "B" };
        takes[usize::from(!is_a)].push(take(name, minute as f64, vec![reading]));
    }
    takes
}

/// What trials came to, by one method.
#[derive(Debug, Default)]
struct Tally {
    trials: usize,
    held: usize,
    within: usize,
    errors_db: Vec<f64>,
    width_db: f64,
}

impl Tally {
    fn add(&mut self, one: &ChannelComparison) {
        self.trials += 1;
        self.held += usize::from(holds(one));
        if let (Some(db), Some(low_db), Some(high_db)) =
            (one.difference_db, one.low_db, one.high_db)
        {
            let error_db = db - TRUTH_DB;
            self.errors_db.push(error_db);
            self.within += usize::from(error_db.abs() <= 0.7);
            self.width_db += (high_db - low_db) / 2.0;
        }
    }

    fn coverage(&self) -> f64 {
        self.held as f64 / self.trials as f64
    }
}

/// So many trials, by power and by pilot; prints a line for each.
fn run(name: &str, world: World, order: &str, dwell_s: f64, cn_db: f64) -> [Tally; 2] {
    let mut seed = cn_db.to_bits() >> 20 ^ dwell_s.to_bits() >> 20 ^ (order.len() as u64) << 40;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut tallies = [Tally::default(), Tally::default()];
    for _ in 0..TRIALS {
        let [a, b] = simulate(order, cn_db, dwell_s, world, &mut rng, &mut seed);
        let comparison = compare(&a, &b, &Options::default()).expect("comparable");
        let one = &comparison.channels[0];
        match one.method {
            Some(Method::Power) => tallies[0].add(one),
            Some(Method::Pilot) => tallies[1].add(one),
            None => println!(
                "not compared: {}",
                one.reason.as_deref().unwrap_or_default()
            ),
        }
    }
    let percent = |part: usize, whole: usize| 100.0 * part as f64 / whole as f64;
    for (method, tally) in ["power", "pilot"].into_iter().zip(&tallies) {
        if tally.errors_db.is_empty() {
            println!(
                "| {name} | {order} | {cn_db} dB | {method}: no figure in {} trials |",
                tally.trials
            );
            continue;
        }
        let n = tally.errors_db.len();
        let sum: f64 = tally.errors_db.iter().sum();
        let squares: f64 = tally.errors_db.iter().map(|error| error * error).sum();
        println!(
            "| {name} | {order}, {:.0} ms | {cn_db} dB | {method} {:.1} % | {:.1} % | {:+.3} dB | {:.3} dB | {:.1} % | \
             {:.1} % | ±{:.2} dB |",
            dwell_s * 1e3,
            percent(tally.trials, TRIALS),
            percent(n, TRIALS),
            sum / n as f64,
            (squares / n as f64).sqrt(),
            percent(tally.within, n),
            100.0 * tally.coverage(),
            tally.width_db / n as f64
        );
    }
    tallies
}

const TRIALS: usize = 1000;

fn head() {
    println!(
        "| world | takes | C/N of B | method | with both ends | mean error | rms | within 0.7 dB | held | interval |"
    );
}

#[test]
#[ignore = "minutes: prints the table of comparison by pilot"]
fn three_decibels_are_recovered_by_pilot_as_figures() {
    head();
    for (order, dwell_s) in [("AB", 0.1), ("ABBABAAB", 0.02)] {
        let [_, pilot] = run("receiver alone", RECEIVER_ALONE, order, dwell_s, -12.0);
        assert!(100 * pilot.within >= 99 * TRIALS && pilot.coverage() >= 0.99);
    }
}

#[test]
#[ignore = "minutes: prints the table of comparison by pilot"]
fn intervals_by_pilot_hold_the_truth_as_figures() {
    head();
    for (order, dwell_s, cn_db) in [
        ("AB", 0.1, -12.0),
        ("AB", 0.02, -12.0),
        ("AB", 0.02, -18.0),
        ("AB", 0.02, -22.0),
        ("AB", 0.02, -25.0),
        ("ABBABAAB", 0.02, -12.0),
        ("ABBABAAB", 0.02, -22.0),
    ] {
        let [_, pilot] = run("as assumed", AS_ASSUMED, order, dwell_s, cn_db);
        let coverage = pilot.coverage();
        if cn_db >= -18.0 {
            assert!(
                (0.93..=0.985).contains(&coverage),
                "{order}, {cn_db} dB: {coverage}"
            );
        }
    }
}

#[test]
#[ignore = "minutes: prints the table of comparison by pilot"]
fn with_a_terminated_take_power_speaks_as_long_as_it_tells_more_as_figures() {
    head();
    for cn_db in [-9.0, -12.0, -13.0, -14.0, -15.0] {
        run("terminated take", WITH_TERMINATED_TAKE, "AB", 0.02, cn_db);
    }
}
