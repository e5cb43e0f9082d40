//! Every row of the trend checks: scipy, statsmodels, pymannkendall, ruptures, and the NIST certified values.

use domain::trends::*;

use crate::rows::{Printed, Row, after, assert_all_printed, assert_close, assert_printed, numbers, read};

/// A column of a data file.
pub fn column(path: &str, name: &str) -> Vec<f64> {
    read(path).iter().map(|row| row.number(name)).collect()
}

pub fn nile() -> (Vec<f64>, Vec<f64>) {
    (column("trends/nile.csv", "year"), column("trends/nile.csv", "volume"))
}

fn values(text: &str) -> Vec<f64> {
    numbers(text).iter().map(|n| n.value).collect()
}

/// The series of T13, T14 and T19, whose text is the values themselves, without what follows in brackets.
fn listed(id: &str) -> Vec<f64> {
    let rows = read("trends/trends.csv");
    let row = rows.iter().find(|row| row.text("check_id") == id).unwrap();
    values(row.text("input").split('(').next().unwrap())
}

/// Student's sleep data of T17: the two groups.
fn sleep() -> (Vec<f64>, Vec<f64>) {
    let rows = read("trends/trends.csv");
    let row = rows.iter().find(|row| row.text("check_id") == "T17").unwrap();
    let (first, second) = row.text("input").split_once('|').unwrap();
    (values(first), values(second))
}

fn order(n: usize) -> Vec<f64> {
    (0..n).map(|i| i as f64).collect()
}

#[test]
fn trends_every_row_holds_at_its_tolerance() {
    let rows = read("trends/trends.csv");
    for row in &rows {
        check(row);
    }
    assert_eq!(rows.len(), 22);
}

fn check(row: &Row) {
    let (id, input, expected) = (row.text("check_id"), row.text("input"), row.text("expected"));
    let relative = row.text("tolerance").contains("rel");
    let is = |got: f64, printed: Printed| {
        let tolerance = row.tolerance() * if relative { printed.value.abs() } else { 1.0 };
        assert_printed(id, got, printed, tolerance);
    };
    let at = |label: &str| after(expected, label);
    let all = numbers(expected);
    let all_are = |got: &[f64]| {
        assert_eq!(got.len(), all.len(), "{id}");
        got.iter().zip(&all).for_each(|(got, printed)| is(*got, *printed));
    };
    match id {
        "T1" => {
            let (x, y) = nile();
            let fit = theil_sen(&x, &y, values(input)[0]).unwrap();
            is(fit.slope, at("slope "));
            is(fit.interval.low, at("CI ["));
            is(fit.interval.high, all[2]);
            is(fit.intercept_separate, at("separate "));
            is(fit.intercept_joint, at("joint "));
        }
        "T2" => {
            let (x, y) = nile();
            let test = mann_kendall(&Series::new(&x, &y).unwrap()).unwrap();
            is(test.s as f64, at("S="));
            is(test.var_s, at("VarS="));
            is(test.z, at("Z="));
            is(test.p(), at("p="));
            is(test.tau_a, at("tau-a="));
            assert_eq!(test.p_exact, None);
        }
        "T3" => {
            let (x, y) = nile();
            is(mann_kendall(&Series::new(&x, &y).unwrap()).unwrap().tau_b, all[0]);
        }
        "T4" => {
            let (x, y) = nile();
            let fit = fit_line(&x, &y).unwrap();
            is(fit.intercept, at("const "));
            is(fit.slope, at("slope "));
            is(fit.slope_se, at("se "));
            is(fit.r_squared, *all.iter().find(|n| n.value < 1.0 && n.value > 0.2 && n.value < 0.3).unwrap());
            is(fit.residual_sd, at("s "));
        }
        "T5" => {
            let (x, y) = nile();
            let year = after(input, "year ").value;
            let there = fit_line(&x, &y).unwrap().predict(year, 0.95).unwrap();
            all_are(&[there.value, there.observation.low, there.observation.high]);
        }
        "T6" => {
            let (x, y) = nile();
            let test = pettitt(&Series::new(&x, &y).unwrap()).unwrap();
            is(test.k, at("K="));
            is(test.points_before().unwrap() as f64, at("tau="));
            assert_close(id, x[test.t - 1], 1898.0, 0.0);
            is(test.p, at("p="));
        }
        "T7" => {
            let (x, y) = nile();
            let test = cusum(&Series::new(&x, &y).unwrap()).unwrap();
            is(test.max_abs, all[0]);
            is(test.points_before().unwrap() as f64, at("index "));
            is(test.scaled, at("sqrt(n)="));
        }
        "T8" => {
            let (x, y) = nile();
            let series = Series::new(&x, &y).unwrap();
            for beta in [1.0, 2.0, 3.0] {
                let penalty = penalty(&series, beta).unwrap();
                let ends: Vec<f64> =
                    pelt(&series, penalty, 2).unwrap().ends().iter().map(|&e| e as f64).collect();
                all_are(&ends);
                assert_eq!(change_points(&series, beta).unwrap().ends(), [28, 100]);
            }
        }
        "T9" => {
            let (x, y) = nile();
            let series = Series::new(&x, &y).unwrap();
            let found = change_points(&series, 2.0).unwrap();
            let whole = pelt(&series, 1e12, 1).unwrap();
            assert_eq!(whole.ends(), [100]);
            is(found.segments[0].mean, all[0]);
            is(found.segments[1].mean, all[1]);
            is(whole.sse, at("SSE "));
            is(found.sse, *all.last().unwrap());
        }
        "T10" => {
            let (_, y) = nile();
            let test = welch(&y[..28], &y[28..], 0.95).unwrap();
            is(test.t, at("t="));
            is(test.dof, at("df="));
            is(test.p, at("p="));
        }
        "T11" => {
            let (x, y) = (column("trends/norris.csv", "x"), column("trends/norris.csv", "y"));
            let fit = fit_line(&x, &y).unwrap();
            let certified =
                [fit.intercept, fit.intercept_se, fit.slope, fit.slope_se, fit.residual_sd, fit.r_squared];
            let printed: Vec<Printed> = expected.split(['=', ' ']).filter_map(number_alone).collect();
            assert_eq!(printed.len(), certified.len());
            certified.iter().zip(&printed).for_each(|(got, printed)| is(*got, *printed));
        }
        "T12" => {
            let names = ["GNPDEFL", "GNP", "UNEMP", "ARMED", "POP", "YEAR"];
            let mut columns = vec![vec![1.0; 16]];
            columns.extend(names.map(|name| column("trends/longley.csv", name)));
            let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
            let fit = least_squares(&columns, &column("trends/longley.csv", "TOTEMP")).unwrap();
            all_are(&fit.coefficients);
        }
        "T13" => {
            let y = listed("T13");
            let x = order(y.len());
            let test = mann_kendall(&Series::new(&x, &y).unwrap()).unwrap();
            is(test.s as f64, at("S="));
            is(test.var_s, at("VarS="));
            is(test.z, at("Z="));
            is(test.p(), at("p="));
            let sen = theil_sen(&x, &y, 0.95).unwrap();
            is(sen.slope, at("Sen="));
            is(sen.interval.low, at("CI["));
            is(sen.interval.high, *all.last().unwrap());
        }
        "T14" => {
            let y = listed("T14");
            let test = mann_kendall(&Series::new(&order(y.len()), &y).unwrap()).unwrap();
            is(test.s as f64, at("S="));
            is(test.var_s, at("VarS="));
            is(test.z, at("Z="));
            is(test.p_normal, at("p="));
            is(test.p(), *all.last().unwrap());
        }
        "T15" => {
            let (x, y) = (small_times(input), listed("T14"));
            let fit = fit_line(&x, &y).unwrap();
            is(fit.intercept, at("a="));
            is(fit.slope, at("b="));
            is(fit.slope_se, at("(se "));
            is(fit.residual_sd, at("s="));
            let there = fit.predict(at("PI(").value, 0.95).unwrap().observation;
            is(there.low, all[all.len() - 2]);
            is(there.high, *all.last().unwrap());
        }
        "T16" => {
            let rows = read("trends/trends.csv");
            let times = rows.iter().find(|row| row.text("check_id") == "T15").unwrap();
            let sen = theil_sen(&small_times(times.text("input")), &listed("T14"), 0.95).unwrap();
            all_are(&[sen.slope, sen.interval.low, sen.interval.high]);
        }
        "T17" => {
            let (a, b) = sleep();
            let test = welch(&a, &b, 0.95).unwrap();
            all_are(&[test.t, test.dof, test.p, test.interval.low, test.interval.high]);
        }
        "T18" => {
            let (a, b) = sleep();
            let test = paired_t(&a, &b, 0.95).unwrap();
            all_are(&[test.t, test.dof as f64, test.p, test.interval.low, test.interval.high]);
        }
        "T19" => {
            let (a, b) = sleep();
            let test = signed_rank(&a, &b).unwrap();
            is(test.w, at("W="));
            is(test.p, at("p="));
            assert_eq!((test.zeros, test.n, test.exact), (1, 9, true));
        }
        "T20" | "T21" => {
            let (a, b) = sleep();
            let differences: Vec<f64> = a.iter().zip(&b).map(|(a, b)| b - a).collect();
            let found = bootstrap(&differences, mean, 0.95, 99_999, 1).unwrap();
            let interval = if id == "T20" { found.percentile } else { found.bca };
            assert_all_printed(id, &[interval.low, interval.high], &all, row.tolerance());
        }
        "T22" => {
            let (first, second) = input.split_once('|').unwrap();
            let test = welch(&values(first), &values(second), 0.95).unwrap();
            all_are(&[test.difference, test.t, test.dof, test.p, test.interval.low, test.interval.high]);
        }
        other => panic!("no check for {other}"),
    }
}

/// A number that is the whole text, up to a closing semicolon.
fn number_alone(text: &str) -> Option<Printed> {
    text.trim_end_matches(';').parse::<f64>().ok().map(|_| numbers(text)[0])
}

fn small_times(input: &str) -> Vec<f64> {
    values(input.split_once('[').unwrap().1.split_once(']').unwrap().0)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

#[test]
fn mann_kendall_exact_every_row_holds() {
    for row in read("trends/mk_exact.csv") {
        let (n, s) = (row.number("n") as usize, row.number("S") as i64);
        for s in [s, -s] {
            let p = exact_two_sided_p(n, s).unwrap();
            assert_close(row.text("n"), p, row.number("expected_p"), row.tolerance());
        }
    }
}

// NIST StRD, certified standard errors and residual standard deviation of Longley (recalled, reproduced by statsmodels).
#[test]
fn longley_standard_errors_match_the_certified_values() {
    let names = ["GNPDEFL", "GNP", "UNEMP", "ARMED", "POP", "YEAR"];
    let mut columns = vec![vec![1.0; 16]];
    columns.extend(names.map(|name| column("trends/longley.csv", name)));
    let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    let fit = least_squares(&columns, &column("trends/longley.csv", "TOTEMP")).unwrap();
    let certified = [
        890_420.383_607_373,
        84.914_925_774_750_8,
        0.334_910_077_722_432e-1,
        0.488_399_681_651_699,
        0.214_274_163_161_675,
        0.226_073_200_069_370,
        455.478_499_142_212,
    ];
    for (got, expected) in fit.standard_errors.iter().zip(certified) {
        assert_close("standard error", got / expected, 1.0, 1e-10);
    }
    assert_close("residual sd", fit.residual_sd / 304.854_073_561_965, 1.0, 1e-11);
    assert_close("R squared", fit.r_squared, 0.995_479_004_577_296, 1e-12);
    let certified = [-3_482_258.634_595_82, 15.061_872_271_373_3, -0.358_191_792_925_910e-1];
    for (got, expected) in fit.coefficients.iter().zip(certified) {
        assert_close("coefficient", got / expected, 1.0, 1e-11);
    }
}

#[test]
fn bootstrap_same_seed_gives_the_same_answer() {
    let values = [3.1, 4.7, 5.2, 4.4, 6.0, 5.5, 4.9];
    let run = |seed| bootstrap(&values, mean, 0.95, 2000, seed).unwrap();
    assert_eq!(run(7), run(7));
    assert_ne!(run(7).percentile, run(8).percentile);
    // On every machine and in every version: the generator is part of the answer.
    assert_close("low", run(7).percentile.low, PERCENTILE_OF_SEED_7.0, 1e-12);
    assert_close("high", run(7).percentile.high, PERCENTILE_OF_SEED_7.1, 1e-12);
}

/// Recorded once; nothing outside has these.
const PERCENTILE_OF_SEED_7: (f64, f64) = (4.157_142_857_142_857_5, 5.428_571_428_571_429);
