//! The smooth map: against scikit-learn (`fixtures/make_spots_map_table.py`), and on floors whose truth is known.

use gainsay::survey::map::{Area, Map, MapError, Parameters, Point};
use serde_json::Value;

fn numbers(value: &Value) -> Vec<f64> {
    value
        .as_array()
        .expect("numbers")
        .iter()
        .map(|one| one.as_f64().expect("a number"))
        .collect()
}

fn points(value: &Value) -> Vec<Point> {
    let point = |row: &Value| {
        let row = numbers(row);
        Point {
            x_m: row[0],
            y_m: row[1],
            value_db: row[2],
            standard_uncertainty_db: row[3],
        }
    };
    value
        .as_array()
        .expect("points")
        .iter()
        .map(point)
        .collect()
}

fn table() -> Vec<Value> {
    let table: Value =
        serde_json::from_str(include_str!("../fixtures/spots_map_table.json")).expect("JSON");
    table["cases"].as_array().expect("cases").clone()
}

#[test]
fn predictions_and_likelihoods_are_those_of_scikit_learn() {
    for case in table() {
        let [deviation_db, length_m, nugget_db] = numbers(&case["parameters"])[..] else {
            panic!("three")
        };
        let parameters = Parameters {
            deviation_db,
            length_m,
            nugget_db,
        };
        let map = Map::with(&points(&case["points"]), parameters).expect("a map");
        let places: Vec<(f64, f64)> = case["places"]
            .as_array()
            .expect("places")
            .iter()
            .map(|place| {
                let place = numbers(place);
                (place[0], place[1])
            })
            .collect();
        let got = map.at(&places);
        let (means, deviations) = (numbers(&case["mean"]), numbers(&case["standard_deviation"]));
        for ((one, mean), deviation) in got.iter().zip(means).zip(deviations) {
            // The constant's prior in the table has a variance of 10⁶ and not infinite.
            assert!(
                (one.mean_db - mean).abs() < 2e-4,
                "{} for {mean}",
                one.mean_db
            );
            assert!(
                (one.standard_deviation_db - deviation).abs() < 2e-4,
                "{one:?} for {deviation}"
            );
        }
        let want = case["log_marginal_likelihood"]
            .as_f64()
            .expect("a likelihood");
        assert!(
            (map.log_marginal_likelihood() - want).abs() < 1e-3,
            "{} for {want}",
            map.log_marginal_likelihood()
        );
    }
}

#[test]
fn what_is_fitted_is_as_likely_as_what_an_optimiser_finds_from_many_starts() {
    let mut checked = 0;
    for case in table() {
        let Some(highest) = case["highest"].as_f64() else {
            continue;
        };
        let map = Map::fit(&points(&case["points"])).expect("a map");
        let got = map.log_marginal_likelihood();
        assert!(
            got > highest - 0.02 && got < highest + 1e-3,
            "{got} for {highest}: {:?}",
            map.parameters()
        );
        checked += 1;
    }
    assert_eq!(checked, 2);
}

/// A hill of 10 dB at (4, 3), measured along two walls.
fn hill(x: f64, y: f64) -> f64 {
    10.0 * (-((x - 4.0).powi(2) + (y - 3.0).powi(2)) / 6.0).exp()
}

fn along_walls() -> Vec<Point> {
    let places = [
        (0.5, 0.5),
        (1.5, 0.5),
        (2.5, 0.5),
        (3.5, 0.5),
        (4.5, 0.5),
        (0.5, 1.5),
        (0.5, 2.5),
        (3.0, 1.8),
    ];
    places
        .iter()
        .map(|&(x_m, y_m)| Point {
            x_m,
            y_m,
            value_db: hill(x_m, y_m),
            standard_uncertainty_db: 0.3,
        })
        .collect()
}

fn room() -> Area {
    Area {
        ends_m: [0.0, 0.0, 5.0, 4.0],
        outlines: Vec::new(),
    }
}

#[test]
fn the_next_place_lies_towards_the_hill_and_not_on_a_measured_one() {
    let points = along_walls();
    let map = Map::fit(&points).expect("a map");
    let (places, (wide_m, high_m)) = room().cells(1500);
    let covered_m2 = places.len() as f64 * wide_m * high_m;
    assert!(
        (1300..1800).contains(&places.len()) && (wide_m / high_m - 1.0).abs() < 0.1,
        "{}, {wide_m} by {high_m} m",
        places.len()
    );
    assert!((covered_m2 - 5.0 * 4.0).abs() < 1e-9, "{covered_m2}");
    let next = map.next_place(&places).expect("a place");
    assert!(next.x_m > 2.0 && next.y_m > 1.8, "{next:?}");
    let nearest = points
        .iter()
        .map(|p| (p.x_m - next.x_m).hypot(p.y_m - next.y_m))
        .fold(f64::INFINITY, f64::min);
    assert!((nearest - next.nearest_m).abs() < 1e-9 && nearest >= 0.3);
    assert!(
        next.reason.contains("%") && next.reason.contains("(95 %)"),
        "{}",
        next.reason
    );
    // Only measured places: nothing to propose.
    let there: Vec<(f64, f64)> = points.iter().map(|p| (p.x_m, p.y_m)).collect();
    assert_eq!(map.next_place(&there), None);
}

#[test]
fn the_map_is_surer_near_its_points_and_the_truth_lies_within_its_deviations() {
    let points = along_walls();
    let map = Map::fit(&points).expect("a map");
    let near = map.at(&[(0.5, 0.5)])[0];
    let far = map.at(&[(20.0, 20.0)])[0];
    assert!(
        near.standard_deviation_db < 0.4 && far.standard_deviation_db > 1.5,
        "{near:?} {far:?}"
    );
    assert!((near.mean_db - hill(0.5, 0.5)).abs() < 0.5);
    let places = [(2.0, 1.0), (1.0, 2.0), (3.3, 1.5), (4.0, 1.2)];
    for (one, (x, y)) in map.at(&places).iter().zip(places) {
        let off = (one.mean_db - hill(x, y)).abs();
        assert!(
            off < 3.0 * one.standard_deviation_db.max(0.3),
            "{one:?} for {} at {x}, {y}",
            hill(x, y)
        );
    }
}

#[test]
fn spots_that_differ_by_no_more_than_their_noise_give_a_flat_map() {
    let points: Vec<Point> = (0..12)
        .map(|n| Point {
            x_m: f64::from(n % 4),
            y_m: f64::from(n / 4),
            value_db: [5.4, 4.3, 5.1, 4.8, 5.6, 4.4, 5.2, 4.6, 4.9, 5.3, 5.0, 4.7][n as usize],
            standard_uncertainty_db: 1.0,
        })
        .collect();
    let map = Map::fit(&points).expect("a map");
    for one in map.at(&[(0.5, 0.5), (2.5, 1.5), (1.5, 1.0)]) {
        assert!((one.mean_db - 4.94).abs() < 0.2, "{one:?}");
    }
}

#[test]
fn too_few_places_and_bad_figures_are_refused_in_words() {
    let mut points = along_walls();
    points.truncate(5);
    // A sixth spot at the place of another is no sixth place.
    points.push(points[0]);
    let error = Map::fit(&points).unwrap_err();
    assert_eq!(error, MapError::TooFew { places: 5 });
    assert!(
        error.to_string().contains("needs 6 spots") && error.to_string().contains("there are 5")
    );
    let mut points = along_walls();
    points[2].value_db = f64::NAN;
    assert!(
        Map::fit(&points)
            .unwrap_err()
            .to_string()
            .contains("the level NaN")
    );
    let mut points = along_walls();
    points[2].standard_uncertainty_db = -1.0;
    assert!(
        Map::fit(&points)
            .unwrap_err()
            .to_string()
            .contains("uncertainty -1")
    );
}

#[test]
fn many_spots_and_coinciding_ones_still_give_a_map() {
    let mut points: Vec<Point> = (0..300)
        .map(|n| {
            let (x_m, y_m) = (f64::from(n % 20) * 0.5, f64::from(n / 20) * 0.5);
            Point {
                x_m,
                y_m,
                value_db: hill(x_m, y_m),
                standard_uncertainty_db: 0.5,
            }
        })
        .collect();
    points.push(points[0]);
    let map = Map::fit(&points).expect("a map");
    let top = map.at(&[(4.0, 3.0)])[0];
    assert!((top.mean_db - 10.0).abs() < 0.7, "{top:?}");
}

#[test]
fn a_floor_is_what_lies_inside_an_odd_number_of_outlines() {
    let square = |a: f64, b: f64| vec![(a, a), (b, a), (b, b), (a, b)];
    let area = Area {
        ends_m: [-10.0, -10.0, 10.0, 10.0],
        outlines: vec![square(0.0, 4.0), square(1.0, 2.0)],
    };
    for (place, on) in [
        ((0.5, 0.5), true),
        ((1.5, 1.5), false),
        ((3.0, 3.0), true),
        ((5.0, 1.0), false),
        ((-1.0, -1.0), false),
    ] {
        assert_eq!(area.holds(place), on, "{place:?}");
    }
    let (cells, _) = area.cells(400);
    assert!(!cells.is_empty() && cells.iter().all(|&cell| area.holds(cell)));
}
