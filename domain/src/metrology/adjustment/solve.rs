//! The normal equations of the adjustment, with the items eliminated.

use nalgebra::{Cholesky, DMatrix, DVector, Matrix2, Vector2};

use crate::no_estimate::NoEstimate;

/// A pivot this small beside its sitting's number of readings counts as zero.
const PIVOT_TOLERANCE: f64 = 1e-10;

/// One reading by positions. `y` is the reading less the known mass.
pub(super) struct Row {
    pub sitting: usize,
    pub item: Option<usize>,
    pub weight: Option<usize>,
    pub y: f64,
    pub time: f64,
}

/// Sittings that share items, directly or by others.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Group {
    /// No check weight among them.
    pub relative: bool,
    /// Unscaled covariance of its offsets.
    offsets: DMatrix<f64>,
}

impl Group {
    /// Unscaled covariance of two items' masses (of different items).
    pub fn between(&self, one: &Dependence, other: &Dependence) -> f64 {
        let product = |(i, a): &(usize, f64)| {
            other.by_offset.iter().map(|(j, b)| a * b * self.offsets[(*i, *j)]).sum::<f64>()
        };
        one.by_offset.iter().map(product).sum()
    }
}

/// How a mass depends on what it shares with others.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Dependence {
    /// By offset, as (position in the group, factor).
    by_offset: Vec<(usize, f64)>,
    /// By check weight.
    pub by_weight: Vec<f64>,
}

pub(super) struct SolvedDrift {
    pub value: f64,
    pub variance: f64,
    pub by_weight: Vec<f64>,
}

pub(super) struct SolvedItem {
    pub mass: f64,
    pub variance: f64,
    pub drift: Option<SolvedDrift>,
    pub dependence: Dependence,
    pub plain_mean: f64,
    pub readings: usize,
    pub group: usize,
}

pub(super) struct SolvedSitting {
    pub offset: f64,
    pub variance: f64,
    pub by_weight: Vec<f64>,
    pub group: usize,
}

pub(super) struct Solved {
    pub items: Vec<SolvedItem>,
    pub sittings: Vec<SolvedSitting>,
    pub groups: Vec<Group>,
    pub residuals: Vec<f64>,
    pub rss: f64,
    pub dof: usize,
}

/// One item's part of the normal equations, about its own mean time and first reading.
struct Block {
    base: f64,
    middle: f64,
    drifting: bool,
    inverse: Matrix2<f64>,
    rhs: Vector2<f64>,
    /// (sitting's position in the group, sum of [1, t - middle]).
    cross: Vec<(usize, Vector2<f64>)>,
    rows: Vec<usize>,
}

impl Block {
    fn new(rows: &[Row], own: Vec<usize>, drifting: bool, place: &[usize]) -> Result<Self, NoEstimate> {
        let n = own.len() as f64;
        let base = rows[own[0]].y;
        let start = rows[own[0]].time;
        let middle = start + own.iter().map(|r| rows[*r].time - start).sum::<f64>() / n;
        let mut normal = Matrix2::zeros();
        let mut rhs = Vector2::zeros();
        let mut cross: Vec<(usize, Vector2<f64>)> = Vec::new();
        for r in &own {
            let row = &rows[*r];
            let z = Vector2::new(1.0, if drifting { row.time - middle } else { 0.0 });
            normal += z * z.transpose();
            rhs += z * (row.y - base);
            match cross.iter_mut().find(|(sitting, _)| *sitting == place[row.sitting]) {
                Some((_, sum)) => *sum += z,
                None => cross.push((place[row.sitting], z)),
            }
        }
        let mut inverse = Matrix2::new(1.0 / n, 0.0, 0.0, 0.0);
        if drifting {
            let reach = own.iter().fold(0.0f64, |most, r| most.max(rows[*r].time.abs()));
            if normal[(1, 1)] <= 1e-20 * reach * reach * n {
                return Err(NoEstimate::Singular { what: "an item's mass and its drift" });
            }
            inverse =
                normal.try_inverse().ok_or(NoEstimate::Singular { what: "an item's mass and its drift" })?;
        }
        Ok(Self { base, middle, drifting, inverse, rhs, cross, rows: own })
    }

    /// The row of A^-1 B for a combination `of` the block's parameters: dependence on the offsets, sign turned.
    fn by_offset(&self, of: Vector2<f64>) -> Vec<(usize, f64)> {
        let left = self.inverse * of;
        self.cross.iter().map(|(sitting, sum)| (*sitting, left.dot(sum))).collect()
    }
}

fn find(parent: &mut [usize], mut at: usize) -> usize {
    while parent[at] != at {
        parent[at] = parent[parent[at]];
        at = parent[at];
    }
    at
}

pub(super) fn solve(
    rows: &[Row],
    sittings: usize,
    drifting: &[bool],
    weights: usize,
) -> Result<Solved, NoEstimate> {
    let items = drifting.len();
    let mut parent: Vec<usize> = (0..sittings + items).collect();
    for row in rows {
        if let Some(item) = row.item {
            let (a, b) = (find(&mut parent, row.sitting), find(&mut parent, sittings + item));
            parent[a.max(b)] = a.min(b);
        }
    }
    // Groups are numbered in the order of their first sitting.
    let mut group_of = vec![0; sittings];
    let mut place = vec![0; sittings];
    let mut members: Vec<Vec<usize>> = Vec::new();
    let mut roots: Vec<usize> = Vec::new();
    for sitting in 0..sittings {
        let root = find(&mut parent, sitting);
        let group = roots.iter().position(|known| *known == root).unwrap_or_else(|| {
            roots.push(root);
            members.push(Vec::new());
            roots.len() - 1
        });
        group_of[sitting] = group;
        place[sitting] = members[group].len();
        members[group].push(sitting);
    }
    let mut rows_of = vec![Vec::new(); items];
    let mut tied = vec![false; members.len()];
    for (at, row) in rows.iter().enumerate() {
        match row.item {
            Some(item) => rows_of[item].push(at),
            None => tied[group_of[row.sitting]] = true,
        }
    }
    let mut blocks = Vec::with_capacity(items);
    for (own, drifts) in rows_of.into_iter().zip(drifting) {
        blocks.push(Block::new(rows, own, *drifts, &place)?);
    }
    let group_of_block = |block: &Block| group_of[rows[block.rows[0]].sitting];

    let mut groups = Vec::with_capacity(members.len());
    let mut offsets = vec![0.0; sittings];
    let mut by_weight_of_offset: Vec<DMatrix<f64>> = Vec::with_capacity(members.len());
    for (group, own) in members.iter().enumerate() {
        let relative = !tied[group];
        let found = solve_group(
            rows,
            own,
            &place,
            blocks.iter().filter(|b| group_of_block(b) == group),
            relative,
            weights,
        )?;
        for (sitting, value) in own.iter().zip(found.values.iter()) {
            offsets[*sitting] = *value;
        }
        groups.push(Group { relative, offsets: found.covariance });
        by_weight_of_offset.push(found.by_weight);
    }

    let mut residuals: Vec<f64> = rows.iter().map(|row| row.y - offsets[row.sitting]).collect();
    let mut solved_items = Vec::with_capacity(items);
    for block in &blocks {
        let group = group_of_block(block);
        let mut rhs = block.rhs;
        for (at, sum) in &block.cross {
            rhs -= sum * offsets[members[group][*at]];
        }
        let beta = block.inverse * rhs;
        for r in &block.rows {
            residuals[*r] -= block.base + beta[0] + beta[1] * (rows[*r].time - block.middle);
        }
        let part = |of: Vector2<f64>| {
            let dependence = dependence(block.by_offset(of), &by_weight_of_offset[group]);
            let own = (of.transpose() * block.inverse * of)[(0, 0)];
            (own + groups[group].between(&dependence, &dependence), dependence)
        };
        let (variance, at_zero) = part(Vector2::new(1.0, if block.drifting { -block.middle } else { 0.0 }));
        let drift = block.drifting.then(|| {
            let (variance, dependence) = part(Vector2::new(0.0, 1.0));
            SolvedDrift { value: beta[1], variance, by_weight: dependence.by_weight }
        });
        let shift = if block.drifting { beta[1] * block.middle } else { 0.0 };
        let readings = block.rows.len();
        let above_base: f64 = block.rows.iter().map(|r| rows[*r].y - block.base).sum();
        solved_items.push(SolvedItem {
            mass: block.base + beta[0] - shift,
            variance,
            drift,
            dependence: at_zero,
            plain_mean: block.base + above_base / readings as f64,
            readings,
            group,
        });
    }
    let solved_sittings = (0..sittings)
        .map(|sitting| {
            let (group, at) = (group_of[sitting], place[sitting]);
            SolvedSitting {
                offset: offsets[sitting],
                variance: groups[group].offsets[(at, at)],
                by_weight: by_weight_of_offset[group].row(at).iter().copied().collect(),
                group,
            }
        })
        .collect();
    let unknowns = sittings + items + drifting.iter().filter(|d| **d).count()
        - groups.iter().filter(|group| group.relative).count();
    let rss = residuals.iter().map(|r| r * r).sum();
    let dof = rows.len().saturating_sub(unknowns);
    Ok(Solved { items: solved_items, sittings: solved_sittings, groups, residuals, rss, dof })
}

fn dependence(by_offset: Vec<(usize, f64)>, by_weight_of_offset: &DMatrix<f64>) -> Dependence {
    let by_weight = (0..by_weight_of_offset.ncols())
        .map(|w| -by_offset.iter().map(|(at, factor)| factor * by_weight_of_offset[(*at, w)]).sum::<f64>())
        .collect();
    Dependence { by_offset, by_weight }
}

/// The offsets of one group.
struct GroupOffsets {
    /// Unscaled covariance.
    covariance: DMatrix<f64>,
    values: DVector<f64>,
    /// How each (row) depends on each check weight's mass (column).
    by_weight: DMatrix<f64>,
}

fn solve_group<'a>(
    rows: &[Row],
    own: &[usize],
    place: &[usize],
    blocks: impl Iterator<Item = &'a Block>,
    relative: bool,
    weights: usize,
) -> Result<GroupOffsets, NoEstimate> {
    let n = own.len();
    let mut matrix = DMatrix::<f64>::zeros(n, n);
    let mut rhs = DVector::<f64>::zeros(n);
    let mut weight_counts = DMatrix::<f64>::zeros(n, weights);
    for row in
        rows.iter().filter(|row| row.item.is_none() && own.get(place[row.sitting]) == Some(&row.sitting))
    {
        let at = place[row.sitting];
        matrix[(at, at)] += 1.0;
        rhs[at] += row.y;
        if let Some(weight) = row.weight {
            weight_counts[(at, weight)] += 1.0;
        }
    }
    let mut counts: Vec<f64> = matrix.diagonal().iter().copied().collect();
    for block in blocks {
        for r in &block.rows {
            let at = place[rows[*r].sitting];
            matrix[(at, at)] += 1.0;
            counts[at] += 1.0;
            rhs[at] += rows[*r].y - block.base;
        }
        let solved = block.inverse * block.rhs;
        for (i, left) in &block.cross {
            let reduced = block.inverse * left;
            for (j, right) in &block.cross {
                matrix[(*i, *j)] -= reduced.dot(right);
            }
            rhs[*i] -= left.dot(&solved);
        }
    }
    let share = 1.0 / n as f64;
    if relative {
        matrix.add_scalar_mut(share);
    }
    let singular = NoEstimate::Singular { what: "drift of the items and offsets of the sittings" };
    let cholesky = Cholesky::new(matrix).ok_or(singular.clone())?;
    let pivots = cholesky.l_dirty().diagonal();
    if pivots.iter().zip(&counts).any(|(pivot, count)| pivot * pivot <= PIVOT_TOLERANCE * count.max(1.0)) {
        return Err(singular);
    }
    let values = cholesky.solve(&rhs);
    let mut covariance = cholesky.inverse();
    if relative {
        covariance.add_scalar_mut(-share);
    }
    // A heavier weight than stated means smaller offsets.
    let by_weight = -(&covariance * weight_counts);
    Ok(GroupOffsets { covariance, values, by_weight })
}
