//! `tare conflict list`.

use domain::kinds;
use domain::wire::problem::ErrorCode;
use serde_json::{Value, json};

use crate::app::App;
use crate::error::{Kind, Result, reasons};
use crate::local::{Kitroom, OutboxOp, State, Store};

/// Lists what the service refused, with what was offered here and what stands there.
///
/// # Errors
/// When the store cannot be read.
pub fn cmd_conflict_list(app: &mut App<'_>) -> Result<Option<Kind>> {
    let store = app.store()?;
    let room = app.room(&store)?;
    let refused = store.outbox(room.id, &[State::Rejected])?;
    let mut rows = Vec::new();
    let mut documents = Vec::new();
    for op in &refused {
        for (field, offered, stands) in values(op) {
            rows.push(vec![
                op.op_no.to_string(),
                subject(&store, &room, op)?,
                field,
                offered,
                stands,
                why(op),
            ]);
        }
        documents.push(json!({
            "op_no": op.op_no, "op_id": op.op_id, "kind": op.kind, "record_id": op.record_id, "action": op.action,
            "offered": op.payload, "done_at": op.done_at, "problem": op.problem,
        }));
    }
    if refused.is_empty() && !app.ui.json {
        app.ui.say("nothing waits for you");
        return Ok(None);
    }
    app.rows(&["no", "of", "field", "yours", "there", "why"], &rows, || json!({ "refused": documents }))?;
    if !refused.is_empty() && !app.ui.json {
        app.ui.say(
            "what stands there is shown everywhere. To have yours, make the change again; to let it be: tare conflict \
             drop NO",
        );
    }
    Ok((!refused.is_empty()).then_some(Kind::Waiting))
}

/// What the op is about, in words.
fn subject(store: &Store, room: &Kitroom, op: &OutboxOp) -> Result<String> {
    let name =
        |body: &domain::wire::shape::Object| body.get("name").and_then(Value::as_str).map(str::to_owned);
    let stored = match kinds::kind(&op.kind) {
        Some(kind) => store.record(room.id, kind, op.record_id)?.and_then(|record| name(&record.body)),
        None => None,
    };
    let label = stored.or_else(|| name(&op.payload));
    let kind = op.kind.replace('_', " ");
    Ok(label.map_or_else(|| format!("{kind}, {}", op.action.name()), |label| format!("{kind} {label}")))
}

/// (field, what was offered, what stands) of each field that the op touches.
fn values(op: &OutboxOp) -> Vec<(String, String, String)> {
    let current =
        op.problem.as_ref().and_then(|problem| problem.more.get("current")).and_then(Value::as_object);
    let text = |value: Option<&Value>| match value {
        None | Some(Value::Null) => "-".to_owned(),
        Some(Value::String(text)) => text.clone(),
        Some(other) => other.to_string(),
    };
    let is_patch = op.action == domain::sync::op::Action::Patch;
    if !is_patch || op.payload.is_empty() {
        return vec![(String::new(), op.action.name().to_owned(), text(current.and_then(|c| c.get("name"))))];
    }
    op.payload
        .iter()
        .map(|(field, value)| (field.clone(), text(Some(value)), text(current.and_then(|c| c.get(field)))))
        .collect()
}

fn why(op: &OutboxOp) -> String {
    match &op.problem {
        Some(problem) if problem.code() == Some(ErrorCode::ConflictPending) => {
            "changed by someone else".to_owned()
        }
        Some(problem) => reasons(problem),
        None => "refused".to_owned(),
    }
}
