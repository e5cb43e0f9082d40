//! The lines of a change, as whole n-ths of a milligram.

use std::collections::{BTreeMap, BTreeSet};

use super::composition::{Composition, Held};
use super::matching::pairs;
use super::round::rounded;
use crate::ids::ItemId;
use crate::no_estimate::NoEstimate;
use crate::trends::{ItemMass, season_change};
use crate::wire::item::ItemKind;
use crate::wire::ledger::LedgerPartKind;

/// A line before rounding: masses in whole `denominator`-ths of a milligram.
#[derive(Debug, Clone)]
pub(super) struct RawLine {
    pub part: LedgerPartKind,
    pub before: Option<ItemId>,
    pub after: Option<ItemId>,
    /// None for what is not known; 0 on the side where it is not.
    pub before_num: Option<i64>,
    pub after_num: Option<i64>,
    /// Standard uncertainty of the change in grams.
    pub u_g: Option<f64>,
    pub note: Option<String>,
}

impl RawLine {
    pub fn change_num(&self) -> Option<i64> {
        Some(self.after_num? - self.before_num?)
    }
}

/// All lines of a change.
#[derive(Debug)]
pub(super) struct Split {
    /// The product of the numbers of sets.
    pub denominator: i64,
    /// Lines that are in the sums.
    pub known: Vec<RawLine>,
    /// Lines that are in no sum.
    pub unknown: Vec<RawLine>,
    pub unchanged: u32,
    /// Items that are in no sum, on either side.
    pub left_out: BTreeSet<ItemId>,
    /// Uncertainty of the change in grams, as if every mass had errors of its own.
    pub u_independent_g: f64,
    /// The same, as if all errors were one scale's.
    pub u_one_scale_g: f64,
}

const SAME_WEIGHING: &str = "not weighed anew: its own error is the same on both sides and cancels";
const QUADRATURE: &str =
    "both masses are taken as independent, which is the upper figure when one scale weighed both";

fn expendable(kind: ItemKind) -> bool {
    matches!(kind, ItemKind::Food | ItemKind::DrinkMix)
}

/// Things of one kind, and whether their mass is known.
type Known = Vec<(ItemId, bool)>;

/// Both sides and what they share.
struct Splitter<'a> {
    before: &'a Composition,
    after: &'a Composition,
    out: Split,
    variance: f64,
    linear: f64,
}

/// Splits the change from one composition to another.
///
/// # Errors
/// None beyond those of [`season_change`], which sums the items.
pub(super) fn split(before: &Composition, after: &Composition) -> Result<Split, NoEstimate> {
    let out = Split {
        denominator: before.n * after.n,
        known: Vec::new(),
        unknown: Vec::new(),
        unchanged: 0,
        left_out: BTreeSet::new(),
        u_independent_g: 0.0,
        u_one_scale_g: 0.0,
    };
    let mut splitter = Splitter { before, after, out, variance: 0.0, linear: 0.0 };
    splitter.set_unknown_apart();
    splitter.items()?;
    splitter.water();
    let mut out = splitter.out;
    out.u_independent_g = splitter.variance.sqrt();
    out.u_one_scale_g = splitter.linear.abs();
    Ok(out)
}

impl Splitter<'_> {
    fn before_num(&self, held: &Held) -> Option<i64> {
        held.mass_mg.map(|mg| mg * self.after.n)
    }

    fn after_num(&self, held: &Held) -> Option<i64> {
        held.mass_mg.map(|mg| mg * self.before.n)
    }

    /// Mean uncertainty of a side's item in grams.
    fn mean_u(held: &Held, n: i64) -> Option<f64> {
        held.u_g.map(|u| u / n as f64)
    }

    fn count_u(&mut self, before: Option<f64>, after: Option<f64>) {
        self.variance += before.unwrap_or(0.0).powi(2) + after.unwrap_or(0.0).powi(2);
        self.linear += after.unwrap_or(0.0) - before.unwrap_or(0.0);
    }

    /// The part that a thing on one side only belongs to, swaps aside.
    fn one_sided(&self, id: ItemId, kind: ItemKind, went: bool) -> LedgerPartKind {
        let elsewhere = if went { &self.after.elsewhere } else { &self.before.elsewhere };
        match () {
            () if expendable(kind) => LedgerPartKind::Expendables,
            () if elsewhere.contains_key(&id) => LedgerPartKind::Moved,
            () if went => LedgerPartKind::Dropped,
            () => LedgerPartKind::Added,
        }
    }

    fn can_swap(&self, id: ItemId, kind: ItemKind, went: bool) -> bool {
        let part = self.one_sided(id, kind, went);
        kind != ItemKind::Other && matches!(part, LedgerPartKind::Dropped | LedgerPartKind::Added)
    }

    /// Things without a known mass, and what stands opposite them.
    fn set_unknown_apart(&mut self) {
        let (before, after) = (&self.before.items, &self.after.items);
        let mut lines = Vec::new();
        for (id, held) in before {
            if let Some(other) = after.get(id)
                && (held.mass_mg.is_none() || other.mass_mg.is_none())
            {
                let part = if expendable(held.kind) {
                    LedgerPartKind::Expendables
                } else {
                    LedgerPartKind::HeavierOrLighter
                };
                lines.push((part, Some(*id), Some(*id)));
            }
        }
        // Of one kind: known things are paired with known ones first; what is left stands opposite the unknown ones.
        let kinds: BTreeSet<ItemKind> = before.values().chain(after.values()).map(|held| held.kind).collect();
        for kind in kinds {
            let one_sided = |side: &BTreeMap<ItemId, Held>, other: &BTreeMap<ItemId, Held>, went: bool| {
                let of_kind = side.iter().filter(|(id, held)| held.kind == kind && !other.contains_key(id));
                let able: Vec<(ItemId, bool)> = of_kind
                    .filter(|(id, held)| held.mass_mg.is_none() || self.can_swap(**id, kind, went))
                    .map(|(id, held)| (*id, held.mass_mg.is_some()))
                    .collect();
                able.into_iter().partition::<Vec<_>, _>(|(_, known)| *known)
            };
            let (went, went_unknown) = one_sided(before, after, true);
            let (came, came_unknown) = one_sided(after, before, false);
            let paired = self.pair_known(&went, &came);
            let left = |all: &[(ItemId, bool)], taken: &dyn Fn(&(ItemId, ItemId)) -> ItemId| -> Vec<ItemId> {
                let taken: BTreeSet<ItemId> = paired.iter().map(taken).collect();
                all.iter().map(|(id, _)| *id).filter(|id| !taken.contains(id)).collect()
            };
            let (mut went, mut came) = (left(&went, &|pair| pair.0), left(&came, &|pair| pair.1));
            let mut alone = Vec::new();
            let mut able = |all: Vec<(ItemId, bool)>, went: bool| -> Vec<ItemId> {
                let (able, not): (Vec<_>, Vec<_>) =
                    all.into_iter().map(|(id, _)| id).partition(|id| self.can_swap(*id, kind, went));
                alone.extend(not.into_iter().map(|id| (id, went)));
                able
            };
            let (went_unknown, came_unknown) = (able(went_unknown, true), able(came_unknown, false));
            // Unknown against unknown first, then what is left of them against what is left of the known.
            let both = went_unknown.len().min(came_unknown.len());
            let swap = |(before, after)| (LedgerPartKind::Swapped, Some(before), Some(after));
            lines.extend(went_unknown.iter().copied().zip(came_unknown.iter().copied()).map(swap));
            for id in went_unknown.into_iter().skip(both) {
                if came.is_empty() {
                    alone.push((id, true));
                } else {
                    lines.push(swap((id, came.remove(0))));
                }
            }
            for id in came_unknown.into_iter().skip(both) {
                if went.is_empty() {
                    alone.push((id, false));
                } else {
                    lines.push(swap((went.remove(0), id)));
                }
            }
            for (id, gone) in alone {
                let part = self.one_sided(id, kind, gone);
                lines.push((part, gone.then_some(id), (!gone).then_some(id)));
            }
        }
        for (part, before_id, after_id) in lines {
            let side = |id: Option<ItemId>, after: bool| match id {
                None => Some(0),
                Some(id) if after => self.after_num(&self.after.items[&id]),
                Some(id) => self.before_num(&self.before.items[&id]),
            };
            let (before_num, after_num) = (side(before_id, false), side(after_id, true));
            self.out.left_out.extend([before_id, after_id].into_iter().flatten());
            let note = match (before_num, after_num) {
                (None, None) => "its mass is not known on either side: weigh it",
                (None, Some(_)) => "its mass was not known before",
                _ => "its mass is not known after: weigh it",
            };
            self.out.unknown.push(RawLine {
                part,
                before: before_id,
                after: after_id,
                before_num,
                after_num,
                u_g: None,
                note: Some(note.to_owned()),
            });
        }
    }

    /// Which known thing of a kind took the place of which.
    fn pair_known(&self, went: &[(ItemId, bool)], came: &[(ItemId, bool)]) -> Vec<(ItemId, ItemId)> {
        let sorted = |ids: &[(ItemId, bool)], of: &dyn Fn(ItemId) -> i64| {
            let mut all: Vec<(i64, ItemId)> = ids.iter().map(|(id, _)| (of(*id), *id)).collect();
            all.sort_by_key(|(num, id)| (std::cmp::Reverse(*num), *id));
            all
        };
        let went = sorted(went, &|id| self.before_num(&self.before.items[&id]).unwrap_or(0));
        let came = sorted(came, &|id| self.after_num(&self.after.items[&id]).unwrap_or(0));
        let nums = |all: &[(i64, ItemId)]| all.iter().map(|(num, _)| *num).collect::<Vec<_>>();
        let found = pairs(&nums(&went), &nums(&came));
        found.into_iter().map(|(a, b)| (went[a].1, came[b].1)).collect()
    }

    fn items(&mut self) -> Result<(), NoEstimate> {
        let masses = |side: &Composition, times: i64| -> Vec<ItemMass> {
            let counted = side.items.iter().filter(|(id, _)| !self.out.left_out.contains(id));
            counted
                .filter_map(|(id, held)| {
                    Some(ItemMass { item: *id, mass_mg: held.mass_mg? * times, u_g: held.u_g.unwrap_or(0.0) })
                })
                .collect()
        };
        let (before, after) = (masses(self.before, self.after.n), masses(self.after, self.before.n));
        if before.is_empty() && after.is_empty() {
            return Ok(());
        }
        let change = season_change(&before, &after)?;
        let mut one_sided: BTreeMap<ItemKind, (Known, Known)> = BTreeMap::new();
        for line in &change.removed {
            let kind = self.before.items[&line.item].kind;
            if self.can_swap(line.item, kind, true) {
                one_sided.entry(kind).or_default().0.push((line.item, true));
            } else {
                self.push_one_sided(line.item, true);
            }
        }
        for line in &change.added {
            let kind = self.after.items[&line.item].kind;
            if self.can_swap(line.item, kind, false) {
                one_sided.entry(kind).or_default().1.push((line.item, true));
            } else {
                self.push_one_sided(line.item, false);
            }
        }
        for (went, came) in one_sided.into_values() {
            let paired = self.pair_known(&went, &came);
            for (id, _) in went.iter().filter(|(id, _)| paired.iter().all(|pair| pair.0 != *id)) {
                self.push_one_sided(*id, true);
            }
            for (id, _) in came.iter().filter(|(id, _)| paired.iter().all(|pair| pair.1 != *id)) {
                self.push_one_sided(*id, false);
            }
            for (went, came) in paired {
                self.push_swap(went, came);
            }
        }
        for id in self.before.items.keys().copied().collect::<Vec<_>>() {
            if self.after.items.contains_key(&id) && !self.out.left_out.contains(&id) {
                self.push_same(id);
            }
        }
        Ok(())
    }

    fn push_one_sided(&mut self, id: ItemId, went: bool) {
        let side = if went { self.before } else { self.after };
        let held = &side.items[&id];
        let u_g = Self::mean_u(held, side.n);
        let (before_num, after_num) =
            if went { (self.before_num(held), Some(0)) } else { (Some(0), self.after_num(held)) };
        let part = self.one_sided(id, held.kind, went);
        if went {
            self.count_u(u_g, None)
        } else {
            self.count_u(None, u_g)
        }
        self.out.known.push(RawLine {
            part,
            before: went.then_some(id),
            after: (!went).then_some(id),
            before_num,
            after_num,
            u_g,
            note: (part == LedgerPartKind::Moved)
                .then(|| "it is still in the set: on the body or in a drop bag".to_owned())
                .filter(|_| went),
        });
    }

    fn push_swap(&mut self, went: ItemId, came: ItemId) {
        let (old, new) = (&self.before.items[&went], &self.after.items[&came]);
        let (u_old, u_new) = (Self::mean_u(old, self.before.n), Self::mean_u(new, self.after.n));
        let u_g = u_old.zip(u_new).map(|(a, b)| a.hypot(b));
        let (before_num, after_num) = (self.before_num(old), self.after_num(new));
        self.count_u(u_old, u_new);
        self.out.known.push(RawLine {
            part: LedgerPartKind::Swapped,
            before: Some(went),
            after: Some(came),
            before_num,
            after_num,
            u_g,
            note: u_g.map(|_| QUADRATURE.to_owned()),
        });
    }

    /// The same thing on both sides: what more or fewer of it make at the old mass, and what the new mass makes.
    fn push_same(&mut self, id: ItemId) {
        let (old, new) = (&self.before.items[&id], &self.after.items[&id]);
        let (Some(before), Some(after)) = (self.before_num(old), self.after_num(new)) else { return };
        let units_changed = old.units * self.after.n != new.units * self.before.n;
        if before == after && !units_changed {
            self.out.unchanged += 1;
            return;
        }
        let same_evidence = old.evidence.is_some() && old.evidence == new.evidence;
        let (mean_old, mean_new) =
            (old.units as f64 / self.before.n as f64, new.units as f64 / self.after.n as f64);
        let u_unit = |held: &Held| held.u_g.map(|u| u / held.units as f64);
        let (u_old, u_new) = (u_unit(old), u_unit(new));
        let u_units = u_old.map(|u| (mean_new - mean_old).abs() * u);
        if same_evidence {
            // One error, times the difference of the numbers.
            let u = u_old.unwrap_or(0.0);
            self.variance += ((mean_new - mean_old) * u).powi(2);
            self.linear += (mean_new - mean_old) * u;
        } else {
            self.count_u(u_old.map(|u| u * mean_old), u_new.map(|u| u * mean_new));
        }
        let expendable = expendable(old.kind);
        let more = if units_changed && !expendable {
            let numerator = i128::from(new.units * self.before.n - old.units * self.after.n);
            rounded(numerator * i128::from(old.mass_mg.unwrap_or(0)), i128::from(old.units))
        } else {
            0
        };
        let mut push = |part, from: i64, to: i64, u_g: Option<f64>, note: Option<&str>| {
            self.out.known.push(RawLine {
                part,
                before: Some(id),
                after: Some(id),
                before_num: Some(from),
                after_num: Some(to),
                u_g,
                note: note.map(str::to_owned),
            });
        };
        let both = u_old.zip(u_new).map(|(a, b)| (a * mean_old).hypot(b * mean_new));
        if expendable {
            let (u, note) = if same_evidence { (u_units, SAME_WEIGHING) } else { (both, QUADRATURE) };
            push(LedgerPartKind::Expendables, before, after, u, u.map(|_| note));
            return;
        }
        let middle = before + more;
        if more != 0 {
            push(LedgerPartKind::MoreOrFewer, before, middle, u_units, None);
        }
        if after != middle {
            let u = u_old.zip(u_new).map(|(a, b)| mean_new * a.hypot(b));
            push(LedgerPartKind::HeavierOrLighter, middle, after, u, u.map(|_| QUADRATURE));
        }
    }

    fn water(&mut self) {
        let before = self.before.water_mg() * self.after.n;
        let after = self.after.water_mg() * self.before.n;
        if before != after {
            self.out.known.push(RawLine {
                part: LedgerPartKind::Expendables,
                before: None,
                after: None,
                before_num: Some(before),
                after_num: Some(after),
                u_g: None,
                note: Some("as filled in, 1 g by ml".to_owned()),
            });
        }
    }
}
