//! `tare conflict list`.

use serde_json::{Value, json};

use super::subject::{Told, tell};
use super::things::{Thing, What, things};
use crate::app::App;
use crate::error::{Kind, Result};
use crate::render::wrapped;

/// Lists what waits, with both sides.
///
/// # Errors
/// When the store cannot be read.
pub fn cmd_conflict_list(app: &mut App<'_>) -> Result<Option<Kind>> {
    let store = app.store()?;
    let room = app.room(&store)?;
    let things = things(&store, &room)?;
    let told = things.iter().map(|thing| tell(&store, &room, thing)).collect::<Result<Vec<_>>>()?;
    if app.ui.json {
        let documents: Vec<Value> =
            things.iter().zip(&told).map(|(thing, told)| as_json(thing, told)).collect();
        app.ui.json(&json!({ "waiting": documents }))?;
    } else if things.is_empty() {
        app.ui.say("nothing waits for you");
    } else {
        let blocks: Vec<String> = things.iter().zip(&told).map(|(thing, told)| block(thing, told)).collect();
        app.ui.data(&blocks.join("\n"))?;
        app.ui.say(
            "\na is shown everywhere until somebody decides. To decide one:\n  tare conflict settle NUMBER a     (or b)\n\
             To go through all of them: tare conflict settle",
        );
    }
    Ok(things.iter().any(|thing| thing.mine).then_some(Kind::Waiting))
}

/// A thing in a few lines.
pub(super) fn block(thing: &Thing, told: &Told) -> String {
    let mut text = format!("{:>2}  {}\n", thing.no, told.subject);
    text.push_str(&format!("    {}\n", wrapped(4, &told.story)));
    for (side, value, by) in [("a", &told.a, "stands"), ("b", &told.b, told.b_by.as_str())] {
        text.push_str(&format!("    {side}   {}\n", wrapped(8, &format!("{value} ({by})"))));
    }
    if !thing.mine {
        text.push_str("    waits for whoever made b, or a keeper\n");
    }
    text
}

/// A thing for a script.
pub(super) fn as_json(thing: &Thing, told: &Told) -> Value {
    let detail = match &thing.what {
        What::Conflict(body) => json!({ "conflict_id": thing.id, "conflict": body }),
        What::Refused(op) => json!({
            "op_no": op.op_no, "op_id": op.op_id, "kind": op.kind, "record_id": op.record_id, "action": op.action,
            "offered": op.payload, "done_at": op.done_at, "problem": op.problem,
        }),
        What::Lost(lost) => json!({
            "kind": lost.kind, "record_id": lost.id, "loss": lost.loss.name(), "record": lost.record,
        }),
    };
    json!({
        "number": thing.no, "sort": told.sort, "subject": told.subject, "story": told.story, "a": told.a, "b": told.b,
        "b_by": told.b_by, "mine": thing.mine, "detail": detail,
    })
}
