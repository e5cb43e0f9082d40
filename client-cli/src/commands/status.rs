//! `tare status`.

use serde_json::{Value, json};

use crate::app::App;
use crate::error::{Kind, Result};
use crate::local::{Kitroom, OutboxCounts, Place, Store, Waiting};
use crate::remote::token::Keeper;
use crate::render::count;

/// Says what is here, what is sent and what waits for a person.
///
/// # Errors
/// When the store cannot be read.
pub fn cmd_status(app: &mut App<'_>) -> Result<Option<Kind>> {
    let store = app.store()?;
    let current = store.current_kitroom()?.map(|room| room.id);
    let mut lines = Vec::new();
    let mut documents: Vec<Value> = Vec::new();
    let mut waiting = Waiting::default();
    for room in store.kitrooms()? {
        let counts = store.outbox_counts(room.id)?;
        let items = store.item_count(room.id)?;
        let here = store.waiting(room.id)?;
        waiting = waiting.plus(here);
        let used = if current == Some(room.id) { "  (in use)" } else { "" };
        lines.push(format!("{}{used}", room.name));
        lines.extend(about(&room, items, &counts, here).into_iter().map(|line| format!("  {line}")));
        documents.push(json!({
            "id": room.id, "name": room.name, "place": room.place.name(), "items": items,
            "pending": counts.pending, "unfit": counts.unfit, "acked": counts.acked, "rejected": counts.rejected,
            "conflicts": here.conflicts, "lost": here.lost, "aside": counts.aside, "base_seq": room.base_seq,
        }));
    }
    if lines.is_empty() {
        lines.push("nothing here yet; begin with: tare weigh".to_owned());
    }
    let link = link_of(app, &store)?;
    if app.ui.json {
        app.ui.json(&json!({
            "kitrooms": documents, "service": link.service, "account": link.account, "synced_at": link.synced_at,
            "token_in": link.token_in.map(Keeper::name), "waiting": waiting.all(),
        }))?;
    } else {
        lines.extend(link.words);
        app.ui.data(&(lines.join("\n") + "\n"))?;
    }
    Ok((waiting.all() > 0).then_some(Kind::Waiting))
}

/// A kitroom's lines.
fn about(room: &Kitroom, items: i64, counts: &OutboxCounts, waiting: Waiting) -> Vec<String> {
    let sending = match (room.place, counts.pending) {
        (Place::Apart, _) => "kept on this device only".to_owned(),
        (_, 0) => "nothing to send".to_owned(),
        (_, pending) => format!("{} not sent yet", count(pending, "change")),
    };
    let mut lines = vec![format!("{}; {sending}", count(items, "item"))];
    if counts.unfit > 0 {
        lines.push(format!(
            "{} of them may not fit what the service has now; sending them will show",
            count(counts.unfit, "change")
        ));
    }
    if let Some(words) = waiting.words() {
        lines.push(format!("{words}: tare conflict list"));
    }
    lines
}

/// The link as a person and a script see it.
struct Link {
    service: Option<String>,
    account: Option<String>,
    synced_at: Option<String>,
    token_in: Option<Keeper>,
    words: Vec<String>,
}

fn link_of(app: &App<'_>, store: &Store) -> Result<Link> {
    let service = store.setting("service")?;
    let account = store.setting("account")?;
    let synced_at = store.setting("synced_at")?;
    let token_in = store.setting("token_in")?.as_deref().and_then(Keeper::from_name);
    let mut words = Vec::new();
    match &service {
        None => words.push("not linked to a service; everything is on this device".to_owned()),
        Some(service) => {
            let whose = account.as_ref().map(|account| format!(" as {account}")).unwrap_or_default();
            words.push(format!("linked to {service}{whose}"));
            let when = synced_at.as_ref().map_or_else(
                || "not synced yet".to_owned(),
                |at| format!("last synced {}", at.get(..16).unwrap_or(at).replace('T', " ")),
            );
            words.push(format!("  {when}"));
            let place = token_in.map_or_else(|| "nowhere".to_owned(), |keeper| keeper.describe(app.env));
            words.push(format!("  this device's login is in {place}"));
        }
    }
    Ok(Link { service, account, synced_at, token_in, words })
}
