//! A quick way to place a tight set: fill one pocket after another as full as whole pieces can fill it.
//!
//! Many small pieces can fill a pocket to the last millilitre, which a search over single pieces rarely hits upon. Each
//! pocket's best fill is a subset sum, solved exactly over bit sets (Bellman's recursion).

use super::pack::{Bins, Piece, Slot};

/// The finest division of the pieces' total volume.
const MOST_UNITS: u64 = 12_000;

/// Tries some orders of pockets; `None` says nothing about whether the pieces fit. Only for free pieces: no containers.
pub(super) fn fill(pieces: &[Piece], bins: &Bins, preference: &[usize]) -> Option<Vec<Slot>> {
    if pieces.iter().any(|p| p.inner.is_some() || p.inside.is_some()) {
        return None;
    }
    let total: u64 = pieces.iter().map(|p| p.volume).sum();
    let common = pieces.iter().fold(0, |g, p| gcd(g, p.volume)).max(1);
    // Rounding volumes up and room down keeps every fill valid.
    let unit = if total / common <= MOST_UNITS { common } else { total / MOST_UNITS + 1 };
    let sizes: Vec<usize> = pieces.iter().map(|p| p.volume.div_ceil(unit) as usize).collect();
    let mut by_size: Vec<usize> = (0..pieces.len()).collect();
    by_size.sort_by_key(|&k| (sizes[k], k));
    let mut order = preference.to_vec();
    for turn in 0..preference.len().max(2) {
        for large_first in [true, false] {
            let try_order = Attempt { pieces, bins, sizes: &sizes, by_size: &by_size, unit, large_first };
            if let Some(slots) = try_order.run(&order) {
                return Some(slots);
            }
        }
        if order.len() > 1 {
            let last = order.len() - 1;
            order.swap(last - turn % last, last - turn % last - 1);
        }
    }
    None
}

struct Attempt<'a> {
    pieces: &'a [Piece],
    bins: &'a Bins,
    sizes: &'a [usize],
    by_size: &'a [usize],
    unit: u64,
    large_first: bool,
}

impl Attempt<'_> {
    fn run(&self, order: &[usize]) -> Option<Vec<Slot>> {
        let mut at: Vec<Option<usize>> = vec![None; self.pieces.len()];
        let mut later: u32 = order.iter().fold(0, |m, &p| m | 1 << p);
        for &p in order {
            later &= !(1 << p);
            let mut room = (self.bins.volume[p] / self.unit) as usize;
            let mut optional = Vec::new();
            for &k in self.by_size {
                let allowed = self.pieces[k].pockets;
                if at[k].is_some() || allowed & (1 << p) == 0 {
                    continue;
                }
                if allowed & later == 0 {
                    room = room.checked_sub(self.sizes[k])?;
                    at[k] = Some(p);
                } else {
                    optional.push(k);
                }
            }
            for k in self.best_fill(&optional, room) {
                at[k] = Some(p);
            }
        }
        let slots: Option<Vec<Slot>> =
            at.iter().map(|p| p.map(|pocket| Slot { pocket, container: None })).collect();
        slots.filter(|slots| self.within_caps(slots))
    }

    /// The pieces that fill the room best.
    fn best_fill(&self, optional: &[usize], room: usize) -> Vec<usize> {
        let words = room / 64 + 1;
        let mut reach: Vec<Vec<u64>> = Vec::with_capacity(optional.len() + 1);
        let mut first = vec![0u64; words];
        first[0] = 1;
        reach.push(first);
        for &k in optional {
            let mut next = reach[reach.len() - 1].clone();
            or_shifted(&mut next, self.sizes[k]);
            reach.push(next);
        }
        let mut sum = largest_at_most(&reach[optional.len()], room);
        let has = |set: &[u64], v: usize| set[v / 64] >> (v % 64) & 1 == 1;
        let mut chosen = Vec::new();
        for i in (0..optional.len()).rev() {
            let size = self.sizes[optional[i]];
            let with = sum >= size && has(&reach[i], sum - size);
            let without = has(&reach[i], sum);
            if with && (self.large_first || !without) {
                chosen.push(optional[i]);
                sum -= size;
            }
        }
        chosen
    }

    fn within_caps(&self, slots: &[Slot]) -> bool {
        self.bins.mass_cap.iter().enumerate().all(|(p, cap)| {
            cap.is_none_or(|cap| {
                let here = self.pieces.iter().zip(slots).filter(|(_, s)| s.pocket == p);
                here.map(|(piece, _)| piece.mass).sum::<u64>() <= cap
            })
        })
    }
}

/// Adds `by` to every member of a bit set, beside the members themselves; what goes beyond the set is lost.
pub(super) fn or_shifted(set: &mut [u64], by: usize) {
    let (words, bits) = (by / 64, by % 64);
    for w in (words..set.len()).rev() {
        let mut v = set[w - words] << bits;
        if bits > 0 && w > words {
            v |= set[w - words - 1] >> (64 - bits);
        }
        set[w] |= v;
    }
}

/// The largest member that is at most `most`; zero, which every set here has, when there is no other.
pub(super) fn largest_at_most(set: &[u64], most: usize) -> usize {
    let top = most / 64;
    if top < set.len() {
        let masked = set[top] & (u64::MAX >> (63 - most % 64));
        if masked != 0 {
            return top * 64 + 63 - masked.leading_zeros() as usize;
        }
    }
    for w in (0..top.min(set.len())).rev() {
        if set[w] != 0 {
            return w * 64 + 63 - set[w].leading_zeros() as usize;
        }
    }
    0
}

pub(super) fn gcd(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn or_shifted_sums_of_a_few_all_found() {
        let mut set = vec![0u64; 4];
        set[0] = 1;
        for v in [3usize, 70, 64] {
            or_shifted(&mut set, v);
        }
        let members: Vec<usize> = (0..256).filter(|v| set[v / 64] >> (v % 64) & 1 == 1).collect();
        assert_eq!(members, [0, 3, 64, 67, 70, 73, 134, 137]);
        assert_eq!(largest_at_most(&set, 133), 73);
        assert_eq!(largest_at_most(&set, 2), 0);
        assert_eq!(largest_at_most(&set, 1000), 137);
    }
}
