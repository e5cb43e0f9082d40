//! Every row of the wear checks: values of statsmodels, scipy and numpy named in the file.

use domain::waterproofness::{Relation, column_uncertainty, gauge_uncertainty};
use domain::wear::*;

use crate::rows::{Printed, Row, after, assert_all_printed, assert_printed, numbers, read};

const NEW: UsePath = UsePath { from: UsePoint { worn_h: 0.0, washes: 0.0 }, washes_per_h: 0.0 };

fn worn(worn_h: f64) -> UsePoint {
    UsePoint { worn_h, washes: 0.0 }
}

fn list(text: &str, label: &str) -> Vec<String> {
    let start = text.find(label).unwrap() + label.len();
    let end = start + text[start..].find(']').unwrap();
    text[start..end].split(',').map(|s| s.trim().to_owned()).collect()
}

/// `t=[..] H=[..]`, a `+` after a head marking a lower bound.
fn tests_in(input: &str) -> Vec<HeadTest> {
    list(input, "t=[")
        .iter()
        .zip(list(input, "H=["))
        .map(|(t, head)| HeadTest {
            at: worn(t.parse().unwrap()),
            head_mm: head.trim_end_matches('+').parse().unwrap(),
            relation: if head.ends_with('+') { Relation::AtLeast } else { Relation::Exact },
        })
        .collect()
}

/// The prior of D9, from its row.
fn prior_of(input: &str) -> Prior {
    let rate = std::f64::consts::LN_2 / after(input, "ln2/").value;
    Prior {
        ln_head_new: Gaussian {
            mean: after(input, "N(ln").value.ln(),
            sd: numbers(&input[input.find("N(ln").unwrap()..])[0].value,
        },
        loss_per_hour: Gaussian { mean: rate, sd: rate / 2.0 },
        loss_per_wash: None,
        sigma: after(input, "sigma=").value,
        losses_not_negative: false,
        basis: PriorBasis::Edited,
        note: String::new(),
    }
}

/// Tolerance as an absolute number; "rel" is of the expected value.
fn tolerance(row: &Row, expected: Printed) -> f64 {
    let stated = row.tolerance();
    if row.text("tolerance").ends_with("rel") { stated * expected.value.abs() } else { stated }
}

#[test]
fn wear_every_row_holds_at_its_tolerance() {
    let rows = read("wear/wear.csv");
    assert_eq!(rows.len(), 20);
    let text =
        |id: &str| rows.iter().find(|row| row.text("check_id") == id).unwrap().text("input").to_owned();
    let line = fit_ols(&tests_in(&text("D1"))).unwrap();
    let prior = prior_of(&text("D9"));
    for row in &rows {
        match row.text("topic") {
            "ols_log_decay" => check_line(row, &line),
            "bayes_2par" | "bayes_censored" => check_prior(row, &prior),
            "bayes_3par" => check_three_parameters(row),
            "tobit" => check_tobit(row),
            "home_column" => {
                let n = numbers(row.text("input"));
                let u = column_uncertainty(n[0].value, after(row.text("input"), "reading +-").value, 0.0018)
                    .unwrap();
                assert!(row.text("input").contains("density 0.18%"));
                assert_printed("D28", u.u_mm, after(row.text("expected"), "u="), row.tolerance());
            }
            "home_pump_gauge" => {
                let input = row.text("input");
                let kpa = |label: &str| 1_000.0 * after(input, label).value;
                let u =
                    gauge_uncertainty(kpa("at "), after(input, "class ").value, kpa("full scale ")).unwrap();
                let expected = numbers(row.text("expected"));
                assert_printed("D29 kPa", u.u_pa / 1_000.0, expected[0], 0.0);
                assert_printed("D29 mm", u.u_mm, expected[1], row.tolerance());
                assert_printed("D29 %", 100.0 * u.relative, expected[2], 0.0);
            }
            topic => panic!("no check for {topic}"),
        }
    }
}

fn check_line(row: &Row, line: &OlsWear) {
    let (id, input, text) = (row.text("check_id"), row.text("input"), row.text("expected"));
    let all = numbers(text);
    let is = |got: f64, expected: Printed| assert_printed(id, got, expected, tolerance(row, expected));
    let interval = |at: f64| {
        let head = line.forecast(worn(at), 0.95).unwrap();
        assert_all_printed(id, &[head.low_mm, head.median_mm, head.high_mm], &all, row.tolerance());
    };
    let life = |level: f64| line.life(&NEW, after(input, "= ").value, level).unwrap().total_h;
    match id {
        "D1" => {
            is(line.intercept, after(text, "a="));
            is(line.per_hour, after(text, "b="));
            is(line.s, after(text, "s="));
        }
        "D2" => is(line.half_life_h.unwrap(), all[0]),
        "D3" => interval(after(input, "t=").value),
        "D4" => interval(after(input, "t=").value),
        "D5" => is(life(0.5), all[0]),
        "D6" => is(life(0.975), all[0]),
        "D7" => is(life(0.95), all[0]),
        "D8" => {
            let limit = after(input, ">=").value;
            let got = [220.0, 260.0].map(|at| line.p_next_at_least(worn(at), limit).unwrap());
            assert!(input.contains("at 220 h, at 260 h"));
            assert_all_printed(id, &got, &all, row.tolerance());
        }
        id => panic!("no check for {id}"),
    }
}

fn check_prior(row: &Row, prior: &Prior) {
    let (id, input, text) = (row.text("check_id"), row.text("input"), row.text("expected"));
    // "1 mm / 2e-4": the second is of the probability.
    let tolerances = numbers(row.text("tolerance"));
    let is = |got: f64, expected: Printed| assert_printed(id, got, expected, tolerance(row, expected));
    let limit = 10_000.0;
    let at = worn(150.0);
    // `">=12000 mm" at 100 h`
    let one = |relation: Relation, symbol: &str| {
        vec![HeadTest { at: worn(after(input, "at ").value), head_mm: after(input, symbol).value, relation }]
    };
    let tests = match id {
        "D9" => vec![],
        "D10" | "D12" => vec![HeadTest::exact(100.0, 0.0, 15_000.0)],
        "D11" => vec![HeadTest::exact(0.0, 0.0, 19_000.0), HeadTest::exact(100.0, 0.0, 15_000.0)],
        "D13" | "D14" | "D15" => one(Relation::AtLeast, ">="),
        "D16" => one(Relation::Below, "<"),
        id => panic!("no check for {id}"),
    };
    let posterior = update(prior, &tests).unwrap();
    let (mean, sd, _) = posterior.ln_head(at).unwrap();
    let p = || posterior.p_at_least(at, limit).unwrap();
    match id {
        "D9" => {
            let head = posterior.forecast(at, 0.9).unwrap();
            let expected = after(text, "median ");
            // Nine digits are printed and the tolerance is that of the probability: relative for the head.
            assert_printed(id, head.median_mm, expected, row.tolerance() * expected.value);
            is(sd, after(text, "sd_ln "));
            is(p(), after(text, "P(true>=10000)="));
            assert!(head.mostly_assumption);
        }
        "D10" => {
            assert!(input.contains("test 15000 at 100 h"));
            is(posterior.ln_head_new.mean, after(text, "a="));
            is(posterior.loss_per_hour.mean, after(text, "rate="));
            is(mean.exp(), after(text, "H150="));
            is(sd, after(text, "sd_ln="));
            is(p(), after(text, "P="));
        }
        "D11" => {
            assert!(input.contains("tests 19000 at 0 h and 15000 at 100 h"));
            is(posterior.ln_head_new.mean, after(text, "a="));
            is(posterior.loss_per_hour.mean, after(text, "rate="));
            is(mean.exp(), after(text, "H150="));
            is(p(), after(text, "P="));
        }
        "D12" => {
            let got = [0.90, 0.50].map(|level| posterior.life(&NEW, limit, level).unwrap().total_h);
            assert!(input.contains("=0.90") && input.contains("=0.50"));
            assert_all_printed(id, &got, &numbers(text), row.tolerance());
        }
        _ => {
            let expected = after(text, "H150=");
            assert_printed(id, mean.exp(), expected, tolerances[0].value);
            assert_printed(id, sd, after(text, "sd_ln="), 1e-5);
            for label in ["P(true>=10000)=", " P="] {
                if text.contains(label) {
                    assert_printed(id, p(), after(text, label), tolerances[1].value);
                }
            }
        }
    }
}

fn check_three_parameters(row: &Row) {
    let (id, input, text) = (row.text("check_id"), row.text("input"), row.text("expected"));
    for part in ["a N(ln20000,.15)", "bu N(.23,.115)/100h", "bw N(.10,.07)/10 washes", "sigma .10"] {
        assert!(input.contains(part));
    }
    assert!(input.contains("(0h,0w,20000),(120h,4w,15500)") && input.contains("predict 200h,8w"));
    let prior = Prior {
        ln_head_new: Gaussian { mean: 20_000f64.ln(), sd: 0.15 },
        loss_per_hour: Gaussian { mean: 0.002_3, sd: 0.001_15 },
        loss_per_wash: Some(Gaussian { mean: 0.010, sd: 0.007 }),
        sigma: 0.10,
        losses_not_negative: false,
        basis: PriorBasis::Edited,
        note: String::new(),
    };
    let tests = [HeadTest::exact(0.0, 0.0, 20_000.0), HeadTest::exact(120.0, 4.0, 15_500.0)];
    let posterior = update(&prior, &tests).unwrap();
    let at = UsePoint { worn_h: 200.0, washes: 8.0 };
    let (mean, sd, _) = posterior.ln_head(at).unwrap();
    let is = |got: f64, label: &str| {
        let expected = after(text, label);
        assert_printed(id, got, expected, tolerance(row, expected));
    };
    is(posterior.ln_head_new.mean, "a=");
    is(100.0 * posterior.loss_per_hour.mean, "bu=");
    is(10.0 * posterior.loss_per_wash.unwrap().mean, "bw=");
    is(mean.exp(), "H=");
    is(sd, "sd_ln=");
    is(posterior.p_at_least(at, 10_000.0).unwrap(), "P(true>=10000)=");
}

fn check_tobit(row: &Row) {
    let (id, input, text) = (row.text("check_id"), row.text("input"), row.text("expected"));
    let fitted = fit_tobit(&tests_in(input), Some(after(input, "sigma=").value)).unwrap();
    let is = |got: f64, label: &str| {
        let expected = after(text, label);
        assert_printed(id, got, expected, tolerance(row, expected));
    };
    is(fitted.intercept, "a=");
    is(-fitted.per_hour, "b=");
    is(fitted.forecast(worn(200.0), 0.9).unwrap().median_mm, "H(200)=");
    assert_eq!((fitted.n, fitted.censored), (4, 2));
}
