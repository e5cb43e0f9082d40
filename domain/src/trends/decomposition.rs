//! Why this season's set weighs less than last season's: items added, items removed, and the same items lighter or
//! heavier. Whole numbers, so that the parts add up to the change to the last one.

use std::collections::BTreeMap;

use crate::ids::ItemId;
use crate::no_estimate::{NoEstimate, within};

/// An item as it was carried: all units of it together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ItemMass {
    /// The item.
    pub item: ItemId,
    /// Mass of all its units, mg (or a whole fraction of one, the same for both sets: means over n sets are whole
    /// n-ths).
    pub mass_mg: i64,
    /// Standard uncertainty of that mass, g.
    pub u_g: f64,
}

/// What one item contributes to a change.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MassChange {
    /// The item.
    pub item: ItemId,
    /// Before, mg; none when it was added.
    pub before_mg: Option<i64>,
    /// After, mg; none when it was removed.
    pub after_mg: Option<i64>,
    /// Standard uncertainty of the change, g.
    pub u_g: f64,
}

impl MassChange {
    /// After less before, mg.
    #[must_use]
    pub fn change_mg(&self) -> i64 {
        self.after_mg.unwrap_or(0) - self.before_mg.unwrap_or(0)
    }
}

/// A change between two sets, split.
#[derive(Debug, Clone, PartialEq)]
pub struct SeasonChange {
    /// Total after less total before, mg.
    pub total_mg: i64,
    /// Its standard uncertainty, g: in quadrature over the items, as if each mass had errors of its own.
    pub u_g: f64,
    /// Items only in the later set, heaviest first.
    pub added: Vec<MassChange>,
    /// Items only in the earlier set, heaviest first.
    pub removed: Vec<MassChange>,
    /// Items in both that became lighter, greatest change first.
    pub lighter: Vec<MassChange>,
    /// Items in both that became heavier, greatest change first.
    pub heavier: Vec<MassChange>,
    /// Items in both that weigh the same.
    pub unchanged: usize,
}

impl SeasonChange {
    /// Sum of a part, mg.
    #[must_use]
    pub fn sum_mg(part: &[MassChange]) -> i64 {
        part.iter().map(MassChange::change_mg).sum()
    }
}

fn by_item(items: &[ItemMass]) -> Result<BTreeMap<ItemId, (i64, f64)>, NoEstimate> {
    let mut sums: BTreeMap<ItemId, (i64, f64)> = BTreeMap::new();
    for line in items {
        let u = within("uncertainty in g", line.u_g, 0.0, 1e6)?;
        let sum = sums.entry(line.item).or_default();
        sum.0 += line.mass_mg;
        sum.1 += u; // entries of one item share its weighing
    }
    Ok(sums)
}

/// Splits the change between two sets of items; several entries of one item count together.
///
/// # Errors
/// [`NoEstimate`] when both sets are empty, or an uncertainty is negative or not finite.
pub fn season_change(before: &[ItemMass], after: &[ItemMass]) -> Result<SeasonChange, NoEstimate> {
    if before.is_empty() && after.is_empty() {
        return Err(NoEstimate::TooFew { what: "items", needed: 1, got: 0 });
    }
    let (before, mut after) = (by_item(before)?, by_item(after)?);
    let (mut added, mut removed, mut lighter, mut heavier) = (vec![], vec![], vec![], vec![]);
    let (mut unchanged, mut total_mg, mut variance) = (0, 0, 0.0);
    for (item, (mass, u)) in before {
        let change = match after.remove(&item) {
            None => MassChange { item, before_mg: Some(mass), after_mg: None, u_g: u },
            Some((later, later_u)) => {
                MassChange { item, before_mg: Some(mass), after_mg: Some(later), u_g: u.hypot(later_u) }
            }
        };
        total_mg += change.change_mg();
        variance += change.u_g.powi(2);
        match (change.after_mg, change.change_mg()) {
            (None, _) => removed.push(change),
            (Some(_), 0) => unchanged += 1,
            (Some(_), ..0) => lighter.push(change),
            (Some(_), _) => heavier.push(change),
        }
    }
    for (item, (mass, u)) in after {
        total_mg += mass;
        variance += u * u;
        added.push(MassChange { item, before_mg: None, after_mg: Some(mass), u_g: u });
    }
    for part in [&mut added, &mut removed, &mut lighter, &mut heavier] {
        part.sort_by_key(|c| (std::cmp::Reverse(c.change_mg().abs()), c.item));
    }
    Ok(SeasonChange { total_mg, u_g: variance.sqrt(), added, removed, lighter, heavier, unchanged })
}
