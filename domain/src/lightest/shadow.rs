//! Whether anything at all can be placed below a node of the search: what is already chosen, beside the least that the
//! count rules and totals still ask for.

use super::fit::Fit;
use super::model::Model;
use super::pack::{Fluid, Packed, Piece, pack_with};
use super::problem::Reach;

/// Steps spent on one look.
const STEPS: u64 = 250;

/// False only when no set within the ranges can be placed.
///
/// Every set within the ranges holds the units that `lo` demands, and for each count rule that is switched on as many
/// further units as those cannot serve: stand-ins that are as small, and may lie in as many pockets, as the best
/// candidates. What a total still lacks is taken as if it could be split, at the least volume per amount. If the units and
/// the stand-ins do not go in, nothing does.
pub(super) fn may_fit(model: &Model, fit: &Fit, lo: &[i64], hi: &[i64]) -> bool {
    let (mut pieces, _) = fit.pieces(&lo[..model.items]);
    if pieces.iter().any(|p| p.dry)
        && (0..model.items).any(|c| hi[c] > lo[c] && fit.template_of(c).inner.is_some())
    {
        // A container that is still to come may keep them dry.
        for piece in pieces.iter_mut().filter(|p| p.dry) {
            piece.pockets = piece.reached;
            piece.dry = false;
        }
    }
    let mut spoken_for = vec![false; model.items];
    let on = |w: Option<usize>| w.is_none_or(|w| lo[w] > 0);
    let floats: Vec<f64> = lo.iter().map(|&v| v as f64).collect();
    for component in &model.components {
        let leaves: Vec<usize> = component
            .iter()
            .copied()
            .filter(|&k| on(model.leaves[k].on) && !model.leaves[k].shareable)
            .collect();
        if leaves.is_empty() {
            continue;
        }
        for &k in &leaves {
            for &i in &model.leaves[k].eligible {
                spoken_for[i] = true;
            }
        }
        let mut lacking = model.lacking(&leaves, &floats);
        let mut others = Vec::new();
        for &k in &leaves {
            let leaf = &model.leaves[k];
            if leaf.eligible.iter().all(|&i| lo[i] == 0) {
                stand_in(fit, &leaf.eligible, leaf.units, lo, hi, &mut pieces);
                lacking -= leaf.units;
            } else {
                others.extend(&leaf.eligible);
            }
        }
        if lacking > 0 {
            others.sort_unstable();
            others.dedup();
            stand_in(fit, &others, lacking, lo, hi, &mut pieces);
        }
    }
    let fluids = fluids(model, fit, lo, hi, &mut spoken_for);
    pack_with(&pieces, &fluids, &fit.bins, STEPS) != Packed::No
}

/// Adds `units` pieces no larger and no more bound than any distinct units of the candidates can be.
fn stand_in(fit: &Fit, candidates: &[usize], units: i64, lo: &[i64], hi: &[i64], pieces: &mut Vec<Piece>) {
    let open: Vec<usize> = candidates.iter().copied().filter(|&i| hi[i] > lo[i]).collect();
    if open.iter().any(|&i| !fit.is_free(i)) {
        return;
    }
    let mut volumes: Vec<u64> = Vec::new();
    let mut masses: Vec<u64> = Vec::new();
    let (mut pockets, mut reached) = (0, 0);
    for &i in &open {
        let piece = fit.template_of(i);
        // What must lie dry may do so in a container, whose pocket any of those reached may be.
        pockets |= piece.reached;
        reached |= piece.reached;
        for _ in 0..(hi[i] - lo[i]).min(units) {
            volumes.push(piece.volume);
            masses.push(piece.mass);
        }
    }
    volumes.sort_unstable();
    masses.sort_unstable();
    for (&volume, &mass) in volumes.iter().zip(&masses).take(units.max(0) as usize) {
        pieces.push(Piece {
            item: usize::MAX,
            volume,
            mass,
            pockets,
            reached,
            dry: false,
            reach: Reach::VestOff,
            inside: None,
            inner: None,
        });
    }
}

/// What the totals still lack, of items that nothing else here speaks for.
fn fluids(model: &Model, fit: &Fit, lo: &[i64], hi: &[i64], spoken_for: &mut [bool]) -> Vec<Fluid> {
    let mut out = Vec::new();
    for row in model.total_rows() {
        let items = || row.coefs.iter().filter(|c| c.0 < model.items && c.1 > 0);
        let clean =
            row.coefs.iter().all(|&(j, a)| j < model.items && a > 0 && !spoken_for[j] && fit.is_free(j));
        let Some(least) = row.lo else { continue };
        if !clean {
            continue;
        }
        let mut lack = least - items().map(|&(i, a)| a * lo[i]).sum::<i64>();
        let mut open: Vec<(usize, i64)> = items().copied().filter(|c| hi[c.0] > lo[c.0]).collect();
        open.sort_by(|a, b| {
            let per = |c: &(usize, i64)| fit.template_of(c.0).volume as f64 / c.1 as f64;
            per(a).total_cmp(&per(b)).then(a.0.cmp(&b.0))
        });
        let mut fluid = Fluid { volume: 0, reached: 0 };
        for &(i, a) in &open {
            let piece = fit.template_of(i);
            fluid.reached |= piece.reached;
            if lack > 0 {
                let room =
                    (i128::from(lack.min(a * (hi[i] - lo[i]))) * i128::from(piece.volume)) / i128::from(a);
                fluid.volume += room as u64;
                lack -= a * (hi[i] - lo[i]);
            }
        }
        for &(i, _) in items() {
            spoken_for[i] = true;
        }
        if fluid.volume > 0 && fluid.reached != 0 {
            out.push(fluid);
        }
    }
    out
}
