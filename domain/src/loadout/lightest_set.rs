//! The lightest set for a loadout's race.

use std::collections::BTreeMap;

use super::demanded::demanded;
use super::facts::{LoadoutFacts, OfferedItem};
use super::layout::{Line, layout};
use super::lightest_question::{Asked, Laid, asked};
use super::verdicts::{Bench, judge};
use crate::ids::ItemId;
use crate::lightest::{LightestSet, Limits, ProblemError, Question, SetEntry, lightest_set};
use crate::wire::loadout::CarryPlace;
use crate::wire::loadout_answers::{LightestAnswer, LightestEntry, LightestReason, LightestSwap, SwapSide};

/// Shown wherever a lightest set is shown.
const CAUTION: &str = "The lightest set that meets a list is no advice to carry no more. Lock what you want besides the \
     list; the forecast, the course and your own pace may ask for it. Meeting a list is not being safe: the organiser's \
     rules and stop decisions, local law and mountain rescue come first.";

/// What is asked for besides the loadout.
#[derive(Debug, Clone, Default)]
pub struct LightestOptions {
    /// The vest whose pockets hold the set; the loadout's own when absent.
    pub vest_item_id: Option<ItemId>,
    /// Items of candidate kitrooms as seen now.
    pub offered: Vec<OfferedItem>,
    /// Whether what no rule asks for keeps its place in the set, as if it were locked.
    pub keep_own_choice: bool,
}

/// Why there is no question to solve.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NoLightestSet {
    /// Nothing is demanded, in words.
    #[error("{0}")]
    NoSheet(String),
    /// The locks contradict each other, or there are too many items.
    #[error(transparent)]
    Problem(#[from] ProblemError),
}

/// The lightest set of own and offered items that meets every rule of the race's sheet, holds every locked line and fits
/// into the vest's pockets; and how it differs from the loadout as it is. Changes nothing.
///
/// `facts.items` must hold all that may be taken. The same facts and the same limit of nodes give the same answer.
///
/// # Errors
/// [`NoLightestSet`] without a valid rule sheet, for contradictory locks, or for more items than the solver takes.
pub fn lightest(
    facts: &LoadoutFacts,
    options: &LightestOptions,
    limits: &mut Limits<'_>,
) -> Result<LightestAnswer, NoLightestSet> {
    let bench = Bench::of(facts);
    let lines = layout(facts);
    let sheet = match &bench.sheet {
        Ok(sheet) => sheet,
        Err(finding) => return Err(NoLightestSet::NoSheet(finding.text.clone())),
    };
    let (judged, candidates) = judge(&bench, &lines);
    let shares = demanded(sheet, &judged.verdicts, &lines);
    let own_choice = |at: usize| lines[at].at_start() && shares[at].own == 0.0 && shares[at].water == 0.0;
    // Units that rules count on; water alone demands the vessel that holds it.
    let counted_on = |at: usize| {
        let share = if shares[at].own == 0.0 && shares[at].water > 0.0 { 1.0 } else { shares[at].own };
        share * f64::from(lines[at].units())
    };
    let keep = |at| options.keep_own_choice && own_choice(at);
    let asked = asked(facts, &bench, sheet, Laid { lines: &lines, candidates }, options, keep);
    let question = Question {
        sheet,
        race: &bench.race,
        kit: &asked.kit,
        locks: &asked.locks,
        excluded: &[],
        pockets: asked.pockets.as_deref(),
    };
    let set = lightest_set(&question, limits)?;
    let entries: Vec<LightestEntry> = set.entries.iter().map(|entry| line_of(entry, &asked)).collect();
    let swaps = if set.mass_g.is_some() { swaps(&lines, &entries, &asked, counted_on) } else { Vec::new() };
    Ok(LightestAnswer {
        status: set.status,
        mass_g: set.mass_g,
        lower_bound_g: set.lower_bound_g,
        reasons: reasons(&set, &asked),
        entries,
        blame: set.blame,
        blame_pockets: set.blame_pockets,
        blame_minimal: set.blame_minimal,
        swaps,
        caution: CAUTION.to_owned(),
    })
}

fn line_of(entry: &SetEntry, asked: &Asked<'_>) -> LightestEntry {
    let at = asked.things.iter().position(|thing| thing.id == entry.item_id);
    let thing = at.map(|at| &asked.things[at]);
    let of_item = || asked.locked.iter().filter(|line| line.body.item_id == entry.item_id);
    let carry_place = match entry.carry_place.as_str() {
        "on_body" if of_item().any(|line| line.place == CarryPlace::InHand) => CarryPlace::InHand,
        "on_body" => CarryPlace::OnBody,
        _ => CarryPlace::Stowed,
    };
    let pocket = entry.pocket_id.as_ref().filter(|_| entry.inside_item_id.is_none());
    LightestEntry {
        item_id: entry.item_id,
        item_kitroom_id: thing.and_then(|thing| thing.kitroom()),
        name: thing.map(|thing| thing.name().to_owned()).unwrap_or_default(),
        quantity: entry.quantity,
        carry_place,
        pocket_id: pocket.and_then(|id| asked.pocket_ids.iter().find(|one| one.to_string() == *id)).copied(),
        inside_item_id: entry.inside_item_id,
        fill_ml: at.and_then(|at| asked.fills[at]).map(|fill| fill.value()),
        reserve: entry.reserve || of_item().any(|line| line.reserve()),
        kept_dry: entry.kept_dry,
        locked: of_item().next().is_some(),
        mass_g: unit_g(at, asked).map(|grams| rounded(grams * f64::from(entry.quantity))),
    }
}

/// The mass of one unit with its water.
fn unit_g(at: Option<usize>, asked: &Asked<'_>) -> Option<f64> {
    asked.kit[at?].mass.map(|mass| mass.value())
}

fn rounded(grams: f64) -> f64 {
    (grams * 1000.0).round() / 1000.0
}

fn reasons(set: &LightestSet, asked: &Asked<'_>) -> Vec<LightestReason> {
    let whole = |text: &String| LightestReason { item_id: None, rule_id: None, text: text.clone() };
    let one = |reason: &crate::lightest::SetReason| LightestReason {
        item_id: Some(reason.item_id),
        rule_id: reason.rule_id.clone(),
        text: with_names(&reason.text, asked),
    };
    asked.notes.iter().map(whole).chain(set.reasons.iter().map(one)).collect()
}

/// The solver names things by their ids; people by their names.
fn with_names(text: &str, asked: &Asked<'_>) -> String {
    let mut text = text.to_owned();
    for thing in &asked.things {
        let id = thing.id.to_string();
        if text.contains(&id) {
            text = text.replace(&id, thing.name());
        }
    }
    text
}

/// Units of an item in the loadout and in the set.
#[derive(Default)]
struct Units {
    now: u32,
    /// Of those now, what rules count on.
    counted_on: f64,
    then: u32,
}

impl Units {
    /// What to change, and by how many units. Of what the set does without, the units that no rule counts on are the
    /// runner's own choice: food beyond what a rule asks for, as much as a thing that none asks for.
    fn changes(&self) -> impl Iterator<Item = (SwapSide, u32)> {
        // Shares are quotients; a unit is not demanded by the last digit of one.
        let demanded = (self.counted_on - 1e-9).ceil().max(0.0) as u32;
        let less = self.now.saturating_sub(self.then);
        let leave = less.min(demanded.saturating_sub(self.then));
        [
            (SwapSide::Take, self.then.saturating_sub(self.now)),
            (SwapSide::Leave, leave),
            (SwapSide::OwnChoice, less - leave),
        ]
        .into_iter()
        .filter(|(_, quantity)| *quantity > 0)
    }
}

fn swaps(
    lines: &[Line<'_>],
    entries: &[LightestEntry],
    asked: &Asked<'_>,
    counted_on: impl Fn(usize) -> f64,
) -> Vec<LightestSwap> {
    let mut items: BTreeMap<ItemId, Units> = BTreeMap::new();
    for (at, line) in lines.iter().enumerate().filter(|(_, line)| line.at_start()) {
        let item = items.entry(line.body.item_id).or_default();
        item.now = item.now.saturating_add(line.units());
        item.counted_on += counted_on(at);
    }
    for entry in entries {
        let item = items.entry(entry.item_id).or_default();
        item.then = item.then.saturating_add(entry.quantity);
    }
    let mut out = Vec::new();
    for (item_id, units) in items {
        let at = asked.things.iter().position(|thing| thing.id == item_id);
        let name = at.map(|at| asked.things[at].name().to_owned()).or_else(|| {
            let line = lines.iter().find(|line| line.body.item_id == item_id)?;
            line.thing.as_ref().map(|thing| thing.name().to_owned())
        });
        for (side, quantity) in units.changes() {
            out.push(LightestSwap {
                side,
                item_id,
                name: name.clone().unwrap_or_default(),
                quantity,
                mass_g: unit_g(at, asked).map(|grams| rounded(grams * f64::from(quantity))),
            });
        }
    }
    out.sort_by_key(|swap| (swap.side as u8, swap.item_id));
    out
}
