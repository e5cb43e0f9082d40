//! Whether a set of pieces fits into the pockets, exactly: a depth-first search over pieces, the largest first.

use std::collections::HashSet;

use super::fill::{fill, gcd, largest_at_most, or_shifted};
use super::fit::unions;
use super::problem::Reach;

/// One unit to place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Piece {
    pub item: usize,
    pub volume: u64,
    pub mass: u64,
    /// Pockets that it may lie in directly.
    pub pockets: u32,
    /// Pockets that it may lie in at all, within a container where it must be dry.
    pub reached: u32,
    pub dry: bool,
    pub reach: Reach,
    /// The container's item that it must lie in.
    pub inside: Option<usize>,
    pub inner: Option<Inner>,
}

/// What a container holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Inner {
    pub volume: u64,
    pub mass_cap: Option<u64>,
    pub reach: Reach,
}

/// The pockets.
#[derive(Debug, Clone)]
pub(super) struct Bins {
    pub volume: Vec<u64>,
    pub mass_cap: Vec<Option<u64>>,
    pub waterproof: u32,
}

/// Where a piece was put.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Slot {
    pub pocket: usize,
    /// Index of the container's piece.
    pub container: Option<usize>,
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Packed {
    Fits(Vec<Slot>),
    No,
    /// The budget ran out first.
    Undecided,
}

const MOST_MEMO: usize = 40_000;
const MOST_SUM: u64 = 20_000;
/// Steps before the pockets are filled one by one instead.
const QUICK: u64 = 200;
/// Steps before subset sums are looked at.
const PLAIN_STEPS: u64 = 60;
/// Most words of bit sets in all.
const MOST_CELLS: u64 = 2_000_000;

/// Something that can be split at will: a lower bound on what is still to come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Fluid {
    pub volume: u64,
    /// The pockets that it may lie in.
    pub reached: u32,
}

/// Places all pieces or proves that it cannot be done, within `budget` steps.
pub(super) fn pack(pieces: &[Piece], bins: &Bins, budget: u64) -> Packed {
    pack_with(pieces, &[], bins, budget)
}

/// The same beside things that can be split; where those end up is not told.
pub(super) fn pack_with(pieces: &[Piece], fluids: &[Fluid], bins: &Bins, budget: u64) -> Packed {
    if pieces.is_empty() && fluids.is_empty() {
        return Packed::Fits(Vec::new());
    }
    let mut order: Vec<usize> = (0..pieces.len()).collect();
    order.sort_by(|&a, &b| {
        let key = |k: usize| {
            let p = &pieces[k];
            (
                p.inner.is_none(),
                std::cmp::Reverse(p.volume),
                std::cmp::Reverse(p.mass),
                p.pockets,
                p.dry,
                p.item,
                k,
            )
        };
        key(a).cmp(&key(b))
    });
    let mut demand = vec![0u64; bins.volume.len()];
    for piece in pieces {
        for (p, d) in demand.iter_mut().enumerate() {
            if piece.reached & (1 << p) != 0 {
                *d += piece.volume;
            }
        }
    }
    let mut preference: Vec<usize> = (0..bins.volume.len()).collect();
    preference.sort_by_key(|&p| (demand[p], bins.volume[p], p));
    let sorted: Vec<&Piece> = order.iter().map(|&k| &pieces[k]).collect();
    let groups =
        unions(pieces.iter().map(|p| p.reached).chain(fluids.iter().map(|f| f.reached)).filter(|&m| m != 0));
    let mut search = PackSearch {
        left: bins.volume.clone(),
        cap: bins.mass_cap.iter().map(|c| c.unwrap_or(u64::MAX)).collect(),
        capped: bins.mass_cap.iter().any(Option::is_some),
        inner: Vec::new(),
        slots: Vec::new(),
        suffix: suffix_loads(&sorted, fluids, &groups),
        fluid: groups.iter().map(|g| fluids.iter().any(|f| f.reached & !g == 0)).collect(),
        groups,
        preference,
        memo: HashSet::new(),
        budget: budget.min(QUICK),
        steps: 0,
        sums: None,
        pieces: sorted,
    };
    let mut outcome = search.place(0);
    if outcome.is_none() {
        if fluids.is_empty()
            && let Some(slots) = fill(pieces, bins, &search.preference)
        {
            return Packed::Fits(slots);
        }
        if budget > QUICK {
            search.restart(bins, budget);
            outcome = search.place(0);
        }
    }
    match outcome {
        Some(true) => {
            let mut slots = vec![Slot { pocket: 0, container: None }; pieces.len()];
            for (k, slot) in search.slots.iter().enumerate() {
                slots[order[k]] = Slot { pocket: slot.pocket, container: slot.container.map(|c| order[c]) };
            }
            Packed::Fits(slots)
        }
        Some(false) => Packed::No,
        None => Packed::Undecided,
    }
}

/// For each suffix of the pieces and each union of pockets: volume and mass that can lie only there.
fn suffix_loads(pieces: &[&Piece], fluids: &[Fluid], groups: &[u32]) -> Vec<Vec<(u64, u64)>> {
    let mut out = vec![vec![(0u64, 0u64); groups.len()]; pieces.len() + 1];
    let last = pieces.len();
    for fluid in fluids {
        for (g, load) in groups.iter().zip(&mut out[last]) {
            if fluid.reached & !g == 0 {
                load.0 += fluid.volume;
            }
        }
    }
    for k in (0..pieces.len()).rev() {
        out[k] = out[k + 1].clone();
        let piece = pieces[k];
        for (g, load) in groups.iter().zip(&mut out[k]) {
            if piece.reached & !g == 0 {
                load.0 += piece.volume;
                load.1 = load.1.saturating_add(piece.mass);
            }
        }
    }
    out
}

struct InnerState {
    piece: usize,
    item: usize,
    left: u64,
    cap: u64,
    reach: Reach,
    pocket: usize,
}

struct PackSearch<'p> {
    pieces: Vec<&'p Piece>,
    left: Vec<u64>,
    cap: Vec<u64>,
    capped: bool,
    inner: Vec<InnerState>,
    slots: Vec<Slot>,
    groups: Vec<u32>,
    suffix: Vec<Vec<(u64, u64)>>,
    /// Unions that something splittable is confined to.
    fluid: Vec<bool>,
    preference: Vec<usize>,
    memo: HashSet<Vec<u64>>,
    budget: u64,
    steps: u64,
    sums: Option<Sums>,
}

impl PackSearch<'_> {
    fn restart(&mut self, bins: &Bins, budget: u64) {
        self.left.clone_from(&bins.volume);
        self.cap = bins.mass_cap.iter().map(|c| c.unwrap_or(u64::MAX)).collect();
        self.inner.clear();
        self.slots.clear();
        self.budget = budget;
    }

    /// Places piece `k` and those after it; `None` when the budget is spent.
    fn place(&mut self, k: usize) -> Option<bool> {
        if k == self.pieces.len() {
            return Some(self.room_for_rest(k));
        }
        self.steps += 1;
        if self.steps > self.budget {
            return None;
        }
        if !self.room_for_rest(k) {
            return Some(false);
        }
        let key = (self.steps > 64 && k + 1 < self.pieces.len()).then(|| self.key(k));
        if key.as_ref().is_some_and(|key| self.memo.contains(key)) {
            return Some(false);
        }
        for slot in self.choices(k) {
            self.put(k, slot);
            let found = self.place(k + 1);
            if found != Some(false) {
                return found;
            }
            self.take_back(k, slot);
        }
        if let Some(key) = key
            && self.memo.len() < MOST_MEMO
        {
            self.memo.insert(key);
        }
        Some(false)
    }

    fn key(&self, k: usize) -> Vec<u64> {
        let mut key = vec![k as u64];
        key.extend(&self.left);
        if self.capped {
            key.extend(&self.cap);
        }
        for c in &self.inner {
            key.extend([c.left, c.cap, c.pocket as u64]);
        }
        // Like pieces are placed in order of preference, so the place of the last one matters too.
        if k > 0 && same_kind(self.pieces[k - 1], self.pieces[k]) {
            key.push(self.slots.last().map_or(0, |s| s.pocket as u64));
        }
        key
    }

    fn choices(&self, k: usize) -> Vec<Slot> {
        let piece = self.pieces[k];
        let mut out: Vec<Slot> = Vec::new();
        let like = (k > 0 && piece.inner.is_none() && !piece.dry && same_kind(self.pieces[k - 1], piece))
            .then(|| self.slots.last().map(|s| s.pocket))
            .flatten()
            .and_then(|p| self.preference.iter().position(|&q| q == p))
            .unwrap_or(0);
        for &p in &self.preference[like..] {
            if piece.inside.is_none() && piece.pockets & (1 << p) != 0 && self.holds(p, piece) {
                // Two pockets that are alike in all that matters from here on give the same outcome.
                let twin = out.iter().any(|o| o.container.is_none() && self.alike(o.pocket, p, k));
                if !twin {
                    out.push(Slot { pocket: p, container: None });
                }
            }
        }
        if (piece.dry || piece.inside.is_some()) && piece.inner.is_none() {
            for c in &self.inner {
                let right = piece.inside.is_none_or(|i| i == c.item);
                let fits = c.left >= piece.volume && c.cap >= piece.mass && c.reach <= piece.reach;
                if right && fits && piece.reached & (1 << c.pocket) != 0 && self.holds(c.pocket, piece) {
                    out.push(Slot { pocket: c.pocket, container: Some(c.piece) });
                }
            }
        }
        out
    }

    fn holds(&self, p: usize, piece: &Piece) -> bool {
        self.left[p] >= piece.volume && self.cap[p] >= piece.mass
    }

    fn alike(&self, p: usize, q: usize, k: usize) -> bool {
        let bits = |m: u32| (m >> p) & 1 == (m >> q) & 1;
        self.left[p] == self.left[q]
            && self.cap[p] == self.cap[q]
            && self.inner.iter().all(|c| c.pocket != p && c.pocket != q)
            && self.pieces[k..].iter().all(|r| bits(r.pockets) && bits(r.reached))
            // The order among like pieces refers to preference, which tells the two pockets apart.
            && !(k + 1 < self.pieces.len() && same_kind(self.pieces[k], self.pieces[k + 1]))
    }

    fn put(&mut self, k: usize, slot: Slot) {
        let piece = self.pieces[k];
        self.left[slot.pocket] -= piece.volume;
        if self.cap[slot.pocket] != u64::MAX {
            self.cap[slot.pocket] -= piece.mass;
        }
        if let Some(c) = slot.container
            && let Some(inner) = self.inner.iter_mut().find(|i| i.piece == c)
        {
            inner.left -= piece.volume;
            if inner.cap != u64::MAX {
                inner.cap -= piece.mass;
            }
        }
        if let Some(inner) = &piece.inner {
            self.inner.push(InnerState {
                piece: k,
                item: piece.item,
                left: inner.volume,
                cap: inner.mass_cap.unwrap_or(u64::MAX),
                reach: inner.reach,
                pocket: slot.pocket,
            });
        }
        self.slots.push(slot);
    }

    fn take_back(&mut self, k: usize, slot: Slot) {
        let piece = self.pieces[k];
        self.slots.pop();
        if piece.inner.is_some() {
            self.inner.pop();
        }
        self.left[slot.pocket] += piece.volume;
        if self.cap[slot.pocket] != u64::MAX {
            self.cap[slot.pocket] += piece.mass;
        }
        if let Some(c) = slot.container
            && let Some(inner) = self.inner.iter_mut().find(|i| i.piece == c)
        {
            inner.left += piece.volume;
            if inner.cap != u64::MAX {
                inner.cap += piece.mass;
            }
        }
    }

    /// Whether the rest would go in if pieces could be split; after some steps, counting for each union of pockets only
    /// the room that whole pieces confined to it can fill exactly.
    fn room_for_rest(&mut self, k: usize) -> bool {
        let loads = &self.suffix[k];
        for (g, load) in self.groups.iter().zip(loads) {
            let mut volume = 0u64;
            let mut mass = 0u64;
            for (p, left) in self.left.iter().enumerate() {
                if g & (1 << p) != 0 {
                    volume += left;
                    mass = mass.saturating_add(self.cap[p]);
                }
            }
            if volume < load.0 || mass < load.1 {
                return false;
            }
        }
        if self.steps <= PLAIN_STEPS {
            return true;
        }
        let (pieces, groups, pockets) = (&self.pieces, &self.groups, self.left.len());
        let sums = self.sums.get_or_insert_with(|| Sums::new(pieces, groups, pockets));
        sums.enough(k, &self.left, loads, &self.fluid)
    }
}

fn same_kind(a: &Piece, b: &Piece) -> bool {
    a.volume == b.volume
        && a.mass == b.mass
        && a.pockets == b.pockets
        && a.reached == b.reached
        && a.dry == b.dry
        && a.reach == b.reach
        && a.inside == b.inside
        && a.inner.is_none()
        && b.inner.is_none()
}

/// Which volumes the pieces from `k` on that are confined to a union can fill exactly, by union and pocket, as bit sets.
struct Sums {
    unit: u64,
    pieces: usize,
    /// By number of pieces counted from the back, then (union, its index, pocket, set).
    sets: Vec<Vec<Confined>>,
}

#[derive(Clone)]
struct Confined {
    group: usize,
    pocket: usize,
    set: Vec<u64>,
}

impl Sums {
    fn new(pieces: &[&Piece], groups: &[u32], pockets: usize) -> Self {
        let unit = pieces.iter().fold(0, |g, p| gcd(g, p.volume)).max(1);
        let total: u64 = pieces.iter().map(|p| p.volume / unit).sum();
        let mut out = Self { unit, pieces: pieces.len(), sets: Vec::new() };
        let cells = groups.len() as u64 * pockets as u64 * pieces.len() as u64 * (total / 64 + 1);
        if total > MOST_SUM || cells > MOST_CELLS {
            return out;
        }
        let mut first = vec![0u64; (total / 64 + 1) as usize];
        first[0] = 1;
        let mut current = Vec::new();
        for (group, union) in groups.iter().enumerate() {
            for pocket in (0..pockets).filter(|p| union & (1 << p) != 0) {
                current.push(Confined { group, pocket, set: first.clone() });
            }
        }
        out.sets.push(current.clone());
        for piece in pieces.iter().rev() {
            for c in &mut current {
                if piece.reached & !groups[c.group] == 0 && piece.reached & (1 << c.pocket) != 0 {
                    or_shifted(&mut c.set, (piece.volume / unit) as usize);
                }
            }
            out.sets.push(current.clone());
        }
        out
    }

    fn enough(&self, k: usize, left: &[u64], loads: &[(u64, u64)], fluid: &[bool]) -> bool {
        let Some(sets) = self.sets.get(self.pieces - k) else { return true };
        let mut room = vec![0u64; loads.len()];
        for c in sets {
            room[c.group] +=
                largest_at_most(&c.set, (left[c.pocket] / self.unit) as usize) as u64 * self.unit;
        }
        room.iter().zip(loads).zip(fluid).all(|((room, load), fluid)| *fluid || *room >= load.0)
    }
}
