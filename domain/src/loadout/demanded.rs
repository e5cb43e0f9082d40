//! Which part of each line rules count on.

use std::collections::BTreeMap;

use super::layout::Line;
use crate::ids::ItemId;
use crate::rules::{Need, Rule, RuleSheet, Scope, Verdict, attributes};
use crate::wire::loadout_answers::RuleVerdict;

/// The shares of a line, from 0 to 1, that rules count on.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Demanded {
    /// Of its own mass.
    pub own: f64,
    /// Of its water.
    pub water: f64,
}

/// What one item is counted on for.
#[derive(Debug, Clone, Copy, Default)]
struct Item {
    /// Units that serve rules which share no units.
    exclusive: u64,
    /// Most units that serve one shareable rule.
    shared: u32,
    /// The greatest share that a sum needs of it.
    own: f64,
    /// The same of what is kept to the finish, for sums over that alone.
    kept: f64,
    water: f64,
}

/// The shares of the lines, in their order. Rules that are met and rules that could not be shown count alike, and so does
/// what there is towards a rule that is not met; of a sum beyond its limit only the share that reaches it; a ban and
/// an upper limit demand nothing. An item's lines at the start share its demand evenly.
pub(super) fn demanded(sheet: &RuleSheet, verdicts: &[RuleVerdict], lines: &[Line<'_>]) -> Vec<Demanded> {
    let mut items: BTreeMap<ItemId, Item> = BTreeMap::new();
    for (rule, verdict) in sheet.rules.iter().zip(verdicts) {
        if verdict.view.verdict != Verdict::NotApplicable {
            count(rule, verdict, &mut items);
        }
    }
    let mut units: BTreeMap<ItemId, u64> = BTreeMap::new();
    for line in lines.iter().filter(|line| line.at_start()) {
        *units.entry(line.body.item_id).or_default() += u64::from(line.units());
    }
    let share = |line: &Line<'_>| {
        let (Some(item), Some(all)) = (items.get(&line.body.item_id), units.get(&line.body.item_id)) else {
            return Demanded::default();
        };
        let counted = item.exclusive.max(u64::from(item.shared)) as f64 / *all as f64;
        let kept = if line.reserve() { item.kept } else { 0.0 };
        Demanded { own: counted.max(item.own).max(kept).min(1.0), water: item.water.min(1.0) }
    };
    lines.iter().map(share).collect()
}

fn count(rule: &Rule, verdict: &RuleVerdict, items: &mut BTreeMap<ItemId, Item>) {
    let used = &verdict.view.used;
    match &rule.need {
        Need::Forbid { .. } | Need::Total { at_least: None, .. } => {}
        Need::Total { measure, reserve, .. } => {
            let expendable = attributes::find(measure).is_some_and(|attribute| attribute.expendable);
            let kept = *reserve || (expendable && rule.scope == Some(Scope::AtAllTimes));
            let (value, limit) = (verdict.view.value.unwrap_or(0.0), verdict.view.limit.unwrap_or(0.0));
            let share = if value > 0.0 { (limit / value).clamp(0.0, 1.0) } else { 1.0 };
            for one in used {
                let item = items.entry(one.item_id).or_default();
                let of = if kept { &mut item.kept } else { &mut item.own };
                *of = f64::max(*of, share);
                if measure == "fill_ml" {
                    item.water = item.water.max(share);
                }
            }
        }
        // A lamp that burns longer than the night is demanded whole.
        Need::Burn { .. } => {
            for one in used {
                let item = items.entry(one.item_id).or_default();
                item.shared = item.shared.max(one.quantity);
            }
        }
        Need::Count { .. } | Need::Pair { .. } | Need::AnyOf { .. } => {
            for one in used {
                let item = items.entry(one.item_id).or_default();
                if rule.shareable || matches!(rule.need, Need::Pair { .. }) {
                    item.shared = item.shared.max(one.quantity);
                } else {
                    item.exclusive += u64::from(one.quantity);
                }
            }
        }
    }
}
