//! The statistics against published figures: JCGM 100:2008 (GUM), the NIST/SEMATECH e-Handbook, NIST StRD, Student 1908,
//! Holm 1979, and a table made with scipy (`fixtures/make_statistics_table.py`).

use gainsay::compare::{BudgetRow, ErrorLaw, Evaluation, combine};
use gainsay::statistics::{
    self, Moments, PriorOfVariances, TTest, coverage_factor, holm, lag_one_autocorrelation,
    normal_upper_quantile, student_upper_quantile, student_upper_tail, truncated,
    welch_satterthwaite,
};
use serde_json::Value;

#[track_caller]
fn close(got: f64, expected: f64, tolerance: f64) {
    assert!(
        (got - expected).abs() <= tolerance,
        "got {got}, expected {expected} within {tolerance}"
    );
}

#[track_caller]
fn relatively_close(got: f64, expected: f64, tolerance: f64) {
    close(got, expected, tolerance * expected.abs().max(1e-300));
}

fn moments(values: &[f64]) -> Moments {
    Moments::of(values).expect("values")
}

/// JCGM 100:2008 table G.2 and NIST/SEMATECH e-Handbook 1.3.6.7.2, recomputed (R).
#[test]
fn coverage_factors_are_those_of_the_published_t_table() {
    let freedoms = [
        1.,
        2.,
        3.,
        4.,
        5.,
        6.,
        7.,
        8.,
        9.,
        10.,
        12.,
        15.,
        16.,
        19.,
        20.,
        30.,
        50.,
        f64::INFINITY,
    ];
    let table = [
        (
            0.90,
            [
                6.314, 2.920, 2.353, 2.132, 2.015, 1.943, 1.895, 1.860, 1.833, 1.812, 1.782, 1.753,
                1.746, 1.729, 1.725, 1.697, 1.676, 1.645,
            ],
        ),
        (
            0.95,
            [
                12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.179,
                2.131, 2.120, 2.093, 2.086, 2.042, 2.009, 1.960,
            ],
        ),
        (
            0.99,
            [
                63.657, 9.925, 5.841, 4.604, 4.032, 3.707, 3.499, 3.355, 3.250, 3.169, 3.055,
                2.947, 2.921, 2.861, 2.845, 2.750, 2.678, 2.576,
            ],
        ),
    ];
    for (confidence, row) in table {
        for (freedom, expected) in freedoms.iter().zip(row) {
            close(coverage_factor(confidence, *freedom), expected, 0.000_501);
        }
    }
    close(normal_upper_quantile(0.001), 3.0902, 0.000_05);
}

/// JCGM 100:2008, example G.4.1 (M→R).
#[test]
fn the_product_of_three_of_gum_g41_has_19_effective_degrees_of_freedom() {
    let parts = [(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)];
    let mut rows = parts.map(|(u, nu)| BudgetRow::new("factor", Evaluation::A, u, nu, 1.0));
    let combined = combine(&mut rows);
    close(combined.standard_uncertainty_db, 1.029_47, 5e-6);
    close(combined.effective_degrees_of_freedom, 18.999, 5e-4);
    // Truncation proper gives 18; the example prints 19.0, and 18.999 is what it rounds from.
    assert_eq!(truncated(combined.effective_degrees_of_freedom), 18.0);
    close(
        coverage_factor(0.95, 19.0) * combined.standard_uncertainty_db,
        2.155,
        5e-4,
    );
    close(rows.iter().map(|row| row.share).sum(), 1.0, 1e-12);
}

/// JCGM 100:2008, example H.1, end gauge, in nanometres (C13; ν of d and U₉₉ M→R).
#[test]
fn the_end_gauge_of_gum_h1_comes_out_as_printed() {
    let d_parts = [(5.8, 24.0), (3.9, 5.0), (6.7, 8.0)];
    let u_d = d_parts
        .iter()
        .map(|part| part.0 * part.0)
        .sum::<f64>()
        .sqrt();
    close(u_d, 9.68, 0.01);
    let nu_d = welch_satterthwaite(d_parts);
    close(nu_d, 25.4, 0.25);

    let length = 50_000_623.0;
    let mut rows = [
        BudgetRow::new("standard", Evaluation::B, 25.0, 18.0, 1.0),
        BudgetRow::new("difference, repeated", Evaluation::A, 5.8, 24.0, 1.0),
        BudgetRow::new("comparator, random", Evaluation::A, 3.9, 5.0, 1.0),
        BudgetRow::new("comparator, systematic", Evaluation::B, 6.7, 8.0, 1.0),
        BudgetRow::new(
            "expansion",
            Evaluation::B,
            1e-6 / 3f64.sqrt(),
            50.0,
            -length * -0.1,
        ),
        BudgetRow::new(
            "temperature",
            Evaluation::B,
            0.05 / 3f64.sqrt(),
            2.0,
            -length * 11.5e-6,
        ),
    ];
    let combined = combine(&mut rows);
    close(rows[4].contribution_db(), 2.887, 5e-4);
    close(rows[5].contribution_db(), 16.599, 5e-4);
    close(combined.standard_uncertainty_db, 31.664, 2e-3);
    // 16.75 from unrounded parts; the GUM prints 16.7 from rounded ones.
    close(combined.effective_degrees_of_freedom, 16.7, 0.06);
    let freedom = truncated(combined.effective_degrees_of_freedom);
    assert_eq!(freedom, 16.0);
    let factor = coverage_factor(0.99, freedom);
    close(factor, 2.921, 5e-4);
    close(factor * combined.standard_uncertainty_db, 92.5, 0.05);
    // As printed, from the rounded 2.92 × 32.
    assert_eq!((2.92f64 * 32.0).round(), 93.0);
}

/// Student, Biometrika 6 (1908): additional hours of sleep (M→R).
#[test]
fn the_sleep_pairs_of_1908_come_out() {
    let a = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0];
    let b = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4];
    let differences: Vec<f64> = a.iter().zip(b).map(|(a, b)| a - b).collect();
    let spread = moments(&differences);
    let test = TTest::paired(&spread);
    close(spread.mean, -1.58, 1e-12);
    close(spread.standard_deviation, 1.229_995, 5e-7);
    close(test.t(), -4.0621, 5e-5);
    close(test.p(), 0.002_833, 5e-7);
    assert_eq!(test.degrees_of_freedom, 9.0);
    // The interval by the same law that a comparison uses, with nothing of type B.
    let half = ErrorLaw::new(test.standard_error, 9.0, 0.0).half_width(0.95);
    close(test.difference - half, -2.4599, 5e-5);
    close(test.difference + half, -0.7001, 5e-5);
}

/// NIST/SEMATECH e-Handbook 7.3.1 (formulas C15, data M→R).
#[test]
fn the_two_processes_of_nist_731_come_out() {
    let old = moments(&[32., 37., 35., 28., 41., 44., 35., 31., 34., 38., 42.]);
    let new = moments(&[36., 31., 30., 31., 34., 36., 29., 32., 31.]);
    close(old.mean, 36.0909, 5e-5);
    close(new.mean, 32.2222, 5e-5);
    close(old.standard_deviation, 4.9082, 5e-5);
    close(new.standard_deviation, 2.5386, 5e-5);
    let test = TTest::unequal_variances(&old, &new);
    close(test.t(), 2.269, 5e-4);
    close(test.degrees_of_freedom, 15.53, 5e-3);
    close(test.p(), 0.0379, 5e-5);
    close(TTest::pooled(&old, &new).t(), 2.135, 5e-4);
}

/// NIST/SEMATECH e-Handbook 1.3.5.3, AUTO83B, from its summaries (C14, R).
#[test]
fn the_car_mileages_of_nist_1353_come_out_from_their_summaries() {
    let us = Moments {
        count: 249,
        mean: 20.144_58,
        standard_deviation: 6.414_70,
    };
    let japan = Moments {
        count: 79,
        mean: 30.481_01,
        standard_deviation: 6.107_71,
    };
    let pooled = TTest::pooled(&us, &japan);
    let spread = pooled.standard_error / (1.0 / 249.0 + 1.0 / 79.0f64).sqrt();
    close(spread, 6.342_60, 1e-5);
    close(pooled.t(), -12.620_59, 2e-5);
    assert_eq!(pooled.degrees_of_freedom, 326.0);
    let unequal = TTest::unequal_variances(&us, &japan);
    close(unequal.t(), -12.946_27, 2e-5);
    close(unequal.degrees_of_freedom, 136.875, 1e-3);
}

/// NIST StRD, univariate, certified values (C12). Digits as many as doubles can hold of these inputs.
#[test]
fn the_certified_nist_sets_keep_their_digits() {
    let alternating = |first: f64, low: f64, high: f64| {
        let mut values = vec![first];
        values.extend((0..500).flat_map(|_| [low, high]));
        values
    };
    let one = [10_000_001.0, 10_000_003.0, 10_000_002.0];
    let three = alternating(1_000_000.2, 1_000_000.1, 1_000_000.3);
    let four = alternating(10_000_000.2, 10_000_000.1, 10_000_000.3);
    for (values, mean, deviation, autocorrelation, tolerance) in [
        (one.to_vec(), 10_000_002.0, 1.0, -0.5, 0.0),
        (three, 1_000_000.2, 0.1, -0.999, 2e-9),
        (four, 10_000_000.2, 0.1, -0.999, 2e-8),
    ] {
        let got = moments(&values);
        relatively_close(got.mean, mean, 1e-15);
        relatively_close(got.standard_deviation, deviation, tolerance);
        close(
            lag_one_autocorrelation(&values).expect("spread"),
            autocorrelation,
            1e-9,
        );
    }
}

/// NIST StRD Mavro (C12; autocorrelation M→R): fifty readings that drift.
#[test]
fn mavro_shows_its_drift_by_autocorrelation() {
    let hundred_thousandths = [
        180, 170, 180, 190, 180, 170, 150, 140, 150, 150, 170, 180, 180, 190, 190, 210, 200, 160,
        140, 130, 130, 150, 150, 160, 150, 140, 130, 140, 150, 140, 150, 160, 150, 160, 190, 200,
        200, 210, 220, 230, 240, 250, 270, 260, 260, 260, 270, 260, 250, 240,
    ];
    let values: Vec<f64> = hundred_thousandths
        .iter()
        .map(|&v| 2.0 + f64::from(v) * 1e-5)
        .collect();
    let got = moments(&values);
    relatively_close(got.mean, 2.001_856, 1e-15);
    relatively_close(got.standard_deviation, 0.000_429_123_454_003_053, 1e-12);
    close(
        lag_one_autocorrelation(&values).expect("spread"),
        0.937_989_183_438_248,
        1e-11,
    );
}

/// Holm, Scandinavian Journal of Statistics 6 (1979), worked by hand (R).
#[test]
fn holms_step_down_stops_at_the_first_failure() {
    let adjusted = holm(&[0.005, 0.011, 0.02, 0.04, 0.13]);
    for (got, expected) in adjusted.iter().zip([0.025, 0.044, 0.060, 0.080, 0.130]) {
        close(*got, expected, 1e-12);
    }
    assert_eq!(adjusted.iter().filter(|&&p| p <= 0.05).count(), 2);
    for (got, expected) in holm(&[0.01, 0.04, 0.03, 0.005])
        .iter()
        .zip([0.03, 0.06, 0.06, 0.02])
    {
        close(*got, expected, 1e-12);
    }
    assert!(holm(&[]).is_empty());
}

fn table() -> Value {
    let text = include_str!("../fixtures/statistics_table.json");
    serde_json::from_str(text).expect("fixtures/statistics_table.json is JSON")
}

fn numbers(row: &Value) -> Vec<f64> {
    row.as_array()
        .expect("a row")
        .iter()
        .map(|v| v.as_f64().expect("a number"))
        .collect()
}

fn rows(table: &Value, name: &str) -> Vec<Vec<f64>> {
    let rows: Vec<Vec<f64>> = table[name]
        .as_array()
        .expect("rows")
        .iter()
        .map(numbers)
        .collect();
    assert!(!rows.is_empty(), "{name} is empty");
    rows
}

#[test]
fn quantiles_and_tails_agree_with_scipy() {
    let table = table();
    for row in rows(&table, "student_upper_quantile") {
        relatively_close(student_upper_quantile(row[1], row[0]), row[2], 1e-9);
    }
    for row in rows(&table, "normal_upper_quantile") {
        relatively_close(normal_upper_quantile(row[0]), row[1], 1e-9);
    }
    for row in rows(&table, "student_upper_tail") {
        relatively_close(student_upper_tail(row[1], row[0]), row[2], 1e-8);
    }
}

#[test]
fn t_tests_agree_with_scipy() {
    for case in table()["t_tests"].as_array().expect("cases") {
        let (a, b) = (numbers(&case["a"]), numbers(&case["b"]));
        let differences: Vec<f64> = a.iter().zip(&b).map(|(a, b)| a - b).collect();
        for (name, test) in [
            (
                "unequal",
                TTest::unequal_variances(&moments(&a), &moments(&b)),
            ),
            ("pooled", TTest::pooled(&moments(&a), &moments(&b))),
            ("paired", TTest::paired(&moments(&differences))),
        ] {
            let expected = numbers(&case[name]);
            relatively_close(test.t(), expected[0], 1e-9);
            relatively_close(test.degrees_of_freedom, expected[1], 1e-9);
            relatively_close(test.p(), expected[2], 1e-8);
        }
    }
}

#[test]
fn holm_agrees_with_closed_testing_by_bonferroni() {
    for family in table()["holm"].as_array().expect("families") {
        let adjusted = holm(&numbers(&family["p"]));
        for (got, expected) in adjusted.iter().zip(numbers(&family["adjusted"])) {
            close(*got, expected, 1e-12);
        }
    }
}

#[test]
fn a_t_and_a_normal_error_added_agree_with_their_convolution() {
    let table = table();
    for row in rows(&table, "sum_two_sided") {
        relatively_close(
            ErrorLaw::new(row[0], row[1], row[2]).two_sided(row[3]),
            row[4],
            1e-7,
        );
    }
    for row in rows(&table, "sum_half_width_95") {
        relatively_close(
            ErrorLaw::new(row[0], row[1], row[2]).half_width(0.95),
            row[3],
            1e-8,
        );
    }
}

#[test]
fn an_error_law_of_one_part_is_that_part() {
    for freedom in [1.0, 3.0, 40.0] {
        let law = ErrorLaw::new(0.2, freedom, 0.0);
        relatively_close(
            law.half_width(0.95),
            0.2 * coverage_factor(0.95, freedom),
            1e-12,
        );
        relatively_close(
            law.two_sided(0.2 * coverage_factor(0.95, freedom)),
            0.05,
            1e-9,
        );
        // With next to nothing added it must hardly change: the mixture joins the closed form.
        relatively_close(
            ErrorLaw::new(0.2, freedom, 1e-6).half_width(0.95),
            law.half_width(0.95),
            1e-8,
        );
    }
    relatively_close(
        ErrorLaw::new(0.0, 3.0, 0.1).half_width(0.95),
        0.195_996_398_454_005_4,
        1e-9,
    );
    relatively_close(
        ErrorLaw::new(1e-7, 1.0, 0.1).half_width(0.95),
        0.195_996_398_454_005_4,
        1e-5,
    );
}

/// Source: scipy 1.17.1, `special.polygamma(1, x)`; ψ′(1) is π²/6, ψ′(½) is π²/2 (Abramowitz and Stegun 6.4.2, 6.4.4).
#[test]
fn trigamma_agrees_with_scipy_and_its_inverse_undoes_it() {
    for (x, expected) in [
        (0.1, 101.43329915079275),
        (0.5, 4.93480220054468),
        (1.0, 1.6449340668482266),
        (2.5, 0.4903577561002349),
        (12.0, 0.0869018728717684),
        (1000.0, 0.001000500166666633),
    ] {
        relatively_close(statistics::trigamma(x), expected, 1e-11);
        relatively_close(statistics::trigamma_inverse(expected), x, 1e-7);
    }
}

/// Source: numpy 2 and scipy 1.17.1 by Smyth's formulas (mean and variance of ln s²; `brentq` on `polygamma`).
#[test]
fn variances_are_drawn_towards_each_other_as_far_as_they_are_alike() {
    let uneven = [0.02, 0.5, 0.11, 3.0, 0.07, 0.9, 0.004, 0.3];
    let prior = PriorOfVariances::of(&uneven, 2.0).expect("a prior");
    relatively_close(prior.variance, 0.11010778028013668, 1e-6);
    relatively_close(prior.degrees_of_freedom, 1.3725992449227282, 1e-6);
    // (d₀·s₀² + 2·3)/(d₀ + 2), worked by hand from these.
    let (variance, freedom) = prior.moderate(3.0, 2.0);
    relatively_close(freedom, 3.372599244922728, 1e-6);
    relatively_close(
        variance,
        (1.3725992449227282 * 0.11010778028013668 + 6.0) / 3.372599244922728,
        1e-6,
    );
    // Less scatter than chance makes: all are one, their mean.
    let even =
        PriorOfVariances::of(&[0.2, 0.5, 0.31, 0.3, 0.17, 0.29, 0.34, 0.3], 3.0).expect("a prior");
    relatively_close(even.variance, 0.30125, 1e-12);
    assert!(even.degrees_of_freedom.is_infinite());
    assert_eq!(even.moderate(7.0, 3.0).0, even.variance);
    assert_eq!(PriorOfVariances::of(&[1.0, 2.0], 2.0), None);
    assert_eq!(PriorOfVariances::of(&[1.0, 2.0, 0.0], 2.0), None);
}
