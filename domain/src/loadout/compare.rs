//! Two loadouts side by side.

use std::collections::{BTreeMap, BTreeSet};

use super::cuts::{is_carried, shown};
use super::facts::LoadoutFacts;
use super::layout::{Line, layout};
use super::sources::Sources;
use super::verdicts::{Bench, judge};
use crate::ids::ItemId;
use crate::provisions::{Entry, MassSum};
use crate::rules::Verdict;
use crate::wire::loadout_answers::{ComparedVerdict, ComparisonLine, ComparisonSide, LoadoutComparison};
use crate::wire::seal::MassWithU;

/// From one loadout to another: the change of what is carried and of the total at the start, the items that differ, and the
/// verdicts that differ. What both share, the same items above all, cancels in the uncertainty of the change.
#[must_use]
pub fn compare(from: &LoadoutFacts, to: &LoadoutFacts) -> LoadoutComparison {
    let lines = [layout(from), layout(to)];
    // One numbering for both, so that what they share is the same source.
    let mut sources = Sources::default();
    let entries: [Vec<Entry>; 2] = [
        lines[0].iter().map(|l| sources.entry(l)).collect(),
        lines[1].iter().map(|l| sources.entry(l)).collect(),
    ];
    let sum = |signs: [f64; 2], counts: &dyn Fn(&Line<'_>) -> bool| -> MassWithU {
        let mut sum = Cancelling::default();
        for side in 0..2 {
            for (line, entry) in lines[side].iter().zip(&entries[side]).filter(|(line, _)| counts(line)) {
                sum.add(line, entry, signs[side]);
            }
        }
        sum.shown()
    };
    let side = |facts: &LoadoutFacts, signs: [f64; 2]| ComparisonSide {
        loadout_id: facts.loadout_id,
        name: facts.loadout.name.as_str().to_owned(),
        carried_start_g: sum(signs, &is_carried),
        total_start_g: sum(signs, &|line: &Line<'_>| line.at_start()),
    };
    LoadoutComparison {
        from: side(from, [1.0, 0.0]),
        to: side(to, [0.0, 1.0]),
        carried_change_g: sum([-1.0, 1.0], &is_carried),
        total_change_g: sum([-1.0, 1.0], &|line: &Line<'_>| line.at_start()),
        lines: item_lines(&lines, &entries),
        verdicts: verdict_lines(from, to, &lines),
    }
}

/// A signed sum in which the same units of the same item take each other away before any doubt is added.
#[derive(Default)]
struct Cancelling<'e> {
    /// By item: an entry of it, units and water.
    items: BTreeMap<ItemId, (Option<&'e Entry>, f64, f64)>,
}

impl<'e> Cancelling<'e> {
    fn add(&mut self, line: &Line<'_>, entry: &'e Entry, sign: f64) {
        let units = sign * f64::from(line.units());
        let item = self.items.entry(line.body.item_id).or_default();
        item.0 = item.0.or(Some(entry));
        item.1 += units;
        item.2 += units * entry.fill.map_or(0.0, |fill| fill.value());
    }

    fn shown(&self) -> MassWithU {
        let mut sum = MassSum::default();
        for (entry, units, water) in self.items.values() {
            let Some(entry) = entry else { continue };
            let one = Entry { quantity: 1, fill: None, ..(*entry).clone() };
            sum.add(&one, *units, 0.0);
            sum.add_grams(*water);
        }
        shown(sum.figure())
    }
}

fn item_lines(lines: &[Vec<Line<'_>>; 2], entries: &[Vec<Entry>; 2]) -> Vec<ComparisonLine> {
    #[derive(Default)]
    struct Item {
        name: String,
        units: [u32; 2],
        grams: [f64; 2],
        unknown: bool,
    }
    let mut items: BTreeMap<ItemId, Item> = BTreeMap::new();
    for side in 0..2 {
        for (line, entry) in lines[side].iter().zip(&entries[side]).filter(|(line, _)| line.at_start()) {
            let item = items.entry(line.body.item_id).or_default();
            if let Some(thing) = &line.thing {
                item.name = thing.name().to_owned();
            }
            item.units[side] = item.units[side].saturating_add(line.units());
            let unit = entry.mass.as_ref().map(|mass| mass.mass.value());
            item.unknown |= unit.is_none();
            let fill = entry.fill.map_or(0.0, |fill| fill.value());
            item.grams[side] += f64::from(line.units()) * (unit.unwrap_or(0.0) + fill);
        }
    }
    let mut out: Vec<ComparisonLine> = items
        .into_iter()
        .filter(|(_, item)| item.units[0] != item.units[1] || item.grams[0] != item.grams[1])
        .map(|(item_id, item)| ComparisonLine {
            item_id,
            name: item.name,
            from_quantity: item.units[0],
            to_quantity: item.units[1],
            change_g: (!item.unknown).then(|| ((item.grams[1] - item.grams[0]) * 1000.0).round() / 1000.0),
        })
        .collect();
    let size = |line: &ComparisonLine| line.change_g.map_or(f64::INFINITY, f64::abs);
    out.sort_by(|a, b| size(b).total_cmp(&size(a)).then(a.item_id.cmp(&b.item_id)));
    out
}

fn verdict_lines(from: &LoadoutFacts, to: &LoadoutFacts, lines: &[Vec<Line<'_>>; 2]) -> Vec<ComparedVerdict> {
    let of = |facts: &LoadoutFacts, lines: &[Line<'_>]| judge(&Bench::of(facts), lines).0.verdicts;
    let (a, b) = (of(from, &lines[0]), of(to, &lines[1]));
    let find = |all: &[crate::wire::loadout_answers::RuleVerdict], id: &str| -> Option<Verdict> {
        all.iter().find(|one| one.view.rule_id == id).map(|one| one.view.verdict)
    };
    let known: BTreeSet<&str> = b.iter().map(|one| one.view.rule_id.as_str()).collect();
    let gone = a.iter().filter(|one| !known.contains(one.view.rule_id.as_str()));
    let both = b.iter().chain(gone).map(|one| ComparedVerdict {
        rule_id: one.view.rule_id.clone(),
        title: one.title.clone(),
        from: find(&a, &one.view.rule_id),
        to: find(&b, &one.view.rule_id),
    });
    both.filter(|one| one.from != one.to).collect()
}
