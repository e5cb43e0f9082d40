//! Which column to branch on: reliability branching (Achterberg, Koch and Martin, "Branching rules revisited", Operations
//! Research Letters 33, 2005). A column's gains are tried out until they have been seen a few times, then estimated.

use super::lp::{Lp, Outcome};

const RELIABLE: u32 = 3;
const TRIED: usize = 8;
const TRIAL_PIVOTS: usize = 25;

#[derive(Default, Clone, Copy)]
struct Gains {
    sum: f64,
    count: u32,
}

impl Gains {
    fn mean(self, otherwise: f64) -> f64 {
        if self.count == 0 { otherwise } else { self.sum / f64::from(self.count) }
    }
}

/// Gains in the bound per unit of change, by column and direction.
pub(super) struct Branching {
    down: Vec<Gains>,
    up: Vec<Gains>,
}

/// What a look at the candidates gave.
pub(super) enum Choice {
    /// Branch here; the bounds of the two sides where they were tried.
    Column(usize),
    /// This side is empty or too costly: (column, true when it is the lower side).
    Closed(usize, bool),
}

impl Branching {
    pub fn new(columns: usize) -> Self {
        Self { down: vec![Gains::default(); columns], up: vec![Gains::default(); columns] }
    }

    /// Chooses among (column, value). `lp` is at the optimum of the ranges, of value `bound`; afterwards its basis is
    /// another one, as good a start as any.
    pub fn choose(
        &mut self,
        lp: &mut Lp,
        candidates: &[(usize, f64)],
        lo: &[i64],
        hi: &[i64],
        bound: f64,
        closed: impl Fn(f64) -> bool,
    ) -> Choice {
        let (down_mean, up_mean) = (overall(&self.down), overall(&self.up));
        let score = |d: f64, u: f64| d.max(1e-3) * u.max(1e-3);
        let mut ranked: Vec<(f64, usize, f64)> = candidates
            .iter()
            .map(|&(j, v)| {
                let part = v - v.floor();
                (score(self.down[j].mean(down_mean) * part, self.up[j].mean(up_mean) * (1.0 - part)), j, v)
            })
            .collect();
        ranked.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        let mut best = (f64::NEG_INFINITY, ranked[0].1);
        let mut tried = 0;
        let (mut lo, mut hi) = (lo.to_vec(), hi.to_vec());
        for &(estimate, j, v) in &ranked {
            let reliable = self.down[j].count.min(self.up[j].count) >= RELIABLE;
            let mut value = estimate;
            if !reliable && tried < TRIED {
                tried += 1;
                let part = v - v.floor();
                let mut gains = [0.0; 2];
                for (side, gain) in gains.iter_mut().enumerate() {
                    let keep = (lo[j], hi[j]);
                    if side == 0 {
                        hi[j] = v.floor() as i64;
                    } else {
                        lo[j] = v.floor() as i64 + 1;
                    }
                    lp.set_bounds(&lo, &hi);
                    let outcome = lp.solve(TRIAL_PIVOTS);
                    (lo[j], hi[j]) = keep;
                    let reached = lp.safe_bound().0;
                    if outcome == Outcome::Infeasible || closed(reached) {
                        return Choice::Closed(j, side == 0);
                    }
                    *gain = (reached - bound).max(0.0);
                }
                let add = |g: &mut Gains, gain: f64| {
                    g.sum += gain;
                    g.count += 1;
                };
                add(&mut self.down[j], gains[0] / part.max(1e-6));
                add(&mut self.up[j], gains[1] / (1.0 - part).max(1e-6));
                value = score(gains[0], gains[1]);
            }
            if value > best.0 {
                best = (value, j);
            }
        }
        Choice::Column(best.1)
    }
}

fn overall(gains: &[Gains]) -> f64 {
    let seen: Vec<f64> = gains.iter().filter(|g| g.count > 0).map(|g| g.mean(0.0)).collect();
    if seen.is_empty() { 1.0 } else { seen.iter().sum::<f64>() / seen.len() as f64 }
}
