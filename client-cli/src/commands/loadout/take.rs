//! The swaps of the lightest set, as changes of the loadout's lines.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use domain::ids::{ItemId, LoadoutEntryId, LoadoutId};
use domain::kinds::loadout_entry::KIND;
use domain::loadout::{LightestOptions, LoadoutFacts, mass};
use domain::sync::op::Action;
use domain::units::Millilitres;
use domain::wire::loadout::{CarryPlace, LoadoutEntryBody};
use domain::wire::loadout_answers::{FindingCode, LightestAnswer, LightestEntry, SwapSide};
use domain::wire::shape::Object;
use uuid::Uuid;

use super::Open;
use super::packed::counted;
use super::put::difference;
use crate::error::{Error, Result};
use crate::local::loadouts::Entry;
use crate::local::{Draft, Store};

/// Makes the loadout that set, in one step; answers what was changed. What is picked up later and what is the runner's
/// own choice stays.
///
/// # Errors
/// When a change is refused; then nothing is changed.
pub fn take(
    store: &mut Store,
    open: &Open,
    facts: &LoadoutFacts,
    options: &LightestOptions,
    answer: &LightestAnswer,
) -> Result<Vec<String>> {
    // What does not change its number keeps its place, as long as everything fits so.
    let kept = planned(store, open, facts, options, answer, true)?;
    let fits = {
        let after = LoadoutFacts { entries: kept.result.clone().into_iter().collect(), ..facts.clone() };
        let tight = [FindingCode::PocketTooFull, FindingCode::PocketTooHeavy, FindingCode::ReachTooSlow];
        !mass(&after).findings.iter().any(|finding| tight.contains(&finding.code))
    };
    let plan = if fits { kept } else { planned(store, open, facts, options, answer, false)? };
    let Plan { drafts, words, .. } = plan;
    store.act(open.room.id, &drafts)?;
    Ok(words)
}

fn planned<'a>(
    store: &'a Store,
    open: &'a Open,
    facts: &'a LoadoutFacts,
    options: &'a LightestOptions,
    answer: &LightestAnswer,
    keep: bool,
) -> Result<Plan<'a>> {
    let result = facts.entries.iter().cloned().collect();
    let (drafts, words, containers) = (Vec::new(), Vec::new(), HashMap::new());
    let mut plan = Plan { store, open, facts, options, keep, drafts, words, containers, result };
    let held: BTreeSet<ItemId> = answer.entries.iter().filter_map(|entry| entry.inside_item_id).collect();
    let wanted = with_own_choice(answer);
    let mut by_item: BTreeMap<ItemId, Vec<&LightestEntry>> = BTreeMap::new();
    for entry in &wanted {
        by_item.entry(entry.item_id).or_default().push(entry);
    }
    // Containers first, so that what lies in them can name them.
    let (containers, others): (Vec<_>, Vec<_>) = by_item.iter().partition(|(item, _)| held.contains(item));
    for (item, entries) in containers.into_iter().chain(others) {
        plan.lines_of(*item, entries)?;
    }
    let left: BTreeSet<ItemId> =
        answer.swaps.iter().filter(|swap| swap.side == SwapSide::Leave).map(|swap| swap.item_id).collect();
    for entry in open.entries.iter().filter(|entry| at_start(&entry.body)) {
        if left.contains(&entry.body.item_id) && !by_item.contains_key(&entry.body.item_id) {
            let name = facts.items.get(&entry.body.item_id).map(|item| item.body.name.as_str().to_owned());
            let seen = entry.body.seen.as_ref().map(|seen| seen.item.name.as_str().to_owned());
            plan.delete(entry, &seen.or(name).unwrap_or_default());
        }
    }
    plan.free_contents();
    Ok(plan)
}

/// The set's lines, with the units of their items that are the runner's own choice besides.
fn with_own_choice(answer: &LightestAnswer) -> Vec<LightestEntry> {
    let mut entries = answer.entries.clone();
    for swap in answer.swaps.iter().filter(|swap| swap.side == SwapSide::OwnChoice) {
        if let Some(entry) = entries.iter_mut().find(|entry| entry.item_id == swap.item_id) {
            entry.quantity = entry.quantity.saturating_add(swap.quantity);
        }
    }
    entries
}

fn at_start(body: &LoadoutEntryBody) -> bool {
    body.carry_place != CarryPlace::DropBag && body.from_leg.is_none_or(|leg| leg <= 1)
}

struct Plan<'a> {
    store: &'a Store,
    open: &'a Open,
    facts: &'a LoadoutFacts,
    options: &'a LightestOptions,
    /// Whether what does not change its number keeps its place.
    keep: bool,
    drafts: Vec<Draft>,
    words: Vec<String>,
    /// The line of each container of the set.
    containers: HashMap<ItemId, Uuid>,
    /// The lines as they will be.
    result: BTreeMap<LoadoutEntryId, LoadoutEntryBody>,
}

impl Plan<'_> {
    /// Makes the lines of one item those of the set.
    fn lines_of(&mut self, item: ItemId, wanted: &[&LightestEntry]) -> Result<()> {
        let mut present: Vec<&Entry> = self
            .open
            .entries
            .iter()
            .filter(|entry| entry.body.item_id == item && at_start(&entry.body))
            .collect();
        let units = |entries: &[&Entry]| entries.iter().map(|entry| entry.body.units()).sum::<u32>();
        let wanted_units: u32 = wanted.iter().map(|entry| entry.quantity).sum();
        let kept = |entry: &&Entry| entry.body.reserve == Some(true);
        // Of food some of which is kept to the finish, each line keeps what it is for.
        let mixed = present.iter().any(kept) && !present.iter().all(kept);
        let reserve = |wanted: &LightestEntry| !wanted.reserve || present.iter().any(kept);
        let as_it_is = units(&present) == wanted_units && wanted.iter().all(|wanted| reserve(wanted));
        if let Some(first) = present.first()
            && as_it_is
            && (self.keep || mixed)
        {
            self.containers.insert(item, first.id);
            return Ok(());
        }
        // A line that is where the set wants it stays as it is.
        let fits = |entry: &Entry, wanted: &LightestEntry| {
            entry.body.carry_place == wanted.carry_place
                && entry.body.pocket_id == wanted.pocket_id
                && entry.body.inside_entry_id.is_some() == wanted.inside_item_id.is_some()
        };
        for wanted in wanted {
            let at = present.iter().position(|entry| fits(entry, wanted));
            let at = at.or(if present.is_empty() { None } else { Some(0) });
            match at.map(|at| present.remove(at)) {
                Some(entry) => self.patch(entry, wanted)?,
                None => self.create(wanted)?,
            }
        }
        let name = wanted.first().map(|wanted| wanted.name.clone()).unwrap_or_default();
        present.iter().for_each(|entry| self.delete(entry, &name));
        Ok(())
    }

    fn patch(&mut self, entry: &Entry, wanted: &LightestEntry) -> Result<()> {
        self.containers.entry(wanted.item_id).or_insert(entry.id);
        let mut body = entry.body.clone();
        self.place(&mut body, wanted)?;
        let payload = difference(&entry.body, &body)?;
        if payload.is_empty() {
            return Ok(());
        }
        let name = counted(wanted.quantity, &wanted.name);
        self.words.push(if entry.body.units() == wanted.quantity {
            let pocket = body.pocket_id.and_then(|id| self.facts.pockets.get(&id));
            let to = pocket.map_or("elsewhere in the vest", |pocket| pocket.name.as_str());
            format!("{name}: to {to}")
        } else {
            format!("{name}: {} before", entry.body.units())
        });
        self.drafts.push(Draft { kind: &KIND, record_id: entry.id, action: Action::Patch, payload });
        self.note(entry.id, Some(body));
        Ok(())
    }

    /// Notes a line as it will be; none when it goes.
    fn note(&mut self, id: Uuid, body: Option<LoadoutEntryBody>) {
        let Ok(id) = LoadoutEntryId::new(id) else { return };
        match body {
            Some(body) => self.result.insert(id, body),
            None => self.result.remove(&id),
        };
    }

    fn create(&mut self, wanted: &LightestEntry) -> Result<()> {
        let loadout_id =
            LoadoutId::new(self.open.record.id).map_err(|why| Error::internal(why.to_string()))?;
        let offered = self.options.offered.iter().find(|offered| offered.item_id == wanted.item_id);
        let mut body = LoadoutEntryBody {
            loadout_id,
            item_id: wanted.item_id,
            item_kitroom_id: wanted.item_kitroom_id,
            quantity: None,
            carry_place: wanted.carry_place,
            pocket_id: None,
            inside_entry_id: None,
            fill_ml: wanted.fill_ml.and_then(|fill| Millilitres::new(fill).ok()),
            reserve: wanted.reserve.then_some(true),
            locked: None,
            from_leg: None,
            to_leg: None,
            note: None,
            seen: wanted.item_kitroom_id.and(offered).map(|offered| offered.seen.clone()),
        };
        self.place(&mut body, wanted)?;
        let id = self.store.new_id();
        self.containers.entry(wanted.item_id).or_insert(id);
        self.words.push(format!("{}: in", counted(wanted.quantity, &wanted.name)));
        self.drafts.push(Draft::make(&KIND, id, &body)?);
        self.note(id, Some(body));
        Ok(())
    }

    fn place(&self, body: &mut LoadoutEntryBody, wanted: &LightestEntry) -> Result<()> {
        body.quantity = Some(wanted.quantity).filter(|n| *n > 1);
        if wanted.reserve {
            body.reserve = Some(true);
        }
        // Without pockets the set says only that it is not on the body; the line keeps the place that it has.
        let unplaced = wanted.pocket_id.is_none() && wanted.inside_item_id.is_none();
        if unplaced && wanted.carry_place == CarryPlace::Stowed && body.carry_place == CarryPlace::Stowed {
            return Ok(());
        }
        if body.locked == Some(true) {
            return Ok(());
        }
        body.carry_place = wanted.carry_place;
        body.pocket_id = wanted.pocket_id;
        let container = wanted.inside_item_id.and_then(|item| self.containers.get(&item));
        body.inside_entry_id = container
            .map(|id| LoadoutEntryId::new(*id))
            .transpose()
            .map_err(|why| Error::internal("an id is no id").because(why))?;
        if body.inside_entry_id.is_some() {
            body.pocket_id = None;
        }
        Ok(())
    }

    fn delete(&mut self, entry: &Entry, name: &str) {
        self.note(entry.id, None);
        self.words.push(format!("{}: out", counted(entry.body.units(), name)));
        self.drafts.push(Draft {
            kind: &KIND,
            record_id: entry.id,
            action: Action::Delete,
            payload: Object::new(),
        });
    }

    /// What lies inside something that goes is taken out of it first.
    fn free_contents(&mut self) {
        let gone: BTreeSet<Uuid> = self
            .drafts
            .iter()
            .filter(|draft| draft.action == Action::Delete)
            .map(|draft| draft.record_id)
            .collect();
        let touched: BTreeSet<Uuid> = self.drafts.iter().map(|draft| draft.record_id).collect();
        for entry in &self.open.entries {
            let inside = entry.body.inside_entry_id.is_some_and(|inside| gone.contains(&inside.uuid()));
            if inside && !touched.contains(&entry.id) {
                let payload = Object::from_iter([("inside_entry_id".to_owned(), serde_json::Value::Null)]);
                self.drafts.push(Draft { kind: &KIND, record_id: entry.id, action: Action::Patch, payload });
            }
        }
        // Deletions last, the contents of a container before it.
        let inside: BTreeSet<Uuid> = self
            .open
            .entries
            .iter()
            .filter(|entry| entry.body.inside_entry_id.is_some())
            .map(|entry| entry.id)
            .collect();
        self.drafts.sort_by_key(|draft| match (draft.action, inside.contains(&draft.record_id)) {
            (Action::Delete, true) => 1,
            (Action::Delete, false) => 2,
            _ => 0,
        });
    }
}
