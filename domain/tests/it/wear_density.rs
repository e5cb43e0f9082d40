//! The density of ln head at a use against a sum over a fine grid of the parameters, straight from prior and likelihood.

use domain::waterproofness::Relation;
use domain::wear::*;

/// Weights of Simpson's rule.
fn simpson(low: f64, high: f64, n: usize) -> Vec<(f64, f64)> {
    let step = (high - low) / n as f64;
    let weight = |k: usize| match k {
        0 => 1.0,
        k if k == n => 1.0,
        k if k % 2 == 1 => 4.0,
        _ => 2.0,
    };
    (0..=n).map(|k| (low + step * k as f64, step / 3.0 * weight(k))).collect()
}

fn upper_tail(v: f64) -> f64 {
    0.5 * libm::erfc(v / std::f64::consts::SQRT_2)
}

/// A sum over losses and ln head new; `fine` points for each of them.
struct Grid<'a> {
    prior: &'a Prior,
    tests: &'a [HeadTest],
    fine: [usize; 3],
}

impl Grid<'_> {
    fn losses(&self, loss: Gaussian, fine: usize) -> Vec<(f64, f64)> {
        let low = loss.mean - 9.0 * loss.sd;
        let low = if self.prior.losses_not_negative { low.max(0.0) } else { low };
        simpson(low, loss.mean + 9.0 * loss.sd, fine)
    }

    /// Integral over ln head new given the losses, of the density times `part`, from a start on.
    fn inner(&self, loss: [f64; 2], start: f64, part: impl Fn(f64) -> f64) -> f64 {
        let lost = |at: UsePoint| loss[0] * at.worn_h + loss[1] * at.washes;
        let weight = self.prior.sigma.powi(-2);
        let new = self.prior.ln_head_new;
        let (mut precision, mut moment) = (new.sd.powi(-2), new.mean * new.sd.powi(-2));
        for test in self.tests.iter().filter(|test| test.relation == Relation::Exact) {
            precision += weight;
            moment += weight * (test.head_mm.ln() + lost(test.at));
        }
        let (mean, sd) = (moment / precision, precision.sqrt().recip());
        let (low, high) = (start.max(mean - 9.0 * sd), mean + 9.0 * sd);
        if low >= high {
            return 0.0;
        }
        let mut sum = 0.0;
        for (a, w) in simpson(low, high, self.fine[2]) {
            let mut ln = -0.5 * ((a - new.mean) / new.sd).powi(2);
            let mut tails = 1.0;
            for test in self.tests {
                let v = (test.head_mm.ln() - a + lost(test.at)) / self.prior.sigma;
                match test.relation {
                    Relation::Exact => ln -= 0.5 * v * v,
                    Relation::AtLeast => tails *= upper_tail(v),
                    Relation::Below => tails *= upper_tail(-v),
                }
            }
            sum += w * ln.exp() * tails * part(a);
        }
        sum
    }

    /// P(true >= limit) and P(next >= limit).
    fn probabilities(&self, at: UsePoint, ln: f64) -> [f64; 2] {
        let (mut all, mut above, mut next) = (0.0, 0.0, 0.0);
        let hour = self.prior.loss_per_hour;
        let washes = match self.prior.loss_per_wash {
            Some(loss) => self.losses(loss, self.fine[1]),
            None => vec![(0.0, 1.0)],
        };
        let of = |x: f64, loss: Gaussian| -0.5 * ((x - loss.mean) / loss.sd).powi(2);
        for (by_hour, w) in self.losses(hour, self.fine[0]) {
            for (by_wash, v) in &washes {
                let known =
                    of(by_hour, hour) + self.prior.loss_per_wash.map_or(0.0, |loss| of(*by_wash, loss));
                let (weight, losses) = (w * v * known.exp(), [by_hour, *by_wash]);
                let lost = by_hour * at.worn_h + by_wash * at.washes;
                all += weight * self.inner(losses, f64::NEG_INFINITY, |_| 1.0);
                above += weight * self.inner(losses, ln + lost, |_| 1.0);
                let sigma = self.prior.sigma;
                next +=
                    weight * self.inner(losses, f64::NEG_INFINITY, |a| upper_tail((ln - (a - lost)) / sigma));
            }
        }
        [above / all, next / all]
    }
}

/// Probabilities at the model's own quantiles, where they matter, are those of the grid.
fn assert_grid(prior: &Prior, tests: &[HeadTest], uses: &[(f64, f64)], fine: [usize; 3], tolerance: f64) {
    let posterior = update(prior, tests).unwrap();
    let grid = Grid { prior, tests, fine };
    for (worn_h, washes) in uses {
        let at = UsePoint { worn_h: *worn_h, washes: *washes };
        let there = posterior.distribution(at).unwrap();
        let shown = posterior.forecast(at, 0.90).unwrap();
        assert_eq!(shown.method, WearMethod::IntegratedPrior);
        let marks = [shown.low_mm, shown.median_mm, shown.high_mm];
        for (k, mark) in marks.into_iter().enumerate() {
            let [p_true, p_next] = grid.probabilities(at, mark.ln());
            let got = [there.p_true(mark.ln()), there.p_next(mark.ln())];
            assert!((got[0] - p_true).abs() < tolerance, "true at {at:?}, {mark} mm: {} {p_true}", got[0]);
            assert!((got[1] - p_next).abs() < tolerance, "next at {at:?}, {mark} mm: {} {p_next}", got[1]);
            match k {
                0 => assert!((p_next - 0.95).abs() < tolerance, "{p_next}"),
                1 => assert!((p_true - 0.50).abs() < tolerance, "{p_true}"),
                _ => assert!((p_next - 0.05).abs() < tolerance, "{p_next}"),
            }
        }
    }
}

fn label() -> Prior {
    Prior::from_label(20_000.0).unwrap()
}

fn one_loss() -> Prior {
    Prior { loss_per_wash: None, ..label() }
}

fn exact(rows: &[(f64, f64, f64)]) -> Vec<HeadTest> {
    rows.iter().map(|(t, w, head)| HeadTest::exact(*t, *w, *head)).collect()
}

fn bound(worn_h: f64, washes: f64, head_mm: f64, relation: Relation) -> HeadTest {
    HeadTest { at: UsePoint { worn_h, washes }, head_mm, relation }
}

const NEAR: (f64, f64) = (150.0, 0.0);
const NEW: (f64, f64) = (0.0, 0.0);
/// Far beyond any test: what is left of the head is what the cut makes of it.
const FAR: (f64, f64) = (3_000.0, 0.0);

#[test]
fn distribution_one_loss_cut_is_the_grids() {
    let fine = [800, 0, 100];
    assert_grid(&one_loss(), &exact(&[(100.0, 0.0, 15_000.0)]), &[NEW, NEAR, FAR], fine, 1e-7);
    let unlabelled = Prior { loss_per_wash: None, ..Prior::without_label() };
    assert_grid(&unlabelled, &exact(&[(80.0, 0.0, 9_000.0)]), &[NEW, NEAR], [800, 0, 400], 1e-7);
    let rising = exact(&[(0.0, 0.0, 10_000.0), (100.0, 0.0, 16_000.0), (200.0, 0.0, 25_000.0)]);
    assert_grid(&one_loss(), &rising, &[NEAR, FAR], [4_000, 0, 100], 1e-6);
}

#[test]
fn distribution_one_loss_with_bounds_is_the_grids() {
    // Far out a loss of a fortieth of its standard deviation makes or breaks the head: the grid must be finer than that.
    let (fine, finest) = ([800, 0, 160], [6_000, 0, 100]);
    let at_least = vec![HeadTest::exact(40.0, 0.0, 17_000.0), bound(120.0, 0.0, 15_000.0, Relation::AtLeast)];
    let both = [at_least.clone(), vec![bound(130.0, 0.0, 14_000.0, Relation::Below)]].concat();
    let below = vec![bound(100.0, 0.0, 12_000.0, Relation::Below)];
    for tests in [at_least, both, below] {
        for prior in [one_loss(), Prior { losses_not_negative: false, ..one_loss() }] {
            assert_grid(&prior, &tests, &[NEW, NEAR], fine, 1e-6);
            assert_grid(&prior, &tests, &[FAR], finest, 1e-6);
        }
    }
}

#[test]
fn distribution_two_losses_cut_is_the_grids() {
    let tests = exact(&[(0.0, 0.0, 20_000.0), (120.0, 4.0, 15_500.0)]);
    assert_grid(&label(), &tests, &[(200.0, 8.0)], [160, 160, 60], 1e-6);
    assert_grid(&label(), &tests, &[(1_000.0, 40.0)], [1_000, 140, 40], 1e-6);
}

#[test]
fn distribution_two_losses_that_cannot_be_told_apart_is_the_grids() {
    // Sharp tests and much use: given the head, hours and washes share the loss, with a correlation of nearly -1.
    let sharp = Prior { sigma: 0.03, ..label() };
    let tests = exact(&[(0.0, 0.0, 20_000.0), (300.0, 12.0, 9_000.0)]);
    assert_grid(&sharp, &tests, &[(300.0, 12.0), (400.0, 16.0)], [600, 300, 30], 1e-5);
}

#[test]
fn distribution_two_losses_with_bounds_is_the_grids() {
    let tests = vec![HeadTest::exact(30.0, 1.0, 18_000.0), bound(150.0, 6.0, 14_500.0, Relation::AtLeast)];
    assert_grid(&label(), &tests, &[(200.0, 8.0)], [120, 120, 60], 1e-5);
    let open = Prior { losses_not_negative: false, ..label() };
    assert_grid(&open, &tests, &[(1_000.0, 40.0)], [120, 120, 60], 1e-5);
}

#[test]
fn distribution_falls_from_one_to_nothing() {
    let tests = exact(&[(0.0, 0.0, 20_000.0), (120.0, 4.0, 15_500.0)]);
    let posterior = update(&label(), &tests).unwrap();
    let there = posterior.distribution(UsePoint { worn_h: 900.0, washes: 30.0 }).unwrap();
    let (mean, sd, _) = there.moments();
    let marks: Vec<[f64; 2]> = (-120..=120)
        .map(|k| mean + 0.1 * f64::from(k) * sd)
        .map(|ln| [there.p_true(ln), there.p_next(ln)])
        .collect();
    assert!(marks[0][0] > 1.0 - 1e-9 && marks[240][0] < 1e-9 && marks[0][1] > 1.0 - 1e-9, "{:?}", marks[0]);
    for pair in marks.windows(2) {
        assert!((0..2).all(|k| pair[1][k] <= pair[0][k] + 1e-9), "{pair:?}");
    }
}
