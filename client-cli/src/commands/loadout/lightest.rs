//! `tare loadout lightest`.

use domain::ids::ItemId;
use domain::lightest::{Limits, Status};
use domain::loadout::{LightestOptions, LoadoutFacts, lightest};
use domain::rules::words::name_of;
use domain::wire::loadout_answers::{LightestAnswer, LightestSwap, SwapSide};
use serde_json::json;

use super::packed::counted;
use super::{LoadoutLightestArgs, Open, after, figures, open, take};
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::loadouts::{Entry, Reach};
use crate::render::{cell, wrapped};

/// The most nodes of the search; the time limit ends it sooner.
const NODES: u64 = 2_000_000;

/// Finds the lightest set, prints the swaps with their reasons, and makes them when that is wanted.
///
/// # Errors
/// When the loadout or the vest is not clear, there is nothing to solve, or it is sealed and should change.
pub fn cmd_loadout_lightest(app: &mut App<'_>, args: &LoadoutLightestArgs) -> Result<()> {
    let mut store = app.store()?;
    let open = open(app, &store, args.loadout.as_deref())?;
    if args.take {
        open.refuse_sealed()?;
    }
    let vest_item_id = match &args.vest {
        Some(name) => {
            let vest = app.item(&store, open.room.id, name)?;
            Some(ItemId::new(vest.id).map_err(|why| Error::internal(why.to_string()))?)
        }
        None => None,
    };
    let mut offered = Vec::new();
    for name in &args.also {
        let room = app.room_named(&store, name)?;
        if room.id != open.room.id {
            offered.extend(store.offered(&room)?);
        }
    }
    let facts = store.loadout_facts(&open.room, &open.record, Reach::Everything)?;
    let options = LightestOptions { vest_item_id, offered, keep_own_choice: !args.bare };
    let clock = app.env.clock.clone();
    let until = clock().millis().saturating_add(i64::from(args.time_limit) * 1000);
    let mut stop = || clock().millis() >= until;
    let mut limits = Limits::nodes(NODES).stop_when(&mut stop);
    let answer = lightest(&facts, &options, &mut limits).map_err(|why| {
        Error::refused("there is no lightest set to look for").because(why).hint(
            "give the race a rule sheet: tare race edit RACE --sheet SHEET; see the locks: tare loadout show",
        )
    })?;
    if args.take && answer.mass_g.is_some() {
        let words = take::take(&mut store, &open, &facts, &options, &answer)?;
        if app.ui.json {
            return app.ui.json(&json!({ "answer": answer, "taken": words }));
        }
        app.ui.data(&printed(&open, &answer, &facts))?;
        app.ui.flush()?;
        let touched: Vec<ItemId> = answer.entries.iter().map(|entry| entry.item_id).collect();
        let words: Vec<String> = if words.is_empty() { vec!["it is so already".to_owned()] } else { words };
        return after::changed(app, &mut store, &open, &words, &touched);
    }
    if app.ui.json {
        return app.ui.json(&json!(answer));
    }
    if answer.mass_g.is_some() {
        app.ui.data(&printed(&open, &answer, &facts))?;
        app.ui.flush()?;
        app.ui.say(if is_other(&answer) {
            "to make these swaps, all in one step: tare loadout lightest --take"
        } else {
            "the loadout is that set already"
        });
        return Ok(());
    }
    for reason in &answer.reasons {
        app.ui.say(&wrapped(2, &cell(&format!("{}{}", named(&answer, reason.item_id, &facts), reason.text))));
    }
    Err(Error::refused("no set of what is here meets every rule").because(blame(&answer, &facts)).hint(
        "weigh, measure or get what is missing; see what each rule lacks: tare loadout verdicts --open",
    ))
}

fn is_other(answer: &LightestAnswer) -> bool {
    answer.swaps.iter().any(|swap| swap.side != SwapSide::OwnChoice)
}

/// The rules that stand in each other's way.
fn blame(answer: &LightestAnswer, facts: &LoadoutFacts) -> String {
    let rules: Vec<&str> = answer.blame.iter().map(|id| title(id, facts)).collect();
    let rules = rules.join(", ");
    match (answer.status, answer.blame.len(), answer.blame_pockets) {
        (Status::Bound, ..) => {
            "the time ended before a set was found; give it more: --time-limit 120".to_owned()
        }
        (_, 0, true) => "the pockets do not hold it".to_owned(),
        (_, 0, false) => "what is locked cannot be together".to_owned(),
        (_, 1, true) => format!("{rules} can be met, but not within the pockets"),
        (_, _, true) => format!("these rules together do not fit the pockets: {rules}"),
        (_, 1, false) => format!("nothing here meets {rules}"),
        (_, _, false) => format!("these rules cannot be met together: {rules}"),
    }
}

/// A rule by its title.
fn title<'f>(id: &'f str, facts: &'f LoadoutFacts) -> &'f str {
    let rules = facts.sheet.iter().flat_map(|sheet| &sheet.body.rules);
    rules.into_iter().find(|rule| rule.id == id).map_or(id, name_of)
}

/// What a reason is about, with a colon.
fn named(answer: &LightestAnswer, item: Option<ItemId>, facts: &LoadoutFacts) -> String {
    let entry = answer.entries.iter().find(|entry| Some(entry.item_id) == item);
    let known = || Some(facts.items.get(&item?)?.body.name.as_str().to_owned());
    let name = entry.map(|entry| entry.name.clone()).or_else(known);
    name.map(|name| format!("{name}: ")).unwrap_or_default()
}

fn printed(open: &Open, answer: &LightestAnswer, facts: &LoadoutFacts) -> String {
    let mut text = String::new();
    let head = match (answer.status, answer.mass_g, answer.lower_bound_g) {
        (Status::Proven, Some(mass), _) => {
            format!(
                "the lightest set for {} is {} g, proven: none is lighter",
                open.name(),
                figures::rounded(mass)
            )
        }
        (Status::Bound, Some(mass), Some(least)) => format!(
            "a set of {} g for {}; not proven: one down to {} g may exist (more time: --time-limit S)",
            figures::rounded(mass),
            open.name(),
            figures::rounded(least)
        ),
        (Status::Bound, Some(mass), None) => {
            format!(
                "a set of {} g for {}; not proven to be the lightest",
                figures::rounded(mass),
                open.name()
            )
        }
        (Status::Infeasible, ..) => format!("{}: {}", open.name(), blame(answer, facts)),
        (_, None, _) => format!("{}: no set was found", open.name()),
    };
    text.push_str(&format!("{}\n", wrapped(0, &head)));
    for (side, heading) in [
        (SwapSide::Take, "take"),
        (SwapSide::Leave, "leave"),
        (SwapSide::OwnChoice, "stays: your own choice, beyond what the rules ask for"),
    ] {
        let swaps: Vec<&LightestSwap> = answer.swaps.iter().filter(|swap| swap.side == side).collect();
        if swaps.is_empty() {
            continue;
        }
        text.push_str(&format!("\n{heading}\n"));
        for swap in swaps {
            let mass = match swap.mass_g {
                Some(grams) => format!(", {} g", figures::rounded(grams)),
                // The vest itself is no part of the question.
                None if side == SwapSide::OwnChoice => String::new(),
                None => ", mass not known".to_owned(),
            };
            text.push_str(&format!(
                "  {}\n",
                wrapped(4, &cell(&format!("{}{mass}", counted(swap.quantity, &swap.name))))
            ));
            if side == SwapSide::Take {
                for reason in answer.reasons.iter().filter(|reason| reason.item_id == Some(swap.item_id)) {
                    text.push_str(&format!("    {}\n", wrapped(4, &cell(&reason.text))));
                }
            }
        }
    }
    let taken = |item: Option<ItemId>| {
        item.is_some_and(|item| {
            answer.swaps.iter().any(|swap| swap.item_id == item && swap.side == SwapSide::Take)
        })
    };
    let rest: Vec<_> = answer.reasons.iter().filter(|reason| !taken(reason.item_id)).collect();
    if !rest.is_empty() {
        text.push_str("\nwhy the rest is as it is\n");
        for reason in rest {
            let name = named(answer, reason.item_id, facts);
            let locked =
                |entry: &Entry| Some(entry.body.item_id) == reason.item_id && entry.body.locked == Some(true);
            let own = reason.text == "locked" && !open.entries.iter().any(locked);
            let words = if own { "your own choice, kept" } else { reason.text.as_str() };
            text.push_str(&format!("  {}\n", wrapped(4, &cell(&format!("{name}{words}")))));
        }
    }
    text.push_str(&format!("\n{}\n", wrapped(0, &answer.caution)));
    text
}
