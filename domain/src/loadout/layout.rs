//! The lines of a loadout laid out: which item each is, where it is, on which legs, and how quickly it is in the hand.

use std::collections::{BTreeMap, HashMap};

use super::facts::{KnownItem, LoadoutFacts};
use crate::ids::{ItemId, KitroomId, LoadoutEntryId, PocketId};
use crate::time::Timestamp;
use crate::wire::item::{AttributeValue, ItemBody, ItemKind, Reach};
use crate::wire::loadout::{CarryPlace, LoadoutEntryBody, SeenItem};
use crate::wire::log_entry::ItemState;
use crate::wire::mass::ItemMass;
use crate::wire::pocket::PocketBody;
use crate::wire::race::SEEN_MAX_AGE_D;

/// A dry bag is opened at a stop: what lies in it is not in the hand while moving. Judgement.
pub(super) const CONTAINER_REACH: Reach = Reach::AtStop;

/// The leg of what is never picked up.
pub(super) const NEVER: usize = usize::MAX;

/// An item as a line, or the lightest set, sees it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Thing<'a> {
    pub id: ItemId,
    pub body: &'a ItemBody,
    pub mass: &'a ItemMass,
    pub state: ItemState,
    pub stock: Option<i64>,
    pub known: Known<'a>,
}

/// Where the knowledge comes from.
#[derive(Debug, Clone, Copy)]
pub(super) enum Known<'a> {
    /// The loadout's own kitroom.
    Own(&'a KnownItem),
    /// Another kitroom, as seen.
    Seen {
        kitroom: KitroomId,
        seen: &'a SeenItem,
        /// Older than the race allows.
        too_old: bool,
        /// The loadout's owner is a member there now.
        member: bool,
    },
}

impl<'a> Thing<'a> {
    pub fn own(id: ItemId, item: &'a KnownItem) -> Self {
        Self {
            id,
            body: &item.body,
            mass: &item.mass,
            state: item.state,
            stock: item.stock,
            known: Known::Own(item),
        }
    }

    pub fn seen(id: ItemId, kitroom: KitroomId, seen: &'a SeenItem, facts: &LoadoutFacts) -> Self {
        let most = facts.race.as_ref().and_then(|(_, race)| race.seen_max_age_d).unwrap_or(SEEN_MAX_AGE_D);
        let too_old = judged_at(facts).days_since(seen.seen_at) > f64::from(most);
        let member = facts.member_of.contains(&kitroom);
        Self {
            id,
            body: &seen.item,
            mass: &seen.mass,
            state: seen.state,
            stock: seen.stock,
            known: Known::Seen { kitroom, seen, too_old, member },
        }
    }

    pub fn kitroom(&self) -> Option<KitroomId> {
        match self.known {
            Known::Own(_) => None,
            Known::Seen { kitroom, .. } => Some(kitroom),
        }
    }

    pub fn is_stale(&self) -> bool {
        matches!(self.known, Known::Seen { too_old, member, .. } if too_old || !member)
    }

    pub fn name(&self) -> &'a str {
        self.body.name.as_str()
    }

    pub fn per_unit(&self) -> bool {
        self.body.per_unit == Some(true)
    }

    /// Whether it is eaten or drunk up.
    pub fn is_food(&self) -> bool {
        matches!(self.body.kind, ItemKind::Food | ItemKind::DrinkMix)
    }

    pub fn keeps_dry(&self) -> bool {
        let waterproof = self.body.attributes.as_ref().and_then(|map| map.get("waterproof"));
        self.body.kind == ItemKind::DryBag || waterproof == Some(&AttributeValue::Bool(true))
    }
}

/// The instant to which the age of what was seen counts: when it is asked about, the start at the latest.
pub(super) fn judged_at(facts: &LoadoutFacts) -> Timestamp {
    let start = facts.race.as_ref().and_then(|(_, race)| race.starts_at);
    start.map_or(facts.as_of, |start| start.min(facts.as_of))
}

/// One line.
#[derive(Debug, Clone)]
pub(super) struct Line<'a> {
    pub id: LoadoutEntryId,
    pub body: &'a LoadoutEntryBody,
    /// The item; none when it is gone or deleted.
    pub thing: Option<Thing<'a>>,
    /// The place that counts: that of the container for what is inside one.
    pub place: CarryPlace,
    /// The first leg, from 0; [`NEVER`].
    pub from_leg: usize,
    /// The last leg, from 0.
    pub to_leg: Option<usize>,
    /// The pocket that counts.
    pub pocket: Option<(PocketId, &'a PocketBody)>,
    /// Not known for what is stowed without a pocket.
    pub reach: Option<Reach>,
    /// Whether it lies dry; none when not known.
    pub dry: Option<bool>,
}

impl Line<'_> {
    pub fn units(&self) -> u32 {
        self.body.units()
    }

    pub fn reserve(&self) -> bool {
        self.body.reserve == Some(true)
    }

    pub fn at_start(&self) -> bool {
        self.from_leg == 0
    }

    /// The name, for words.
    pub fn name(&self) -> String {
        match &self.thing {
            Some(thing) => format!("\"{}\"", thing.name()),
            None => "an item that is not here any more".to_owned(),
        }
    }
}

/// The lines in the order of their ids.
pub(super) fn layout(facts: &LoadoutFacts) -> Vec<Line<'_>> {
    let mut sorted: Vec<&(LoadoutEntryId, LoadoutEntryBody)> = facts.entries.iter().collect();
    sorted.sort_by_key(|(id, _)| *id);
    sorted.dedup_by_key(|(id, _)| *id);
    let by_id: HashMap<LoadoutEntryId, &LoadoutEntryBody> =
        sorted.iter().map(|(id, body)| (*id, body)).collect();
    let seen = newest_seen(&sorted);
    sorted.iter().map(|(id, body)| line(facts, *id, body, &by_id, &seen)).collect()
}

/// The newest sight of each foreign item, whichever line keeps it.
fn newest_seen<'a>(
    entries: &[&'a (LoadoutEntryId, LoadoutEntryBody)],
) -> BTreeMap<ItemId, (KitroomId, &'a SeenItem)> {
    let mut newest: BTreeMap<ItemId, (KitroomId, &SeenItem)> = BTreeMap::new();
    for (_, body) in entries {
        if let (Some(kitroom), Some(seen)) = (body.item_kitroom_id, &body.seen) {
            let old = newest.entry(body.item_id).or_insert((kitroom, seen));
            if seen.seen_at > old.1.seen_at {
                *old = (kitroom, seen);
            }
        }
    }
    newest
}

fn line<'a>(
    facts: &'a LoadoutFacts,
    id: LoadoutEntryId,
    body: &'a LoadoutEntryBody,
    by_id: &HashMap<LoadoutEntryId, &'a LoadoutEntryBody>,
    seen: &BTreeMap<ItemId, (KitroomId, &'a SeenItem)>,
) -> Line<'a> {
    let thing_of = |body: &LoadoutEntryBody| match body.item_kitroom_id {
        None => facts.items.get(&body.item_id).filter(|i| !i.deleted).map(|i| Thing::own(body.item_id, i)),
        Some(_) => seen.get(&body.item_id).map(|(k, seen)| Thing::seen(body.item_id, *k, seen, facts)),
    };
    let mut place = body.carry_place;
    let (mut from_leg, mut to_leg) = legs(body);
    let mut pocket_id = body.pocket_id;
    let mut container_reach: Option<Reach> = None;
    let mut in_dry = false;
    // The container's place counts, and the container's container's; a circle ends after some rounds.
    let mut inside = body.inside_entry_id;
    for _ in 0..4 {
        let Some(container) = inside.and_then(|id| by_id.get(&id)) else { break };
        place = container.carry_place;
        let (from, to) = legs(container);
        from_leg = from_leg.max(from);
        to_leg = match (to_leg, to) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
        pocket_id = container.pocket_id;
        let own = facts.pockets.values().filter(|p| p.item_id == container.item_id).map(|p| p.reach).max();
        container_reach = container_reach.max(Some(own.unwrap_or(CONTAINER_REACH)));
        in_dry |= thing_of(container).is_some_and(|thing| thing.keeps_dry());
        inside = container.inside_entry_id;
    }
    if to_leg.is_some_and(|last| last < from_leg) {
        from_leg = NEVER;
    }
    let pocket = pocket_id.and_then(|id| facts.pockets.get(&id).map(|pocket| (id, pocket)));
    let reach = match place {
        CarryPlace::OnBody | CarryPlace::InHand => Some(container_reach.unwrap_or(Reach::Moving)),
        CarryPlace::Stowed | CarryPlace::DropBag => {
            pocket.map(|(_, pocket)| container_reach.map_or(pocket.reach, |reach| reach.max(pocket.reach)))
        }
    };
    let dry = match (in_dry, place) {
        (true, _) => Some(true),
        (false, CarryPlace::OnBody | CarryPlace::InHand) => Some(false),
        _ => pocket.and_then(|(_, pocket)| pocket.waterproof),
    };
    Line { id, body, thing: thing_of(body), place, from_leg, to_leg, pocket, reach, dry }
}

/// First and last leg, from 0.
fn legs(body: &LoadoutEntryBody) -> (usize, Option<usize>) {
    let number = |leg: u32| (leg as usize).saturating_sub(1);
    let from = match (body.from_leg, body.carry_place) {
        (Some(leg), _) => number(leg),
        (None, CarryPlace::DropBag) => NEVER,
        (None, _) => 0,
    };
    (from, body.to_leg.map(number))
}
