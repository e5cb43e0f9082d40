//! What a person should be told, in words.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;

use super::candidates::unfit;
use super::facts::LoadoutFacts;
use super::layout::{Known, Line, NEVER, Thing};
use crate::ids::{ItemId, LoadoutEntryId};
use crate::provisions::Finding;
use crate::rules::Unfit;
use crate::rules::words::number;
use crate::wire::item::Reach;
use crate::wire::loadout::CarryPlace;
use crate::wire::loadout_answers::{FindingCode, LoadoutFinding};
use crate::wire::log_entry::{ItemState, LogEvent};
use crate::wire::mass::MassBasis;

/// A finding about the whole loadout.
pub(super) fn plain(code: FindingCode, text: String) -> LoadoutFinding {
    LoadoutFinding { code, entry_id: None, item_id: None, pocket_id: None, leg: None, text }
}

fn about(line: &Line<'_>, code: FindingCode, text: String) -> LoadoutFinding {
    let (entry_id, item_id) = (Some(line.id), Some(line.body.item_id));
    LoadoutFinding { entry_id, item_id, ..plain(code, text) }
}

fn of_thing(thing: &Thing<'_>, code: FindingCode, text: String) -> LoadoutFinding {
    LoadoutFinding { item_id: Some(thing.id), ..plain(code, text) }
}

/// What concerns the items: whether they are there, fit, and as many as packed. Each item is told of once.
pub(super) fn of_items(lines: &[Line<'_>], last_day: NaiveDate) -> Vec<LoadoutFinding> {
    let mut found = Vec::new();
    let mut things: BTreeMap<ItemId, (&Thing<'_>, u64)> = BTreeMap::new();
    for line in lines {
        match &line.thing {
            Some(thing) => things.entry(thing.id).or_insert((thing, 0)).1 += u64::from(line.units()),
            None => {
                let text = "the item is deleted or not there: the line weighs nothing and serves no rule; take it out or \
                    restore the item";
                found.push(about(line, FindingCode::ItemGone, text.into()));
            }
        }
    }
    for (thing, units) in things.values() {
        of_item(thing, *units, last_day, &mut found);
        for other in thing.body.conflicts_with.iter().flatten() {
            if let Some((other, _)) = things.get(other).filter(|(other, _)| other.id != thing.id) {
                let text = format!(
                    "\"{}\" and \"{}\" exclude each other: only one of them counts",
                    thing.name(),
                    other.name()
                );
                found.push(of_thing(thing, FindingCode::Excludes, text));
            }
        }
    }
    found
}

fn of_item(thing: &Thing<'_>, units: u64, last_day: NaiveDate, found: &mut Vec<LoadoutFinding>) {
    let name = thing.name();
    let mut add = |code, text: String| found.push(of_thing(thing, code, text));
    match unfit(thing, last_day) {
        Some(Unfit::Expired) => {
            let day = thing.body.expires_on.map(|day| day.to_string()).unwrap_or_default();
            add(
                FindingCode::Expired,
                format!("\"{name}\" expires on {day}, before the finish, and does not count"),
            );
        }
        Some(why) => {
            let text =
                format!("\"{name}\" is {} and does not count; take another, or have it cleared", why.words());
            add(FindingCode::NotServiceable, text);
        }
        None if thing.state == ItemState::OnWatch => {
            add(FindingCode::OnWatch, format!("\"{name}\" is to be watched: look it over before the start"));
        }
        None => {}
    }
    match thing.known {
        Known::Own(item) => {
            let newest = item
                .log
                .iter()
                .rev()
                .map(|fact| &fact.body)
                .find(|entry| entry.event == LogEvent::Inspection);
            if newest.is_some_and(|entry| entry.grade == Some(1)) && thing.state < ItemState::Quarantined {
                let text = format!(
                    "\"{name}\" was last inspected as not to be used: retire it, or inspect it again"
                );
                add(FindingCode::InspectedUnusable, text);
            }
        }
        Known::Seen { seen, too_old, member, .. } => {
            if !member {
                let text = format!(
                    "\"{name}\" is another kitroom's, and the loadout's owner is no member there now: what it shows is NOT SHOWN"
                );
                add(FindingCode::MembershipEnded, text);
            }
            if too_old {
                let at = seen.seen_at;
                let text = format!(
                    "\"{name}\" was last seen {at}, too long ago: look after it anew (NOT SHOWN until then)"
                );
                add(FindingCode::SeenTooOld, text);
            }
        }
    }
    if thing.per_unit() {
        if let Some(stock) = thing.stock.filter(|stock| i128::from(units) > i128::from(*stock)) {
            let text =
                format!("{units} x \"{name}\" are packed and the stock has {stock}: count again or buy more");
            add(FindingCode::MoreThanStock, text);
        }
    } else if units > 1 {
        let text =
            format!("\"{name}\" is one thing and packed {units} times; like units want per_unit on the item");
        add(FindingCode::MoreThanOne, text);
    }
    match thing.mass.mass_basis {
        MassBasis::None => {
            add(
                FindingCode::MassUnknown,
                format!("\"{name}\" has no mass: the loadout is heavier than it says; weigh it"),
            );
        }
        MassBasis::Label => {
            add(
                FindingCode::MassFromLabel,
                format!("\"{name}\" has only its label's mass, of unknown uncertainty; weigh it"),
            );
        }
        MassBasis::Measured => {}
    }
    if thing.is_food() && thing.body.energy_kcal.is_none() {
        let text = format!("\"{name}\" has no energy_kcal: it is carried to the finish in these numbers");
        add(FindingCode::EnergyUnknown, text);
    }
}

/// What concerns where things are.
pub(super) fn of_places(facts: &LoadoutFacts, lines: &[Line<'_>]) -> Vec<LoadoutFinding> {
    let mut found = Vec::new();
    let ids: BTreeSet<LoadoutEntryId> = lines.iter().map(|line| line.id).collect();
    let packed: BTreeSet<ItemId> = lines.iter().map(|line| line.body.item_id).collect();
    for line in lines {
        let name = line.name();
        let mut add = |code, text: String| found.push(about(line, code, text));
        if let Some(pocket) = line.body.pocket_id {
            match facts.pockets.get(&pocket) {
                None => add(
                    FindingCode::PocketGone,
                    format!("the pocket of {name} is not there any more; say where it is"),
                ),
                Some(pocket) if !packed.contains(&pocket.item_id) => {
                    let text = format!(
                        "{name} is in \"{}\", a pocket of a vest or bag that is not in the loadout",
                        pocket.name
                    );
                    add(FindingCode::PocketOfAnotherVest, text);
                }
                Some(_) => {}
            }
        }
        if line.body.inside_entry_id.is_some_and(|inside| !ids.contains(&inside)) {
            add(
                FindingCode::ContainerGone,
                format!("what {name} was packed inside of is not in the loadout any more"),
            );
        }
        let need = line.thing.as_ref().and_then(|thing| thing.body.reach_needed);
        if let (Some(need), Some(reach)) = (need, line.reach)
            && reach > need
        {
            let text =
                format!("{name} is wanted {} and can be reached {}", reach_words(need), reach_words(reach));
            add(FindingCode::ReachTooSlow, text);
        }
        if let (Some(fill), Some(capacity)) =
            (line.body.fill_ml, line.thing.as_ref().and_then(|thing| thing.body.capacity_ml))
            && fill > capacity
        {
            let text = format!(
                "{name} holds {} ml and is filled with {} ml",
                number(capacity.value()),
                number(fill.value())
            );
            add(FindingCode::Overfilled, text);
        }
        if line.from_leg == NEVER {
            if line.place == CarryPlace::DropBag && line.body.from_leg.is_none() {
                let text = format!(
                    "{name} lies in a drop bag without from_leg: it is never picked up and counts nowhere"
                );
                add(FindingCode::NeverPickedUp, text);
            } else {
                let text = format!("{name} is handed off before it is picked up: it counts nowhere");
                add(FindingCode::LegsContradict, text);
            }
        }
    }
    found
}

fn reach_words(reach: Reach) -> &'static str {
    match reach {
        Reach::Moving => "while moving",
        Reach::AtStop => "at a stop",
        Reach::VestOff => "with the vest off",
    }
}

/// What the course says of water, food and drop bags; `name` gives a leg's end by its place. What the items' own
/// findings say already is left out.
pub(super) fn of_course(
    found: &[Finding],
    lines: &[Line<'_>],
    name: impl Fn(usize) -> String,
) -> Vec<LoadoutFinding> {
    let mut out = Vec::new();
    let leg_of = |leg: usize| Some(leg as u32 + 1);
    for finding in found {
        match *finding {
            Finding::WaterRunsOut { leg, lacking_h } => {
                let text = runs_out("water", &name(leg), lacking_h);
                out.push(LoadoutFinding { leg: leg_of(leg), ..plain(FindingCode::WaterRunsOut, text) });
            }
            Finding::FoodRunsOut { leg, lacking_h } => {
                let text = runs_out("food", &name(leg), lacking_h);
                out.push(LoadoutFinding { leg: leg_of(leg), ..plain(FindingCode::FoodRunsOut, text) });
            }
            Finding::NoDropBagThere { entry, leg } => {
                let line = &lines[entry];
                let text = format!(
                    "{} is to be picked up before leg {}, where no drop bag waits",
                    line.name(),
                    leg + 1
                );
                out.push(LoadoutFinding {
                    leg: leg_of(leg),
                    ..about(line, FindingCode::NoDropBagThere, text)
                });
            }
            Finding::NeverPickedUp { entry } if lines[entry].from_leg != NEVER => {
                let line = &lines[entry];
                let text = format!("{} is to be picked up on a leg that the race does not have", line.name());
                out.push(about(line, FindingCode::NeverPickedUp, text));
            }
            Finding::NeverPickedUp { .. }
            | Finding::FoodReserveLow { .. }
            | Finding::WaterReserveLow { .. }
            | Finding::MassUnknown { .. }
            | Finding::EnergyUnknown { .. } => {}
        }
    }
    out
}

fn runs_out(what: &str, leg: &str, lacking_h: f64) -> String {
    if lacking_h > 0.01 {
        format!("{what} runs out on the way to {leg}, {lacking_h:.1} h before it")
    } else {
        format!("{what} is used up on arrival at {leg}: there is none to spare")
    }
}
