//! `tare item pocket`: the pockets of a vest, or the space of a bag.

use clap::Args;
use domain::kinds::{item, pocket::KIND};
use domain::sync::op::{Action, OpStatus};
use domain::sync::record::Stored;
use domain::wire::item::Reach;
use domain::wire::pocket::{PocketBody, Side};
use domain::wire::shape::{self, Object};
use serde_json::{Value, json};

use crate::app::App;
use crate::commands::loadout::packed::reach_words;
use crate::commands::scale::typed_mass;
use crate::error::{Error, Result};
use crate::local::items::fold;
use crate::local::{Draft, ItemLine};
use crate::render::cell;

/// Which pocket of which vest.
#[derive(Debug, Args)]
pub struct ItemPocketArgs {
    /// The vest or bag: a part of its name or its tag.
    pub item: String,
    /// The pocket, as you call it: as in front-left. A new name makes one; left out, the pockets are listed.
    pub pocket: Option<String>,
    /// What it takes to get at what is in it: moving, at_stop or vest_off.
    #[arg(long, value_name = "REACH", value_parser = reach)]
    pub reach: Option<Reach>,
    /// What it holds, with what is in it pressed.
    #[arg(long, value_name = "ML")]
    pub volume_ml: Option<f64>,
    /// The most mass that it carries well; grams without a unit.
    #[arg(long, value_name = "MASS")]
    pub mass_cap: Option<String>,
    /// Whether it keeps rain out.
    #[arg(long, value_name = "true|false")]
    pub waterproof: Option<bool>,
    /// On which side it is: left, right or centre.
    #[arg(long, value_name = "SIDE", value_parser = side)]
    pub side: Option<Side>,
    /// A new name.
    #[arg(long, value_name = "NAME")]
    pub rename: Option<String>,
    /// Take the pocket away.
    #[arg(long)]
    pub remove: bool,
}

fn reach(text: &str) -> std::result::Result<Reach, String> {
    match text.replace(['-', ' '], "_").as_str() {
        "moving" => Ok(Reach::Moving),
        "at_stop" | "stop" => Ok(Reach::AtStop),
        "vest_off" | "off" => Ok(Reach::VestOff),
        _ => Err("one of moving, at_stop, vest_off".to_owned()),
    }
}

fn side(text: &str) -> std::result::Result<Side, String> {
    match text {
        "left" => Ok(Side::Left),
        "right" => Ok(Side::Right),
        "centre" | "center" | "middle" => Ok(Side::Centre),
        _ => Err("one of left, right, centre".to_owned()),
    }
}

/// Lists the pockets of a vest, makes one, changes one, or takes one away.
///
/// # Errors
/// When the vest is not clear, a field is not valid, or a pocket is in use that should go.
pub fn cmd_item_pocket(app: &mut App<'_>, args: &ItemPocketArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    let vest = app.item(&store, room.id, &args.item)?;
    let pockets = store.referring(room.id, &KIND, "item_id", (item::KIND.name, vest.id))?;
    let pockets: Vec<Stored> = pockets.into_iter().filter(Stored::is_live).collect();
    let Some(name) = &args.pocket else { return list(app, &vest, &pockets) };
    let called = |record: &&Stored| {
        record.body.get("name").and_then(Value::as_str).is_some_and(|known| fold(known) == fold(name))
    };
    let known = pockets.iter().find(called);
    if args.remove {
        let Some(known) = known else {
            return Err(Error::refused(format!("{} has no pocket called {name}", vest.name)).hint(see(&vest)));
        };
        let draft =
            Draft { kind: &KIND, record_id: known.id, action: Action::Delete, payload: Object::new() };
        store.act(room.id, &[draft]).map_err(|error| {
            error.hint(
                "a loadout names it; put what is in it somewhere else first, or give the pocket another name",
            )
        })?;
        return app
            .done(&format!("{}: the pocket {name} is gone", vest.name), || json!({ "removed": known.id }));
    }
    let mut payload = fields(args)?;
    let (record_id, action) = match known {
        Some(_) if payload.is_empty() => {
            return Err(Error::usage(format!(
                "{} has a pocket {name}; nothing was given to change",
                vest.name
            ))
            .hint("see: tare item pocket --help"));
        }
        Some(known) => (known.id, Action::Patch),
        None => {
            if args.reach.is_none() {
                return Err(Error::usage(format!("{} has no pocket called {name} yet", vest.name)).hint(format!(
                    "to make it, say what it takes to get at it: tare item pocket \"{}\" {name} --reach moving, \
                     at_stop or vest_off",
                    vest.name
                )));
            }
            payload.insert("item_id".to_owned(), json!(vest.id));
            payload.entry("name").or_insert_with(|| json!(name));
            (store.new_id(), Action::Create)
        }
    };
    let results = store.act(room.id, &[Draft { kind: &KIND, record_id, action, payload }])?;
    let unchanged = results.iter().all(|result| result.status == OpStatus::Noop);
    let record = store.record(room.id, &KIND, record_id)?;
    let words = record.as_ref().and_then(|record| shape::read::<PocketBody>(&record.body).ok());
    let words = words.map(|pocket| row(&pocket).join(", ")).unwrap_or_default();
    let end = if unchanged { "it was so already" } else { "saved on this device" };
    let words = words.split(", ").filter(|part| !part.is_empty()).collect::<Vec<_>>().join(", ");
    app.done(
        &format!("{}: {words}; {end}", vest.name),
        || json!({ "pocket": record.map(|record| record.to_wire()) }),
    )
}

fn see(vest: &ItemLine) -> String {
    format!("see: tare item pocket \"{}\"", vest.name)
}

fn fields(args: &ItemPocketArgs) -> Result<Object> {
    let cap = args.mass_cap.as_deref().map(|text| typed_mass("the pocket's limit", text)).transpose()?;
    if args.volume_ml.is_some_and(|volume| !volume.is_finite()) {
        return Err(Error::usage("--volume-ml must be a finite number"));
    }
    let fields = [
        ("name", args.rename.as_ref().map(|name| json!(name))),
        ("reach", args.reach.map(|reach| json!(reach))),
        ("volume_ml", args.volume_ml.map(|volume| json!(volume))),
        ("mass_cap_g", cap.map(|cap| json!(cap))),
        ("waterproof", args.waterproof.map(|waterproof| json!(waterproof))),
        ("side", args.side.map(|side| json!(side))),
    ];
    Ok(fields.into_iter().filter_map(|(field, value)| Some((field.to_owned(), value?))).collect())
}

fn list(app: &mut App<'_>, vest: &ItemLine, pockets: &[Stored]) -> Result<()> {
    let bodies: Vec<PocketBody> =
        pockets.iter().filter_map(|record| shape::read(&record.body).ok()).collect();
    if bodies.is_empty() && !app.ui.json {
        app.ui.say(&format!(
            "{} has no pockets yet; make one: tare item pocket \"{}\" front-left --reach moving --volume-ml 600",
            vest.name, vest.name
        ));
        return Ok(());
    }
    let rows: Vec<Vec<String>> = bodies.iter().map(row).collect();
    app.rows(&["pocket", "reach", "holds", "carries well", "rain", "side"], &rows, || {
        let pockets: Vec<Value> = pockets.iter().map(|record| Value::Object(record.to_wire())).collect();
        json!({ "item": { "id": vest.id, "name": vest.name }, "pockets": pockets })
    })
}

fn row(pocket: &PocketBody) -> Vec<String> {
    vec![
        cell(pocket.name.as_str()),
        reach_words(pocket.reach).to_owned(),
        pocket.volume_ml.map_or(String::new(), |volume| volume.to_string()),
        pocket.mass_cap_g.map_or(String::new(), |cap| format!("up to {cap}")),
        match pocket.waterproof {
            Some(true) => "keeps rain out".to_owned(),
            Some(false) => "lets rain in".to_owned(),
            None => String::new(),
        },
        match pocket.side {
            Some(Side::Left) => "left".to_owned(),
            Some(Side::Right) => "right".to_owned(),
            Some(Side::Centre) => "centre".to_owned(),
            None => String::new(),
        },
    ]
}
