//! What is worth saying after an entry: what it leaves open, and what is predicted from now on.

use domain::kinds;
use domain::rules::Evidence;
use domain::rules::words::number;
use domain::waterproofness::Relation;
use domain::wear_history::{SeriesTest, head_on, test_series, worn_until};
use domain::wire::item::ItemBody;
use domain::wire::log_entry::{HeadRelation, ItemState, LogEntryBody, LogEvent};
use domain::wire::shape::{self, Object};
use serde_json::json;
use uuid::Uuid;

use crate::error::Result;
use crate::local::{ItemLine, Store};
use crate::render;

/// What is said, and the same for programs.
#[derive(Debug, Default)]
pub struct Advice {
    /// Sentences.
    pub lines: Vec<String>,
    /// Fields of the JSON document.
    pub document: Object,
}

/// The use as logged, and the head that the tests predict now: by the same function that verdicts ask.
fn predict(store: &Store, room: Uuid, event: LogEvent, line: &ItemLine, advice: &mut Advice) -> Result<()> {
    let Some(record) = store.record(room, &kinds::item::KIND, line.id)? else { return Ok(()) };
    let Ok(item) = shape::read::<ItemBody>(&record.body) else { return Ok(()) };
    let now = store.env().now();
    let log = store.log_of(room, line.id)?;
    let used = worn_until(&log, now).logged;
    let tests = test_series(&log, now);
    // What bounds alone say takes integrals that would keep one waiting after each entry.
    let exact = |test: &SeriesTest| test.test.relation == Relation::Exact;
    let has_exact = tests.iter().flat_map(|series| &series.tests).any(exact);
    let seen = if has_exact { head_on(&item, &log, now, now).seen() } else { None };
    advice.document.insert("used".to_owned(), json!(used));
    let washes = if used.washes == 1.0 { "1 wash".to_owned() } else { format!("{} washes", used.washes) };
    if event != LogEvent::HeadTest {
        advice.lines.push(format!("{} h worn and {washes} in all, as logged", used.worn_h));
    }
    advice.document.insert("head".to_owned(), json!(seen));
    if let Some(seen) = seen {
        let upper = seen.high_mm.map_or_else(|| "more".to_owned(), number);
        let how = if seen.evidence == Evidence::Measured { "measured" } else { "predicted" };
        let weakest = if tests.len() > 1 {
            format!(", the weakest of the {} ways in which it was tested", tests.len())
        } else {
            String::new()
        };
        advice.lines.push(format!(
            "head now, as {how}: {} mm, 19 of 20 next tests between {} and {upper} mm; from {} and this use{weakest}",
            number(seen.median_mm),
            number(seen.low_mm),
            render::count(seen.n, "head test")
        ));
        advice
            .lines
            .push(format!("for a day and a limit: tare trend head {} --on DATE --limit MM", line.name));
    } else if !tests.is_empty() && !has_exact {
        advice.lines.push(format!(
            "only bounds so far, and no head is predicted here; what they say: tare trend head {}",
            line.name
        ));
    } else if !tests.is_empty() {
        advice.lines.push("its head tests say too little to predict its head".to_owned());
    }
    Ok(())
}

/// What is worth saying after `entry`, with the item as it was before and as it is now.
///
/// # Errors
/// When the store cannot be read.
pub fn after(
    store: &Store,
    room: Uuid,
    entry: &LogEntryBody,
    before: &ItemLine,
    now: &ItemLine,
) -> Result<Advice> {
    let mut advice = Advice::default();
    let name = &now.name;
    let usable = |state: ItemState| state <= ItemState::OnWatch;
    match entry.event {
        LogEvent::Use if !usable(before.state.state) => {
            let state = before.state.state.name();
            advice.lines.push(format!("it was {state} when this was logged, and should not have been used"));
        }
        LogEvent::Damage if usable(now.state.state) => {
            advice
                .lines
                .push(format!("to keep it out of use until it is repaired: tare log quarantine {name}"));
        }
        LogEvent::Inspection if entry.grade == Some(1) && usable(now.state.state) => {
            advice.lines.push(format!(
                "grade 1 is not to be used; to keep it out of use: tare log quarantine {name}"
            ));
        }
        LogEvent::Reproof => {
            advice.lines.push("this restores the spray grade, not the head".to_owned());
        }
        LogEvent::HeadTest => match entry.relation {
            Some(HeadRelation::AtLeast) => {
                advice.lines.push("no water came through: a bound, not the head itself".to_owned());
            }
            Some(HeadRelation::Below) => {
                advice.lines.push("it leaked before that: a bound, not the head itself".to_owned());
            }
            _ => {}
        },
        _ => {}
    }
    if matches!(entry.event, LogEvent::HeadTest | LogEvent::Use | LogEvent::Wash) {
        predict(store, room, entry.event, now, &mut advice)?;
    }
    if now.state.state_contested {
        advice.lines.push(format!(
            "people judged it differently without having seen each other's entry; the stricter one holds: \
             tare log show {name}"
        ));
    }
    Ok(advice)
}
