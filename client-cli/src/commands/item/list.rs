//! `tare item list`.

use std::fmt::Write;

use domain::wire::item::ItemKind;
use domain::wire::log_entry::ItemState;
use serde_json::{Value, json};

use super::ItemListArgs;
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::items::{ItemRow, Wanted};
use crate::render;

/// Lists items, each with its mass, its uncertainty and what it rests on.
///
/// # Errors
/// When the store cannot be read, or there is no such kind.
pub fn cmd_item_list(app: &mut App<'_>, args: ItemListArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    if let Some(kind) = args.kind.as_deref().filter(|kind| ItemKind::from_name(kind).is_none()) {
        let known: Vec<&str> = ItemKind::ALL.iter().map(|kind| kind.name()).collect();
        return Err(
            Error::usage(format!("there is no kind {kind}")).hint(format!("one of: {}", known.join(" ")))
        );
    }
    store.freshen(room.id)?;
    let state = args.state.as_deref().map(state).transpose()?;
    let hides = !args.all && state.is_none();
    let wanted =
        Wanted { kind: args.kind, part: args.find, unweighed: args.unweighed, state, retired: args.all };
    if app.ui.json {
        let mut items: Vec<Value> = Vec::new();
        store.each_item(room.id, &wanted, |row| {
            items.push(to_json(&row));
            Ok(())
        })?;
        return app.ui.json(&json!({ "items": items }));
    }
    if app.ui.out_is_terminal {
        let mut rows = Vec::new();
        store.each_item(room.id, &wanted, |row| {
            let (mass, evidence) = render::mass_columns(row.basis, row.mass_g, row.mass_u_g, row.n);
            let name = render::cell(row.name) + &render::state_marks(row.state, row.stock);
            rows.push(vec![name, row.kind.to_owned(), mass, evidence]);
            Ok(())
        })?;
        let hidden = if hides { store.retired_count(room.id)? } else { 0 };
        match (rows.is_empty(), store.item_count(room.id)?) {
            (true, 0) => app.ui.say("nothing here yet; weigh something: tare weigh"),
            (true, _) => app.ui.say("no item here is such"),
            (false, _) => {
                app.ui.data(&render::table(&["name", "kind", "mass +- u", "evidence"], &rows))?;
            }
        }
        if hidden > 0 {
            app.ui.say(&format!("{} not shown; with them: --all", render::count(hidden, "retired item")));
        }
        return Ok(());
    }
    let mut text = String::new();
    store.each_item(room.id, &wanted, |row| {
        plain(&mut text, &row);
        Ok(())
    })?;
    app.ui.data(&text)
}

fn state(name: &str) -> Result<ItemState> {
    ItemState::from_name(&name.replace([' ', '-'], "_")).ok_or_else(|| {
        let known: Vec<&str> = ItemState::ALL.iter().map(|state| state.name()).collect();
        Error::usage(format!("there is no state {name}")).hint(format!("one of: {}", known.join(" ")))
    })
}

fn plain(text: &mut String, row: &ItemRow<'_>) {
    for part in [row.name, row.kind, row.size, row.tag] {
        if part.contains(['\t', '\n', '\r']) {
            text.push_str(&render::cell(part));
        } else {
            text.push_str(part);
        }
        text.push('\t');
    }
    for value in [row.mass_g, row.mass_u_g] {
        if let Some(value) = value {
            // A String takes everything that is written to it.
            let _ = write!(text, "{value}");
        }
        text.push('\t');
    }
    let _ = write!(text, "{}\t{}\t{}\t{}\t", row.basis, row.n, row.last_weighed_at, row.state);
    if let Some(stock) = row.stock {
        let _ = write!(text, "{stock}");
    }
    text.push('\n');
}

fn to_json(row: &ItemRow<'_>) -> Value {
    let some = |text: &str| (!text.is_empty()).then(|| text.to_owned());
    json!({
        "name": row.name, "kind": row.kind, "size": some(row.size), "tag": some(row.tag), "mass_g": row.mass_g,
        "mass_u_g": row.mass_u_g, "mass_basis": row.basis, "mass_n": row.n,
        "last_weighed_at": some(row.last_weighed_at), "state": row.state, "stock": row.stock,
    })
}
