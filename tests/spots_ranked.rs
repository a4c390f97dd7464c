//! Spots ranked: what the figures are, who is told apart from whom, and that chance is not taken for a better place.

mod spots_support;
mod takes;

use gainsay::channels::ChannelId;
use gainsay::reading::{Health, State, Take};
use gainsay::statistics::median;
use gainsay::survey::spots::{Options, Ranking, SpotsError, SpreadBasis, rank};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp1, Normal};
use serde_json::Value;
use spots_support::{at, several};

/// Margins around a true one, as takes a few centimetres apart have them.
struct Field {
    random: ChaCha8Rng,
    law: Law,
}

/// How takes at a spot spread.
#[derive(Debug, Clone, Copy)]
enum Law {
    /// Normally, in dB.
    Normal(f64),
    /// As a single frequency without line of sight does, its median at the true margin: far down now and then.
    Rayleigh,
}

impl Field {
    fn new(seed: u64, spread_db: f64) -> Field {
        Field::of(seed, Law::Normal(spread_db))
    }

    fn of(seed: u64, law: Law) -> Field {
        let random = ChaCha8Rng::seed_from_u64(seed);
        Field { random, law }
    }

    fn off(&mut self) -> f64 {
        match self.law {
            Law::Normal(spread) => Normal::new(0.0, spread)
                .expect("a spread")
                .sample(&mut self.random),
            // The median of an exponential power is ln 2 times its mean.
            Law::Rayleigh => {
                let power: f64 = Exp1.sample(&mut self.random);
                10.0 * (power / std::f64::consts::LN_2).log10()
            }
        }
    }

    fn around(&mut self, margins_db: &[f64]) -> Vec<Option<f64>> {
        margins_db
            .iter()
            .map(|margin| Some(margin + self.off()))
            .collect()
    }

    /// Takes at spots whose channels have these true margins.
    fn takes(&mut self, spots: &[(&str, &[f64])], each: usize) -> Vec<Take> {
        let mut takes = Vec::new();
        for (index, (spot, margins)) in spots.iter().enumerate() {
            takes.extend(several(spot, 10.0 * index as f64, each, |_| {
                self.around(margins)
            }));
        }
        takes
    }
}

fn ranked(takes: &[Take]) -> Ranking {
    rank(takes, None, &Options::default()).expect("a ranking")
}

fn names(ranking: &Ranking) -> Vec<(&str, usize, usize)> {
    let spot = |spot: &'_ gainsay::survey::spots::Spot| (spot.rank, spot.worst_rank);
    ranking
        .spots
        .iter()
        .map(|one| (one.name.as_str(), spot(one).0, spot(one).1))
        .collect()
}

#[test]
fn figures_are_the_median_the_spread_and_the_pooled_spread() {
    let values = [[4.0, 9.0], [6.0, 7.0], [3.0, 8.0], [7.0, 12.0], [5.0, 9.5]];
    let mut takes = several("shelf", 0.0, 5, |n| values[n].map(Some).to_vec());
    takes.extend(several("desk", 10.0, 2, |n| {
        vec![Some(1.0 + 2.0 * n as f64), Some(20.0)]
    }));
    let ranking = ranked(&takes);
    let shelf = ranking
        .spots
        .iter()
        .find(|spot| spot.name == "shelf")
        .expect("the shelf");
    let margins: Vec<f64> = shelf
        .channels
        .iter()
        .filter_map(|one| one.margin_db)
        .collect();
    // Medians by hand.
    assert!(
        (margins[0] - 5.0).abs() < 1e-9 && (margins[1] - 9.0).abs() < 1e-9,
        "{margins:?}"
    );
    // Sample standard deviation by hand: 3, 4, 5, 6, 7 give √2.5.
    let spread = shelf.channels[0].spread_db.expect("a spread");
    assert!((spread - 2.5f64.sqrt()).abs() < 1e-9, "{spread}");
    // Pooled by hand: (10 + 2)/(4 + 1).
    let pooled = &ranking.spreads[0];
    assert_eq!(
        (pooled.degrees_of_freedom, pooled.basis),
        (Some(5.0), SpreadBasis::Pooled)
    );
    assert!((pooled.spread_db - (12.0f64 / 5.0).sqrt()).abs() < 1e-9);
    let weakest = shelf.weakest.as_ref().expect("a weakest channel");
    assert_eq!(
        (weakest.channel.clone(), shelf.states.firm),
        (ChannelId::Number(20), 2)
    );
}

#[test]
fn the_weakest_wanted_channel_comes_first_and_power_in_the_others_counts_for_nothing() {
    let mut field = Field::new(1, 0.5);
    let takes = field.takes(
        &[
            ("loud", &[2.0, 40.0, 40.0]),
            ("even", &[8.0, 9.0, 9.0]),
            ("poor", &[-6.0, 30.0, 30.0]),
        ],
        5,
    );
    let ranking = ranked(&takes);
    assert_eq!(
        names(&ranking),
        [("even", 1, 1), ("loud", 2, 2), ("poor", 3, 3)]
    );
    assert!(
        ranking.meaning[0]
            .starts_with("Best place: even; its weakest wanted channel, 20, stands 7.8 dB above"),
        "{:?}",
        ranking.meaning
    );
    // Without channel 20 among the wanted, the order is the other way round.
    let wanted = [ChannelId::Number(21), ChannelId::Number(22)];
    let ranking = rank(&takes, Some(&wanted), &Options::default()).expect("a ranking");
    assert_eq!(ranking.spots[0].name, "loud");
    assert_eq!(ranking.spots[2].name, "even");
}

#[test]
fn spots_that_chance_may_have_put_in_order_share_a_rank_and_say_so() {
    let mut field = Field::new(2, 2.0);
    let takes = field.takes(
        &[("a", &[6.0, 9.0]), ("b", &[6.5, 9.0]), ("c", &[-20.0, 9.0])],
        5,
    );
    let ranking = ranked(&takes);
    let ranks: Vec<(usize, usize)> = ranking
        .spots
        .iter()
        .map(|one| (one.rank, one.worst_rank))
        .collect();
    assert_eq!(ranks, [(1, 2), (1, 2), (3, 3)]);
    assert_eq!(ranking.spots[0].tied_with, [ranking.spots[1].name.clone()]);
    assert!(ranking.spots[2].tied_with.is_empty());
    let all = ranking.meaning.join(" ");
    assert!(
        all.contains("That is not sure") && all.contains("can't be told apart from"),
        "{all}"
    );
    assert!(
        all.contains("takes at either") || all.contains("will hardly decide"),
        "{all}"
    );
}

#[test]
fn of_spots_with_the_same_weakest_channel_the_one_with_surely_more_firm_is_better() {
    let mut field = Field::new(3, 0.3);
    let takes = field.takes(
        &[
            ("few", &[1.0, 1.0, 1.5, 1.0, 30.0]),
            ("many", &[1.0, 25.0, 25.0, 25.0, 30.0]),
        ],
        5,
    );
    let ranking = ranked(&takes);
    assert_eq!(names(&ranking), [("many", 1, 1), ("few", 2, 2)]);
    assert_eq!(
        (ranking.spots[0].surely_firm, ranking.spots[1].possibly_firm),
        (4, 1)
    );
}

#[test]
fn a_vacant_channel_is_an_upper_bound_and_speaks_against_a_spot_never_for_it() {
    let mut field = Field::new(4, 0.5);
    let mut takes = field.takes(&[("good", &[8.0, 8.0])], 5);
    takes.extend(several("deaf", 20.0, 5, |_| vec![None, Some(30.0)]));
    takes.extend(several("deaf too", 30.0, 5, |_| vec![None, Some(20.0)]));
    let ranking = ranked(&takes);
    assert_eq!(ranking.spots[0].name, "good");
    assert_eq!(names(&ranking)[1..], [("deaf", 2, 3), ("deaf too", 2, 3)]);
    let weakest = ranking.spots[1].weakest.as_ref().expect("a bound");
    assert!(
        weakest.is_bound && weakest.low_db.is_none() && weakest.margin_db < -20.0,
        "{weakest:?}"
    );
    assert_eq!(ranking.spots[1].states.vacant, 1);
    assert_eq!(ranking.spots[1].channels[0].state, Some(State::Vacant));
}

#[test]
fn a_channel_that_was_not_measured_is_told_and_is_no_evidence() {
    let mut field = Field::new(5, 0.3);
    let mut takes = field.takes(&[("whole", &[5.0, 6.0]), ("part", &[25.0, 26.0])], 5);
    for take in takes.iter_mut().filter(|take| take.spot == "part") {
        take.readings[1].covered = 0.83;
        take.readings[1].health.push(Health::Clipped {
            tuning_mhz: 509.0,
            fraction: 0.01,
        });
    }
    let ranking = ranked(&takes);
    let part = ranking
        .spots
        .iter()
        .find(|one| one.name == "part")
        .expect("part");
    assert_eq!((part.rank, part.not_measured), (1, 1));
    assert_eq!(part.tied_with, ["whole"]);
    assert!(
        part.channels[1]
            .reason
            .as_ref()
            .expect("a reason")
            .contains("clipped at 509 MHz")
    );
    assert!(
        part.remarks
            .iter()
            .any(|one| one.contains("21 not measured")),
        "{:?}",
        part.remarks
    );
    // A spot can lose by what it has.
    for take in takes.iter_mut().filter(|take| take.spot == "part") {
        take.readings[0] = at("x", 0.0, &[Some(-10.0)]).readings.remove(0);
    }
    assert_eq!(names(&ranked(&takes)), [("whole", 1, 1), ("part", 2, 2)]);
    // Measured nowhere, a channel is left out, with the reason.
    for take in &mut takes {
        take.readings[1].threshold_db = None;
    }
    let ranking = ranked(&takes);
    assert_eq!(ranking.wanted, [ChannelId::Number(20)]);
    assert_eq!(ranking.left_out[0].channel, ChannelId::Number(21));
    assert!(
        ranking.left_out[0].reason.contains("at every spot"),
        "{:?}",
        ranking.left_out
    );
}

#[test]
fn without_repeats_the_spread_is_assumed_and_the_figures_are_marked_as_weak() {
    let takes = vec![at("a", 0.0, &[Some(5.0)]), at("b", 1.0, &[Some(8.0)])];
    let ranking = ranked(&takes);
    assert_eq!(names(&ranking), [("b", 1, 2), ("a", 1, 2)]);
    assert!(
        ranking
            .spots
            .iter()
            .all(|spot| spot.weak && spot.remarks[0].contains("weak"))
    );
    assert_eq!(ranking.spreads[0].basis, SpreadBasis::Assumed);
    assert!(
        ranking.remarks[0].contains("2.0 dB"),
        "{:?}",
        ranking.remarks
    );
    // Assuming less decides it: 3 dB are 8 standard errors then.
    let sure = Options {
        spread_db: 0.05,
        ..Options::default()
    };
    let ranking = rank(&takes, None, &sure).expect("a ranking");
    assert_eq!(names(&ranking), [("b", 1, 1), ("a", 2, 2)]);
}

#[test]
fn a_spot_that_spreads_far_more_goes_by_its_own_spread_and_spoils_no_other() {
    let mut field = Field::new(6, 0.4);
    let mut takes = field.takes(&[("a", &[5.0]), ("b", &[6.0]), ("c", &[9.0])], 5);
    takes.extend(several("wild", 40.0, 5, |n| {
        vec![Some([2.0, 14.0, 25.0, 7.0, -3.0][n])]
    }));
    let ranking = ranked(&takes);
    let wild = ranking
        .spots
        .iter()
        .find(|one| one.name == "wild")
        .expect("wild");
    assert!(wild.channels[0].own_spread && wild.remarks.iter().any(|one| one.contains("20")));
    assert!(
        ranking.spreads[0].spread_db < 1.0 && ranking.spreads[0].degrees_of_freedom == Some(12.0)
    );
    let u = |name: &str| {
        let spot = ranking
            .spots
            .iter()
            .find(|one| one.name == name)
            .expect("a spot");
        spot.channels[0]
            .standard_uncertainty_db
            .expect("an uncertainty")
    };
    assert!(u("wild") > 3.0 && u("a") < 0.6, "{} {}", u("wild"), u("a"));
}

#[test]
fn a_spot_visited_again_says_how_well_it_repeated() {
    let mut takes = vec![
        at("a", 0.0, &[Some(5.0), Some(9.0)]),
        at("b", 5.0, &[Some(8.0), Some(9.0)]),
        at("a", 40.0, &[Some(6.2), Some(9.4)]),
    ];
    let remarks = ranked(&takes).remarks.join(" ");
    assert!(
        remarks.contains("a was visited again after 40 min: the wanted channels differ by 0.8 dB in the middle, at most by 1.2 dB (channel 20)"),
        "{remarks}"
    );
    takes.pop();
    assert!(
        ranked(&takes)
            .remarks
            .join(" ")
            .contains("No spot was visited again")
    );
}

#[test]
fn noise_that_differs_between_spots_is_remarked_and_margins_are_compared_all_the_same() {
    let mut takes = vec![at("a", 0.0, &[Some(5.0)]), at("b", 5.0, &[Some(8.0)])];
    assert!(!ranked(&takes).remarks.join(" ").contains("noise was"));
    let louder = &mut takes[1].readings[0];
    for estimate in [&mut louder.power, &mut louder.noise, &mut louder.signal] {
        let estimate = estimate.as_mut().expect("a power");
        estimate.value *= 10.0;
        estimate.standard_error *= 10.0;
    }
    let remarks = ranked(&takes).remarks.join(" ");
    assert!(
        remarks.contains("The noise was 10.0 dB higher at b than at a"),
        "{remarks}"
    );
    // Where a gain of 10 dB more explains it, there is nothing to say.
    takes[0].settings.gains_db = vec![(509e6, 20.0)];
    takes[1].settings.gains_db = vec![(509e6, 30.0)];
    assert!(!ranked(&takes).remarks.join(" ").contains("noise was"));
}

#[test]
fn what_can_t_be_ranked_is_refused_in_words() {
    let takes = vec![at("a", 0.0, &[Some(5.0)]), at("b", 5.0, &[Some(8.0)])];
    assert_eq!(
        rank(&[], None, &Options::default()),
        Err(SpotsError::NoTakes)
    );
    let mut mixed = takes.clone();
    mixed[1].antenna = "yagi".into();
    let error = rank(&mixed, None, &Options::default())
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("tape loop") && error.contains("yagi"),
        "{error}"
    );
    let absent = [ChannelId::Number(30)];
    let error = rank(&takes, Some(&absent), &Options::default())
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("30") && error.contains("not covered"),
        "{error}"
    );
    for spread_db in [-1.0, f64::NAN, f64::INFINITY] {
        let options = Options {
            spread_db,
            ..Options::default()
        };
        assert!(
            rank(&takes, None, &options)
                .unwrap_err()
                .to_string()
                .contains("spread")
        );
    }
    // A single spot has figures and nothing to rank.
    let ranking = ranked(&takes[..1]);
    assert!(
        ranking.meaning[0].contains("nothing to rank"),
        "{:?}",
        ranking.meaning
    );
}

/// Medians, pooled spreads, intervals and one-sided probabilities worked out with numpy and scipy by
/// `fixtures/make_spots_table.py`.
#[test]
fn figures_agree_with_scipy() {
    let table: Value =
        serde_json::from_str(include_str!("../fixtures/spots_table.json")).expect("JSON");
    for case in table["cases"].as_array().expect("cases") {
        let mut takes = Vec::new();
        let spots = case["spots"].as_object().expect("spots");
        for (index, (name, rows)) in spots.iter().enumerate() {
            let rows = rows.as_array().expect("takes");
            takes.extend(several(name, 100.0 * index as f64, rows.len(), |n| {
                rows[n]
                    .as_array()
                    .expect("margins")
                    .iter()
                    .map(Value::as_f64)
                    .collect()
            }));
        }
        let ranking = ranked(&takes);
        for (name, figures) in case["figures"].as_object().expect("figures") {
            let spot = ranking
                .spots
                .iter()
                .find(|one| one.name == *name)
                .expect("the spot");
            let close = |got: Option<f64>, want: &Value, what: &str| {
                let (got, want) = (got.expect("a figure"), want.as_f64().expect("a figure"));
                // Half widths go up by at most 2 % (kept by steps), so that ends differ by that of their distance.
                let half = figures["half_widths"][0].as_f64().expect("a half width");
                let tolerance = if what.contains("end") {
                    0.03 * half.max(0.5)
                } else {
                    2e-5
                };
                assert!(
                    (got - want).abs() <= tolerance,
                    "{name} {what}: {got} for {want}"
                );
            };
            for (n, channel) in spot.channels.iter().enumerate() {
                close(channel.margin_db, &figures["margins"][n], "margin");
                close(
                    channel.standard_uncertainty_db,
                    &figures["uncertainties"][n],
                    "uncertainty",
                );
                let half = channel.high_db.expect("an end") - channel.margin_db.expect("a margin");
                let want = figures["half_widths"][n].as_f64().expect("a half width");
                assert!(
                    half >= want * 0.9999 && half <= want * 1.0205,
                    "{name}: {half} for {want}"
                );
            }
            let weakest = spot.weakest.as_ref().expect("a weakest channel");
            close(weakest.low_db, &figures["low"], "lower end");
            close(Some(weakest.high_db), &figures["high"], "upper end");
        }
        let better: Vec<(String, String)> =
            serde_json::from_value(case["better"].clone()).expect("pairs");
        let got: usize = ranking.spots.iter().map(|spot| spot.rank - 1).sum();
        assert_eq!(got, better.len(), "{:?} for {better:?}", names(&ranking));
        for (s, t) in better {
            let place = |name: &str| ranking.spots.iter().position(|one| one.name == name);
            assert!(place(&s) < place(&t), "{s} is better than {t}");
            let t = ranking
                .spots
                .iter()
                .find(|one| one.name == t)
                .expect("the spot");
            assert!(!t.tied_with.contains(&s), "{s} and {}", t.name);
        }
    }
}

/// How often an interval holds the truth, and how often equal spots are told apart, over invented rooms.
struct Tally {
    intervals: usize,
    held: usize,
    weakest: usize,
    weakest_held: usize,
    rooms: usize,
    told_apart: usize,
}

/// Rooms of equal spots: every spot has the same true margins, its takes spread by `law`, and each
/// visit is off by the unsteadiness.
fn equal_rooms(
    seed: u64,
    rooms: usize,
    spots: usize,
    each: usize,
    margins: &[f64],
    law: Law,
) -> Tally {
    let options = Options::default();
    let mut field = Field::of(seed, law);
    let mut visit = Field::new(seed + 1, options.unsteadiness_db);
    let names: Vec<String> = (0..spots).map(|n| format!("spot {n}")).collect();
    let mut tally = Tally {
        intervals: 0,
        held: 0,
        weakest: 0,
        weakest_held: 0,
        rooms,
        told_apart: 0,
    };
    for _ in 0..rooms {
        let mut takes = Vec::new();
        for (n, name) in names.iter().enumerate() {
            let here: Vec<f64> = visit.around(margins).into_iter().flatten().collect();
            takes.extend(several(name, 10.0 * n as f64, each, |_| {
                field.around(&here)
            }));
        }
        let ranking = rank(&takes, None, &options).expect("a ranking");
        let truly_weakest = margins.iter().copied().fold(f64::INFINITY, f64::min);
        for spot in &ranking.spots {
            for (channel, truth) in spot.channels.iter().zip(margins) {
                tally.intervals += 1;
                let held = channel.low_db <= Some(*truth) && channel.high_db >= Some(*truth);
                tally.held += usize::from(held);
            }
            let weakest = spot.weakest.as_ref().expect("a weakest channel");
            tally.weakest += 1;
            let held = weakest.low_db <= Some(truly_weakest) && weakest.high_db >= truly_weakest;
            tally.weakest_held += usize::from(held);
        }
        tally.told_apart += usize::from(ranking.spots.iter().any(|spot| spot.rank > 1));
    }
    tally
}

#[test]
fn intervals_hold_the_truth_and_equal_spots_are_hardly_ever_told_apart() {
    let tally = equal_rooms(11, 60, 5, 5, &[4.0, 4.5, 8.0], Law::Normal(1.5));
    let share = |held: usize, all: usize| held as f64 / all as f64;
    // 900 intervals: four standard deviations below 95 % are 92 %.
    assert!(
        share(tally.held, tally.intervals) > 0.92,
        "{} of {}",
        tally.held,
        tally.intervals
    );
    assert!(
        share(tally.weakest_held, tally.weakest) > 0.92,
        "{} of {}",
        tally.weakest_held,
        tally.weakest
    );
    // At most 5 % of 60 rooms are 3; 9 and more have a chance of 0.3 %.
    assert!(
        tally.told_apart <= 8,
        "{} of {}",
        tally.told_apart,
        tally.rooms
    );
}

#[test]
#[ignore = "takes minutes; prints the figures in DEVELOPERS.md"]
fn coverage_and_false_alarms_over_many_rooms() {
    println!(
        "| spots × takes | margins dB | spread | intervals hold | weakest holds | equal spots told apart |"
    );
    println!("|---|---|---|---|---|---|");
    let near = vec![4.0, 4.5, 8.0];
    let many = vec![4.0; 20];
    let one = vec![2.0];
    let firm = vec![3.0, 3.0, 3.0, 3.0];
    for (spots, each, margins, law) in [
        (2, 5, &one, Law::Normal(2.0)),
        (3, 3, &near, Law::Normal(2.0)),
        (5, 5, &near, Law::Normal(1.5)),
        (5, 2, &near, Law::Normal(1.5)),
        (5, 1, &near, Law::Normal(2.0)),
        (5, 1, &near, Law::Normal(1.0)),
        (8, 5, &many, Law::Normal(2.0)),
        (6, 5, &firm, Law::Normal(0.3)),
        (2, 2, &near, Law::Normal(3.0)),
        (2, 3, &near, Law::Normal(3.0)),
        (8, 5, &one, Law::Normal(2.0)),
        (2, 5, &one, Law::Rayleigh),
        (8, 5, &one, Law::Rayleigh),
        (5, 5, &near, Law::Rayleigh),
    ] {
        let tally = equal_rooms(77, 2000, spots, each, margins, law);
        let percent = |held: usize, all: usize| 100.0 * held as f64 / all as f64;
        println!(
            "| {spots} × {each} | {} | {law:?} | {:.1} % | {:.1} % | {:.2} % |",
            if margins.len() > 5 {
                format!("{} × {}", margins.len(), margins[0])
            } else {
                format!("{margins:?}")
            },
            percent(tally.held, tally.intervals),
            percent(tally.weakest_held, tally.weakest),
            percent(tally.told_apart, tally.rooms),
        );
    }
}

#[test]
fn a_median_of_medians_is_not_asked_for() {
    // The median over all takes of a spot, also where they were made in several visits.
    let values = [1.0, 2.0, 9.0];
    let takes: Vec<Take> = [("a", 0), ("a", 1), ("b", 0), ("a", 2)]
        .into_iter()
        .enumerate()
        .map(|(minute, (spot, n))| at(spot, minute as f64, &[Some(values[n])]))
        .collect();
    let ranking = ranked(&takes);
    let a = ranking.spots.iter().find(|one| one.name == "a").expect("a");
    let margin = a.channels[0].margin_db.expect("a margin");
    assert!((margin - median(&values).expect("values")).abs() < 1e-9);
}

#[test]
#[ignore = "writes a logbook of 300 spots × 36 channels × 5 takes to $GAINSAY_LOG, to try the command on"]
fn a_large_hall_to_try_the_command_on() {
    let path = std::env::var_os("GAINSAY_LOG").expect("GAINSAY_LOG");
    let mut field = Field::new(9, 2.0);
    let mut takes = Vec::new();
    for spot in 0..300 {
        let (x, y) = (f64::from(spot % 20), f64::from(spot / 20));
        let margins: Vec<f64> = (0..36)
            .map(|n| x + 0.5 * y - 4.0 + 0.3 * f64::from(n))
            .collect();
        let here = several(&format!("spot {spot}"), 10.0 * f64::from(spot), 5, |_| {
            field.around(&margins)
        });
        takes.extend(spots_support::placed(here, x, y));
    }
    let path = std::path::Path::new(&path);
    gainsay::logbook::Logbook::open(path)
        .and_then(|mut logbook| logbook.append_all(&takes))
        .expect("a logbook");
}
