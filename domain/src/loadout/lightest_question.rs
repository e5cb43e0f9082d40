//! The question of the lightest set, from the facts of a loadout.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use super::candidates::candidate;
use super::facts::{LoadoutFacts, OfferedItem};
use super::layout::{CONTAINER_REACH, Known, Line, Thing};
use super::lightest_set::LightestOptions;
use super::verdicts::Bench;
use crate::ids::{ItemId, PocketId};
use crate::lightest::{Container, KitCandidate, Lock, LockedPlace, Pocket, Reach};
use crate::rules::{Candidate, Evidence, Fact, Need, Rule, RuleSheet};
use crate::units::{MassMg, Millilitres};
use crate::wire::item::{self, ItemKind};
use crate::wire::loadout::CarryPlace;

/// What may be taken, what must be, and where it must go.
pub(super) struct Asked<'a> {
    pub things: Vec<Thing<'a>>,
    pub kit: Vec<KitCandidate>,
    /// What each vessel is filled with, in the order of the kit.
    pub fills: Vec<Option<Millilitres>>,
    pub locks: Vec<Lock>,
    /// The lines behind the locks.
    pub locked: Vec<&'a Line<'a>>,
    pub pockets: Option<Vec<Pocket>>,
    pub pocket_ids: Vec<PocketId>,
    pub notes: Vec<String>,
}

/// The loadout as it is, judged already: what it takes to see an item as the rules do is not done twice.
pub(super) struct Laid<'a> {
    pub lines: &'a [Line<'a>],
    /// The items of the lines.
    pub candidates: Vec<Candidate>,
}

pub(super) fn asked<'a>(
    facts: &'a LoadoutFacts,
    bench: &Bench<'_>,
    sheet: &RuleSheet,
    laid: Laid<'a>,
    options: &'a LightestOptions,
    keep: impl Fn(usize) -> bool,
) -> Asked<'a> {
    let Laid { lines, candidates } = laid;
    // An own item is the same in a line and out of it; one of another kitroom may be seen anew.
    let is_own = |thing: &Thing<'_>| matches!(thing.known, Known::Own(_));
    let foreign: BTreeSet<ItemId> = lines
        .iter()
        .filter_map(|line| line.thing)
        .filter(|thing| !is_own(thing))
        .map(|thing| thing.id)
        .collect();
    let mut judged: HashMap<ItemId, Candidate> = candidates
        .into_iter()
        .filter(|candidate| !foreign.contains(&candidate.item_id))
        .map(|candidate| (candidate.item_id, candidate))
        .collect();
    let vest = vest(facts, lines, options);
    let vest_asked = asks_for_a_vest(sheet);
    let things: Vec<Thing<'a>> = kit_things(facts, lines, &options.offered)
        .into_values()
        .filter(|thing| {
            thing.body.kind != ItemKind::Vest || (vest_asked && vest.is_none_or(|id| id == thing.id))
        })
        .collect();
    let full = reads_content(sheet);
    let mut notes = Vec::new();
    let (mut kit, mut fills) = (Vec::with_capacity(things.len()), Vec::with_capacity(things.len()));
    for thing in &things {
        let here = || lines.iter().filter(|line| line.body.item_id == thing.id);
        let packed = here().find_map(|line| line.body.fill_ml);
        let fill = packed.or(thing.body.capacity_ml.filter(|_| full && thing.body.kind.is_vessel()));
        let may_wear = here().any(|line| line.at_start() && line.place == CarryPlace::OnBody);
        let seen = judged.remove(&thing.id).unwrap_or_else(|| candidate(thing, bench.judged));
        kit.push(kit_candidate(facts, seen, thing, fill, may_wear));
        fills.push(fill);
    }
    let (pockets, pocket_ids) = pockets(facts, vest, &mut notes);
    let at = |id: ItemId| things.iter().position(|thing| thing.id == id);
    let mut locks = Vec::new();
    let mut locked = Vec::new();
    for (index, line) in lines.iter().enumerate() {
        if !(line.body.locked == Some(true) || keep(index)) {
            continue;
        }
        if !line.at_start() {
            notes.push(format!(
                "{} waits in a drop bag and is no part of the set: it stays there",
                line.name()
            ));
            continue;
        }
        let Some(item) = at(line.body.item_id) else { continue };
        let inside = line.body.inside_entry_id.and_then(|id| lines.iter().find(|other| other.id == id));
        let inside = inside.filter(|other| other.body.locked == Some(true)).and_then(|o| at(o.body.item_id));
        let pocket = line.body.pocket_id.and_then(|id| pocket_ids.iter().position(|one| *one == id));
        let place = match (line.place, inside, pocket) {
            (CarryPlace::OnBody | CarryPlace::InHand, _, _) => LockedPlace::OnBody,
            (_, Some(container), _) => LockedPlace::Inside(container),
            (_, None, Some(pocket)) if pockets.is_some() => LockedPlace::Pocket(pocket),
            _ => LockedPlace::Free,
        };
        locks.push(Lock { item, units: line.units(), place });
        locked.push(line);
    }
    if vest_asked
        && let Some(item) = vest.and_then(at)
        && !locks.iter().any(|lock| lock.item == item)
    {
        locks.push(Lock { item, units: 1, place: LockedPlace::OnBody });
    }
    Asked { things, kit, fills, locks, locked, pockets, pocket_ids, notes }
}

/// Everything that may be taken, by id: the own kitroom's items, those seen in the lines, and those offered.
fn kit_things<'a>(
    facts: &'a LoadoutFacts,
    lines: &'a [Line<'a>],
    offered: &'a [OfferedItem],
) -> BTreeMap<ItemId, Thing<'a>> {
    let mut things: BTreeMap<ItemId, Thing<'a>> = BTreeMap::new();
    for thing in lines.iter().filter_map(|line| line.thing) {
        things.insert(thing.id, thing);
    }
    for offer in offered {
        things.insert(offer.item_id, Thing::seen(offer.item_id, offer.kitroom_id, &offer.seen, facts));
    }
    for (id, item) in facts.items.iter().filter(|(_, item)| !item.deleted) {
        things.insert(*id, Thing::own(*id, item));
    }
    things
}

fn kit_candidate(
    facts: &LoadoutFacts,
    mut candidate: Candidate,
    thing: &Thing<'_>,
    fill: Option<Millilitres>,
    may_wear: bool,
) -> KitCandidate {
    if let Some(fill) = fill {
        candidate.attributes.insert("fill_ml".into(), Fact::number(fill.value(), Evidence::Declared));
    }
    let water_mg = fill.map_or(0, Millilitres::scaled);
    let mass = thing.mass.mass_g.map(|grams| (grams * 1000.0).round() as i64 + water_mg);
    let volume = match (thing.body.volume_ml, fill) {
        (Some(volume), Some(fill)) => Some(volume.max(fill)),
        (volume, fill) => volume.or(fill),
    };
    let own =
        facts.pockets.values().filter(|pocket| pocket.item_id == thing.id).map(|pocket| pocket.reach).max();
    let holds = thing.body.capacity_ml.filter(|_| thing.keeps_dry()).map(|capacity| Container {
        volume: capacity.scaled().unsigned_abs(),
        mass_cap_mg: None,
        reach: reach(own.unwrap_or(CONTAINER_REACH)),
    });
    KitCandidate {
        candidate,
        mass: mass.and_then(|mg| MassMg::from_scaled(mg).ok()),
        volume,
        reach_needed: thing.body.reach_needed.map_or(Reach::VestOff, reach),
        holds,
        may_wear,
    }
}

fn reach(reach: item::Reach) -> Reach {
    match reach {
        item::Reach::Moving => Reach::Moving,
        item::Reach::AtStop => Reach::AtStop,
        item::Reach::VestOff => Reach::VestOff,
    }
}

/// The vest that is asked for, else the one that is in the loadout, the first by id.
fn vest(facts: &LoadoutFacts, lines: &[Line<'_>], options: &LightestOptions) -> Option<ItemId> {
    let here = || {
        let vests =
            lines.iter().filter_map(|line| line.thing.as_ref()).filter(|t| t.body.kind == ItemKind::Vest);
        vests.map(|thing| thing.id).min()
    };
    let with_pockets = || {
        let packed = |id: &ItemId| lines.iter().any(|line| line.body.item_id == *id);
        facts.pockets.values().map(|pocket| pocket.item_id).filter(packed).min()
    };
    options.vest_item_id.or_else(here).or_else(with_pockets)
}

/// The vest's pockets whose volume is known; none asks for no fit.
fn pockets(
    facts: &LoadoutFacts,
    vest: Option<ItemId>,
    notes: &mut Vec<String>,
) -> (Option<Vec<Pocket>>, Vec<PocketId>) {
    let Some(vest) = vest else {
        notes.push(
            "there is no vest in the loadout and none was named: no fit into pockets was asked for".into(),
        );
        return (None, Vec::new());
    };
    let (mut pockets, mut ids) = (Vec::new(), Vec::new());
    for (id, pocket) in facts.pockets.iter().filter(|(_, pocket)| pocket.item_id == vest) {
        let Some(volume) = pocket.volume_ml else {
            notes.push(format!("the pocket \"{}\" has no volume and is left empty", pocket.name));
            continue;
        };
        ids.push(*id);
        pockets.push(Pocket {
            id: id.to_string(),
            volume: volume.scaled().unsigned_abs(),
            mass_cap_mg: pocket.mass_cap_g.map(|cap| cap.scaled().unsigned_abs()),
            reach: reach(pocket.reach),
            waterproof: pocket.waterproof == Some(true),
        });
    }
    if pockets.is_empty() {
        notes.push("the vest has no pocket of a known volume: no fit into pockets was asked for".into());
        return (None, Vec::new());
    }
    (Some(pockets), ids)
}

fn any_rule(rules: &[Rule], is: &dyn Fn(&Rule) -> bool) -> bool {
    rules.iter().any(|rule| {
        is(rule) || matches!(&rule.need, Need::AnyOf { options } if options.iter().any(|option| any_rule(option, is)))
    })
}

fn asks_for_a_vest(sheet: &RuleSheet) -> bool {
    any_rule(&sheet.rules, &|rule| {
        crate::rules::eligibility::asks(&rule.need).is_some_and(|(kinds, _)| kinds.contains(&ItemKind::Vest))
    })
}

/// Whether a rule looks at what vessels are filled with, so that an empty one would serve nothing.
fn reads_content(sheet: &RuleSheet) -> bool {
    any_rule(&sheet.rules, &|rule| match &rule.need {
        Need::Total { measure, tests, .. } => {
            measure == "fill_ml" || tests.iter().any(|t| t.attribute == "fill_ml")
        }
        Need::Count { tests, .. } => tests.iter().any(|t| t.attribute == "fill_ml"),
        _ => false,
    })
}
