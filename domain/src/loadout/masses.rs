//! How heavy a loadout is.

use std::collections::BTreeSet;

use super::cuts::{Summed, shown};
use super::demanded::demanded;
use super::facts::LoadoutFacts;
use super::findings;
use super::layout::{Line, layout};
use super::race::Course;
use super::sources::Sources;
use super::verdicts::{Bench, judge};
use crate::ids::ItemId;
use crate::no_estimate::NoEstimate;
use crate::provisions::{Entry, Loadout, LoadoutCourse, Required, loadout_course};
use crate::wire::loadout_answers::{
    CarriedMasses, FindingCode, LoadoutFinding, LoadoutMass, LoadoutMassInBrief, LoadoutVerdicts, PocketMass,
};

/// How heavy a loadout is: carried over the course, in total, by reach, demanded and own choice, by what was observed
/// until `as_of`.
///
/// Masses in grams with standard uncertainties. An item's own part adds up in quadrature with those of other items, what
/// several owe to one scale, sitting, check weight or item adds up linearly (JCGM 100:2008, 5.2.2). Where one mass is a
/// label's or not known the uncertainty of the sum is not known either, and [`LoadoutMass::rests_on`] has that of the
/// weighed part. Water is 1 g a millilitre.
#[must_use]
pub fn mass(facts: &LoadoutFacts) -> LoadoutMass {
    let bench = Bench::of(facts);
    let lines = layout(facts);
    let judged = bench.sheet.is_ok().then(|| judge(&bench, &lines).0);
    let mut sources = Sources::default();
    let entries: Vec<Entry> = lines.iter().map(|line| sources.entry(line)).collect();
    weigh(&bench, &lines, &entries, judged.as_ref())
}

/// The same in brief, as a list of loadouts shows it: what is carried and the total, without any verdict.
#[must_use]
pub fn mass_in_brief(facts: &LoadoutFacts) -> LoadoutMassInBrief {
    let course = facts.race.as_ref().map(|(_, body)| Course::of(body));
    let lines = layout(facts);
    let mut sources = Sources::default();
    let entries: Vec<Entry> = lines.iter().map(|line| sources.entry(line)).collect();
    let summed = Summed { lines: &lines, entries: &entries };
    let (walked, why) = over_the_course(facts, course.as_ref(), &entries);
    LoadoutMassInBrief {
        loadout_id: facts.loadout_id,
        carried: carried(&summed, walked.as_ref(), why, facts),
        total_start_g: summed.total(),
        without_mass: unknown(&lines, &entries),
    }
}

/// Items whose mass is not known.
fn unknown(lines: &[Line<'_>], entries: &[Entry]) -> Vec<ItemId> {
    let unknown = lines.iter().zip(entries).filter(|(_, entry)| entry.mass.is_none());
    let unknown: BTreeSet<ItemId> = unknown.map(|(line, _)| line.body.item_id).collect();
    unknown.into_iter().collect()
}

/// The mass with what it needs at hand.
pub(super) fn weigh(
    bench: &Bench<'_>,
    lines: &[Line<'_>],
    entries: &[Entry],
    judged: Option<&LoadoutVerdicts>,
) -> LoadoutMass {
    let facts = bench.facts;
    let course = facts.race.as_ref().map(|(_, body)| Course::of(body));
    let summed = Summed { lines, entries };
    let (walked, why) = over_the_course(facts, course.as_ref(), entries);
    let mut found = findings::of_items(lines, bench.judged.last_day);
    found.extend(findings::of_places(facts, lines));
    if let Ok(walked) = &walked {
        let name = |leg: usize| leg_name(course.as_ref(), leg);
        found.extend(findings::of_course(&walked.findings, lines, name));
    }
    let pockets = summed.pockets();
    found.extend(pockets.iter().flat_map(too_much));
    let (demanded_g, own_choice_g) = match (&bench.sheet, judged) {
        (Ok(sheet), Some(judged)) => {
            let (asked, rest) = summed.demanded(&demanded(sheet, &judged.verdicts, lines));
            (Some(asked), Some(rest))
        }
        (Err(finding), _) => {
            found.insert(0, finding.clone());
            (None, None)
        }
        _ => (None, None),
    };
    LoadoutMass {
        as_of: facts.as_of,
        carried: carried(&summed, walked.as_ref(), why, facts),
        total_start_g: summed.total(),
        by_reach: summed.by_reach(),
        demanded_g,
        own_choice_g,
        expendable: summed.expendable(),
        places: summed.places(),
        pockets,
        rests_on: summed.rests_on(),
        without_mass: unknown(lines, entries),
        findings: found,
    }
}

/// The loadout over its course, or why that cannot be told.
pub(super) fn over_the_course(
    facts: &LoadoutFacts,
    course: Option<&Course<'_>>,
    entries: &[Entry],
) -> (Result<LoadoutCourse, NoEstimate>, Option<String>) {
    let legs = match course.map(Course::timed_legs) {
        None => Err("the loadout has no race"),
        Some(legs) => legs,
    };
    let loadout = Loadout {
        entries,
        eat_kcal_per_h: facts.loadout.eat_kcal_per_h.map_or(0.0, |rate| rate.value()),
        drink_ml_per_h: facts.loadout.drink_ml_per_h.map_or(0.0, |rate| rate.value()),
        required: Required::default(),
    };
    match legs {
        Err(why) => (Err(NoEstimate::Because(why)), Some(why.to_owned())),
        Ok(legs) => {
            let walked = loadout_course(&loadout, &legs);
            let why = walked.as_ref().err().map(ToString::to_string);
            (walked, why)
        }
    }
}

/// A leg by where it ends.
pub(super) fn leg_name(course: Option<&Course<'_>>, leg: usize) -> String {
    course
        .and_then(|course| course.legs.get(leg))
        .map_or_else(|| format!("the end of leg {}", leg + 1), |leg| leg.name.to_string())
}

fn carried(
    summed: &Summed<'_>,
    walked: Result<&LoadoutCourse, &NoEstimate>,
    why: Option<String>,
    facts: &LoadoutFacts,
) -> CarriedMasses {
    let start_g = summed.carried();
    let Ok(walked) = walked else {
        return CarriedMasses {
            start_g,
            mean_g: None,
            max_g: start_g,
            max_leg: None,
            finish_g: None,
            why_absent: why,
            assumed: None,
        };
    };
    let masses = &walked.carried;
    let maximum = masses.maximum.as_ref().ok();
    let mut assumed = Vec::new();
    let expendable = summed.expendable();
    if facts.loadout.eat_kcal_per_h.is_none() && expendable.food_g.value_g > 0.0 {
        assumed.push("nothing is eaten, since the loadout has no eat_kcal_per_h");
    }
    if facts.loadout.drink_ml_per_h.is_none() && expendable.water_g.value_g > 0.0 {
        assumed.push("nothing is drunk, since the loadout has no drink_ml_per_h");
    }
    CarriedMasses {
        start_g,
        mean_g: masses.mean.as_ref().ok().map(|mass| shown(*mass)),
        max_g: maximum.map_or(start_g, |maximum| shown(maximum.mass)),
        max_leg: maximum.map(|maximum| maximum.leg as u32 + 1),
        finish_g: masses.finish.as_ref().ok().map(|mass| shown(*mass)),
        why_absent: masses.mean.as_ref().err().map(ToString::to_string),
        assumed: (!assumed.is_empty()).then(|| assumed.join("; ")),
    }
}

/// A pocket that holds or carries less than is in it.
fn too_much(pocket: &PocketMass) -> Vec<LoadoutFinding> {
    let of = |code, text| LoadoutFinding { pocket_id: Some(pocket.pocket_id), ..findings::plain(code, text) };
    let mut found = Vec::new();
    if let (Some(used), Some(volume)) = (pocket.used_ml, pocket.volume_ml)
        && used > volume + 1e-6
    {
        let text = format!("\"{}\" holds {volume:.0} ml and {used:.0} ml are in it", pocket.name);
        found.push(of(FindingCode::PocketTooFull, text));
    }
    if let Some(cap) = pocket.mass_cap_g.filter(|cap| pocket.mass_g.value_g > cap + 1e-6) {
        let text = format!(
            "\"{}\" carries {cap:.0} g well and {:.0} g are in it",
            pocket.name, pocket.mass_g.value_g
        );
        found.push(of(FindingCode::PocketTooHeavy, text));
    }
    found
}
