//! A small bounded dual simplex over a dense dictionary, and bounds from it that hold in spite of rounding.
//!
//! Every column has finite bounds and every start is dual feasible (each non-basic variable stands at the bound that
//! its reduced cost asks for), so the dual method needs no first phase: after any change of bounds, or a new row, it goes
//! on from the basis that it has. The dual simplex with bound flips is textbook material (Koberstein, "The dual
//! simplex method", 2005). The bounds are made safe as in Neumaier and Shcherbina, "Safe bounds in linear and
//! mixed-integer linear programming", Mathematical Programming 99 (2004): whatever the multipliers are, the
//! Lagrangian bound computed from the original integers is valid, less a bound on its own rounding error.

/// `lo <= sum coefs . x <= hi`; an absent side is infinite.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Row {
    /// (column, coefficient), each column once.
    pub coefs: Vec<(usize, i64)>,
    pub lo: Option<i64>,
    pub hi: Option<i64>,
}

impl Row {
    pub fn at_least(coefs: Vec<(usize, i64)>, lo: i64) -> Self {
        Self { coefs, lo: Some(lo), hi: None }
    }

    pub fn at_most(coefs: Vec<(usize, i64)>, hi: i64) -> Self {
        Self { coefs, lo: None, hi: Some(hi) }
    }

    /// Whether whole values satisfy the row.
    pub fn holds(&self, x: &[i64]) -> bool {
        let sum: i128 = self.coefs.iter().map(|&(j, a)| i128::from(a) * i128::from(x[j])).sum();
        self.lo.is_none_or(|lo| sum >= i128::from(lo)) && self.hi.is_none_or(|hi| sum <= i128::from(hi))
    }
}

/// How a run of the simplex ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Outcome {
    Optimal,
    /// No point within the bounds satisfies the rows; proven with a margin for rounding.
    Infeasible,
    /// Stopped early; the bound still holds.
    Stalled,
}

const PRIMAL_TOL: f64 = 1e-8;
const PIVOT_TOL: f64 = 1e-8;

/// The linear relaxation: columns with costs, rows that may be appended, bounds that change with every node.
pub(super) struct Lp {
    n: usize,
    cost: Vec<f64>,
    /// Reduced costs below this are rounding.
    zero_cost: f64,
    rows: Vec<Row>,
    scale: Vec<f64>,
    /// Bounds of variables: the first `n` are columns, then one per row (scaled).
    lo: Vec<f64>,
    hi: Vec<f64>,
    /// Dictionary: basic variable `i` = sum over non-basic `j` of `dict[i][j]`.
    dict: Vec<Vec<f64>>,
    basis: Vec<usize>,
    nonbasis: Vec<usize>,
    at_upper: Vec<bool>,
    /// Reduced costs of the non-basic variables.
    d: Vec<f64>,
    beta: Vec<f64>,
    pivots_since_rebuild: usize,
    /// Pivots made since the start: the measure of work.
    pub pivots: u64,
}

impl Lp {
    pub fn new(cost: Vec<f64>, rows: Vec<Row>) -> Self {
        let n = cost.len();
        let mut lp = Self {
            n,
            zero_cost: 1e-12 * cost.iter().fold(1.0, |a: f64, b| a.max(b.abs())),
            d: cost.clone(),
            cost,
            rows: Vec::new(),
            scale: Vec::new(),
            lo: vec![0.0; n],
            hi: vec![0.0; n],
            dict: Vec::new(),
            basis: Vec::new(),
            nonbasis: (0..n).collect(),
            at_upper: vec![false; n],
            beta: Vec::new(),
            pivots_since_rebuild: 0,
            pivots: 0,
        };
        for row in rows {
            lp.add_row(row);
        }
        lp
    }

    /// Appends a row, its slack basic.
    pub fn add_row(&mut self, row: Row) {
        let largest = row.coefs.iter().map(|&(_, a)| a.unsigned_abs()).max().unwrap_or(1).max(1) as f64;
        let dict_row = self.express(&row, largest);
        self.lo.push(row.lo.map_or(f64::NEG_INFINITY, |v| v as f64 / largest));
        self.hi.push(row.hi.map_or(f64::INFINITY, |v| v as f64 / largest));
        self.basis.push(self.n + self.rows.len());
        self.rows.push(row);
        self.scale.push(largest);
        self.dict.push(dict_row);
        self.beta.push(0.0);
    }

    /// A row in terms of the present non-basic variables.
    fn express(&self, row: &Row, largest: f64) -> Vec<f64> {
        let mut place = vec![usize::MAX; self.n];
        for (j, &var) in self.nonbasis.iter().enumerate() {
            if var < self.n {
                place[var] = j;
            }
        }
        let mut basic_row = vec![usize::MAX; self.n];
        for (i, &var) in self.basis.iter().enumerate() {
            if var < self.n {
                basic_row[var] = i;
            }
        }
        let mut out = vec![0.0; self.n];
        for &(column, a) in &row.coefs {
            let a = a as f64 / largest;
            if place[column] == usize::MAX {
                for (o, v) in out.iter_mut().zip(&self.dict[basic_row[column]]) {
                    *o += a * v;
                }
            } else {
                out[place[column]] += a;
            }
        }
        out
    }

    /// Drops the appended rows beyond `keep_first` whose slack is basic and inactive, once there are more than `most`.
    pub fn purge(&mut self, keep_first: usize, most: usize) {
        if self.rows.len() <= most {
            return;
        }
        let mut drop = vec![false; self.rows.len()];
        for (i, &var) in self.basis.iter().enumerate() {
            if var >= self.n + keep_first {
                let slack = (self.beta[i] - self.lo[var]).min(self.hi[var] - self.beta[i]);
                drop[var - self.n] = slack > 1e-6;
            }
        }
        let mut renumber = vec![0; self.rows.len()];
        let mut next = 0;
        for (r, gone) in drop.iter().enumerate() {
            renumber[r] = next;
            next += usize::from(!gone);
        }
        let kept_basis: Vec<bool> = self.basis.iter().map(|&v| v < self.n || !drop[v - self.n]).collect();
        let mut keep = kept_basis.iter();
        self.dict.retain(|_| *keep.next().unwrap_or(&true));
        let mut keep = kept_basis.iter();
        self.beta.retain(|_| *keep.next().unwrap_or(&true));
        let mut keep = kept_basis.iter();
        self.basis.retain(|_| *keep.next().unwrap_or(&true));
        for var in self.basis.iter_mut().chain(self.nonbasis.iter_mut()) {
            if *var >= self.n {
                *var = self.n + renumber[*var - self.n];
            }
        }
        let n = self.n;
        let kept = |k: usize| k < n || !drop[k - n];
        let mut k = 0;
        self.lo.retain(|_| {
            k += 1;
            kept(k - 1)
        });
        k = 0;
        self.hi.retain(|_| {
            k += 1;
            kept(k - 1)
        });
        k = n;
        self.rows.retain(|_| {
            k += 1;
            kept(k - 1)
        });
        k = n;
        self.scale.retain(|_| {
            k += 1;
            kept(k - 1)
        });
    }

    /// Takes new column bounds and puts every non-basic variable at the bound that its reduced cost asks for.
    pub fn set_bounds(&mut self, lo: &[i64], hi: &[i64]) {
        for j in 0..self.n {
            self.lo[j] = lo[j] as f64;
            self.hi[j] = hi[j] as f64;
        }
        self.refresh();
    }

    fn refresh(&mut self) {
        for j in 0..self.n {
            let var = self.nonbasis[j];
            self.at_upper[j] = if self.lo[var] == f64::NEG_INFINITY {
                true
            } else if self.hi[var] == f64::INFINITY || self.d[j] > self.zero_cost {
                false
            } else {
                self.d[j] < -self.zero_cost || self.at_upper[j]
            };
        }
        let x: Vec<f64> = (0..self.n).map(|j| self.nonbasic_value(j)).collect();
        for (beta, row) in self.beta.iter_mut().zip(&self.dict) {
            *beta = row.iter().zip(&x).map(|(a, b)| a * b).sum();
        }
    }

    fn nonbasic_value(&self, j: usize) -> f64 {
        let var = self.nonbasis[j];
        if self.at_upper[j] { self.hi[var] } else { self.lo[var] }
    }

    /// Runs the dual simplex from the present basis, at most `limit` pivots.
    pub fn solve(&mut self, limit: usize) -> Outcome {
        let mut done = 0;
        loop {
            let Some((r, below)) = self.leaving() else { return Outcome::Optimal };
            if done >= limit {
                return Outcome::Stalled;
            }
            match self.entering(r, below) {
                Some(e) => self.pivot(r, e),
                None if self.infeasible_beyond_rounding(r) => return Outcome::Infeasible,
                None => return Outcome::Stalled,
            }
            done += 1;
            if self.pivots_since_rebuild > 2000 {
                self.rebuild();
            }
        }
    }

    fn leaving(&self) -> Option<(usize, bool)> {
        let mut best = None;
        let mut worst = PRIMAL_TOL;
        for (i, &var) in self.basis.iter().enumerate() {
            let under = self.lo[var] - self.beta[i];
            let over = self.beta[i] - self.hi[var];
            if under > worst {
                worst = under;
                best = Some((i, true));
            }
            if over > worst {
                worst = over;
                best = Some((i, false));
            }
        }
        best
    }

    /// The ratio test with bound flips; `None` when even every flip leaves the row short.
    fn entering(&mut self, r: usize, below: bool) -> Option<usize> {
        let sign = if below { 1.0 } else { -1.0 };
        let mut candidates: Vec<(f64, usize)> = Vec::new();
        for j in 0..self.n {
            let a = sign * self.dict[r][j];
            let var = self.nonbasis[j];
            if self.hi[var] - self.lo[var] <= 0.0 {
                continue;
            }
            if (a > PIVOT_TOL && !self.at_upper[j]) || (a < -PIVOT_TOL && self.at_upper[j]) {
                candidates.push((self.d[j].abs() / a.abs(), j));
            }
        }
        candidates.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let var_r = self.basis[r];
        let mut short = if below { self.lo[var_r] - self.beta[r] } else { self.beta[r] - self.hi[var_r] };
        let mut flips = Vec::new();
        let mut chosen = None;
        for (k, &(ratio, j)) in candidates.iter().enumerate() {
            let var = self.nonbasis[j];
            let gain = self.dict[r][j].abs() * (self.hi[var] - self.lo[var]);
            if short - gain <= PRIMAL_TOL * 0.1 {
                // Among nearly equal ratios the largest pivot is the most accurate.
                let near = candidates[k..].iter().take_while(|c| c.0 <= ratio + 1e-10 * (1.0 + ratio));
                let pick = near.max_by(|a, b| {
                    self.dict[r][a.1].abs().total_cmp(&self.dict[r][b.1].abs()).then(b.1.cmp(&a.1))
                });
                chosen = pick.map(|c| c.1);
                break;
            }
            short -= gain;
            flips.push(j);
        }
        chosen?;
        if !flips.is_empty() {
            for &j in &flips {
                let var = self.nonbasis[j];
                let width = self.hi[var] - self.lo[var];
                let step = if self.at_upper[j] { -width } else { width };
                self.at_upper[j] = !self.at_upper[j];
                for (beta, row) in self.beta.iter_mut().zip(&self.dict) {
                    *beta += row[j] * step;
                }
            }
        }
        chosen
    }

    /// Exchanges basic row `r` with non-basic column `e`; the leaving variable goes to the bound that it violated.
    fn pivot(&mut self, r: usize, e: usize) {
        self.pivots += 1;
        self.pivots_since_rebuild += 1;
        let (leaving, entering) = (self.basis[r], self.nonbasis[e]);
        let to_lower = self.beta[r] < self.lo[leaving];
        let target = if to_lower { self.lo[leaving] } else { self.hi[leaving] };
        let p = self.dict[r][e];
        let step = (target - self.beta[r]) / p;
        let entering_value = self.nonbasic_value(e) + step;
        let mut row = std::mem::take(&mut self.dict[r]);
        for v in &mut row {
            *v /= -p;
        }
        row[e] = 1.0 / p;
        for (i, other) in self.dict.iter_mut().enumerate() {
            if i == r {
                continue;
            }
            let a = other[e];
            if a != 0.0 {
                self.beta[i] += a * step;
                other[e] = 0.0;
                for (o, v) in other.iter_mut().zip(&row) {
                    *o += a * v;
                }
            }
        }
        let de = self.d[e];
        if de != 0.0 {
            self.d[e] = 0.0;
            for (o, v) in self.d.iter_mut().zip(&row) {
                *o += de * v;
            }
        }
        self.dict[r] = row;
        self.beta[r] = entering_value;
        self.basis[r] = entering;
        self.nonbasis[e] = leaving;
        self.at_upper[e] = !to_lower;
    }

    /// Starts the dictionary again from the original rows, which drops accumulated rounding. The present basis is lost.
    fn rebuild(&mut self) {
        self.pivots_since_rebuild = 0;
        self.nonbasis = (0..self.n).collect();
        self.basis = (0..self.rows.len()).map(|k| self.n + k).collect();
        self.d.clone_from(&self.cost);
        self.at_upper = vec![false; self.n];
        self.dict = (0..self.rows.len())
            .map(|k| {
                let mut row = vec![0.0; self.n];
                for &(j, a) in &self.rows[k].coefs {
                    row[j] = a as f64 / self.scale[k];
                }
                row
            })
            .collect();
        self.beta = vec![0.0; self.rows.len()];
        self.refresh();
    }

    /// The columns' values.
    pub fn values(&self) -> Vec<f64> {
        let mut x = vec![0.0; self.n];
        for (j, &var) in self.nonbasis.iter().enumerate() {
            if var < self.n {
                x[var] = self.nonbasic_value(j);
            }
        }
        for (i, &var) in self.basis.iter().enumerate() {
            if var < self.n {
                x[var] = self.beta[i];
            }
        }
        x
    }

    /// A value that no point within the bounds undercuts, and the reduced cost of each column that goes with it.
    pub fn safe_bound(&self) -> (f64, Vec<f64>) {
        let mut y = vec![0.0; self.rows.len()];
        for (j, &var) in self.nonbasis.iter().enumerate() {
            if var >= self.n {
                y[var - self.n] = self.d[j];
            }
        }
        let mut reduced = self.cost.clone();
        let (bound, size) = self.lagrangian(&y, &mut reduced);
        (bound - rounding(size, self.n + self.rows.len()), reduced)
    }

    /// Sum of each slack's least contribution and each column's, and the sum of magnitudes for the error bound.
    fn lagrangian(&self, y: &[f64], reduced: &mut [f64]) -> (f64, f64) {
        let mut total = 0.0;
        let reach = |j: usize| self.lo[j].abs().max(self.hi[j].abs());
        let mut size: f64 = reduced.iter().enumerate().map(|(j, c)| c.abs() * reach(j)).sum();
        for (k, row) in self.rows.iter().enumerate() {
            // A multiplier of the wrong sign for a one-sided row is an artefact of rounding.
            let side = if y[k] > 0.0 { row.lo } else { row.hi };
            let Some(side) = side else { continue };
            if y[k] == 0.0 {
                continue;
            }
            let per = y[k] / self.scale[k];
            total += per * side as f64;
            size += (per * side as f64).abs();
            for &(j, a) in &row.coefs {
                let part = per * a as f64;
                reduced[j] -= part;
                size += part.abs() * reach(j);
            }
        }
        for (j, &r) in reduced.iter().enumerate() {
            let part = if r > 0.0 { r * self.lo[j] } else { r * self.hi[j] };
            total += part;
            size += part.abs();
        }
        (total, size)
    }

    /// Whether row `r` of the dictionary, as a combination of the original rows, rules out every point for certain.
    fn infeasible_beyond_rounding(&self, r: usize) -> bool {
        let mut y = vec![0.0; self.rows.len()];
        for (j, &var) in self.nonbasis.iter().enumerate() {
            if var >= self.n {
                y[var - self.n] = -self.dict[r][j];
            }
        }
        if self.basis[r] >= self.n {
            y[self.basis[r] - self.n] = 1.0;
        }
        // sum y_k s_k = sum_j (sum_k y_k a_kj) x_j must be possible; with zero costs the Lagrangian of y or of -y is
        // positive exactly when it is not.
        for sign in [1.0, -1.0] {
            let signed: Vec<f64> = y.iter().map(|v| v * sign).collect();
            let mut reduced = vec![0.0; self.n];
            let (bound, size) = self.lagrangian(&signed, &mut reduced);
            if bound > rounding(size, self.n + self.rows.len()) + 1e-9 {
                return true;
            }
        }
        false
    }
}

/// A bound on the rounding error of a sum of products of `terms` addends of total magnitude `size`.
fn rounding(size: f64, terms: usize) -> f64 {
    4.0 * (terms as f64 + 16.0) * f64::EPSILON * size
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn solve_textbook_cover_optimum_found() {
        // min 3x + 4y, x + 2y >= 4, 3x + y >= 6, 0 <= x, y <= 10: the vertex x = 1.6, y = 1.2 (solved by hand).
        let rows = vec![Row::at_least(vec![(0, 1), (1, 2)], 4), Row::at_least(vec![(0, 3), (1, 1)], 6)];
        let mut lp = Lp::new(vec![3.0, 4.0], rows);
        lp.set_bounds(&[0, 0], &[10, 10]);
        assert_eq!(lp.solve(100), Outcome::Optimal);
        let x = lp.values();
        assert!((x[0] - 1.6).abs() < 1e-9 && (x[1] - 1.2).abs() < 1e-9, "{x:?}");
        let (bound, _) = lp.safe_bound();
        assert!(bound <= 9.6 && bound > 9.6 - 1e-9);
    }

    #[test]
    fn solve_bounds_too_narrow_infeasible() {
        let mut lp = Lp::new(vec![1.0, 1.0], vec![Row::at_least(vec![(0, 1), (1, 1)], 3)]);
        lp.set_bounds(&[0, 0], &[1, 1]);
        assert_eq!(lp.solve(100), Outcome::Infeasible);
        lp.set_bounds(&[0, 0], &[2, 1]);
        assert_eq!(lp.solve(100), Outcome::Optimal);
    }

    #[test]
    fn purge_inactive_rows_same_optimum() {
        let mut lp = Lp::new(vec![3.0, 4.0], vec![Row::at_least(vec![(0, 1), (1, 2)], 4)]);
        lp.set_bounds(&[0, 0], &[10, 10]);
        for k in 0..5 {
            lp.add_row(Row::at_most(vec![(0, 1), (1, 1)], 50 + k));
        }
        lp.add_row(Row::at_least(vec![(0, 3), (1, 1)], 6));
        lp.set_bounds(&[0, 0], &[10, 10]);
        assert_eq!(lp.solve(100), Outcome::Optimal);
        lp.purge(1, 3);
        assert_eq!(lp.rows.len(), 2);
        lp.set_bounds(&[0, 0], &[10, 10]);
        assert_eq!(lp.solve(100), Outcome::Optimal);
        assert!((lp.values()[0] - 1.6).abs() < 1e-9);
    }
}
