//! The verdicts on a loadout.

use super::candidates::{Judged, offered};
use super::facts::LoadoutFacts;
use super::findings;
use super::head::When;
use super::layout::{Line, layout};
use super::race::{Course, Dark, asks_for_the_dark};
use crate::rules::{CAUTION, Candidate, Race, RuleSheet, Verdict, check, validate};
use crate::time_zone::day;
use crate::wire::loadout_answers::{
    FindingCode, JudgedSheet, LoadoutFinding, LoadoutVerdicts, RuleVerdict, VerdictCounts,
};

/// What judging needs: the valid sheet, the race, and the days of the race.
pub(super) struct Bench<'a> {
    pub facts: &'a LoadoutFacts,
    pub sheet: Result<RuleSheet, LoadoutFinding>,
    pub race: Race,
    pub judged: Judged<'a>,
}

impl<'a> Bench<'a> {
    pub fn of(facts: &'a LoadoutFacts) -> Self {
        let sheet = sheet(facts);
        let course = facts.race.as_ref().map(|(_, body)| Course::of(body));
        let dark: Option<Dark> = match (&course, &sheet) {
            (Some(course), Ok(sheet)) if asks_for_the_dark(sheet) => course.dark().ok(),
            _ => None,
        };
        let today = day(facts.as_of, facts.zone());
        let race = course.map_or_else(|| Race::unknown(today), |c| c.for_rules(facts.as_of, dark.as_ref()));
        let start = facts.race.as_ref().and_then(|(_, race)| race.starts_at);
        let when = When { as_of: facts.as_of, on: start.unwrap_or(facts.as_of) };
        let last_day = race.finish_on.or(race.starts_on).unwrap_or(today);
        Self { facts, sheet, race, judged: Judged { last_day, zone: facts.zone(), when } }
    }
}

/// The sheet, or why there is none to judge by.
fn sheet(facts: &LoadoutFacts) -> Result<RuleSheet, LoadoutFinding> {
    let finding = |code, text: String| findings::plain(code, text);
    let Some((_, race)) = &facts.race else {
        let text =
            "the loadout has no race, or its race is deleted: nothing is demanded of it; name one in race_id";
        return Err(finding(FindingCode::NoRace, text.into()));
    };
    let Some(known) = &facts.sheet else {
        let text = format!("{} has no rule sheet, or it is deleted: there is nothing to judge by", race.name);
        return Err(finding(FindingCode::NoRuleSheet, text));
    };
    let sheet = known.body.sheet();
    match validate(&sheet) {
        Ok(()) => Ok(sheet),
        Err(problems) => {
            let why = problems.first().map(|problem| problem.message.clone()).unwrap_or_default();
            let text = format!("the rule sheet {} cannot be judged by: {why}", known.body.name);
            Err(finding(FindingCode::SheetInvalid, text))
        }
    }
}

/// The verdicts on a loadout, in the order of its race's sheet, by what was observed until `as_of`.
///
/// What is not known, stale or too close to a limit is NOT SHOWN; what is retired, quarantined or expired never counts,
/// and the note says so; what is watched counts. Without a sheet there are no verdicts and a finding says why.
#[must_use]
pub fn verdicts(facts: &LoadoutFacts) -> LoadoutVerdicts {
    let bench = Bench::of(facts);
    judge(&bench, &layout(facts)).0
}

/// The verdicts with the candidates behind them.
pub(super) fn judge(bench: &Bench<'_>, lines: &[Line<'_>]) -> (LoadoutVerdicts, Vec<Candidate>) {
    let (candidates, offers) = offered(lines, bench.judged);
    let mut answer = LoadoutVerdicts {
        as_of: bench.facts.as_of,
        rule_sheet: None,
        verdicts: Vec::new(),
        counts: VerdictCounts::default(),
        findings: findings::of_items(lines, bench.judged.last_day),
        caution: CAUTION.to_owned(),
    };
    let sheet = match &bench.sheet {
        Ok(sheet) => sheet,
        Err(finding) => {
            answer.findings.insert(0, finding.clone());
            return (answer, candidates);
        }
    };
    answer.rule_sheet = bench.facts.sheet.as_ref().map(|known| JudgedSheet {
        id: known.id,
        name: known.body.name.as_str().to_owned(),
        edition: known.body.edition.as_ref().map(|edition| edition.as_str().to_owned()),
        version: known.version,
    });
    let views = check(sheet, &candidates, &offers, &bench.race).verdicts;
    for (rule, view) in sheet.rules.iter().zip(views) {
        let count = match view.verdict {
            Verdict::Met => &mut answer.counts.met,
            Verdict::NotMet => &mut answer.counts.not_met,
            Verdict::NotShown => &mut answer.counts.not_shown,
            Verdict::NotApplicable => &mut answer.counts.not_applicable,
        };
        *count += 1;
        answer.verdicts.push(RuleVerdict { title: rule.title.clone(), wording: rule.wording.clone(), view });
    }
    (answer, candidates)
}
