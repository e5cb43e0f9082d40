//! Which scale: asked once, then remembered.

use domain::kinds;
use domain::wire::scale::ScaleBody;
use domain::wire::shape;
use domain::wire::text::Name;
use uuid::Uuid;

use super::WeighArgs;
use super::session::Scale;
use crate::app::App;
use crate::commands::scale::typed_mass;
use crate::error::{Error, Result};
use crate::local::items::fold;
use crate::local::{Kitroom, Store};

const FIRST_NAME: &str = "kitchen scale";

/// The scale that is meant: the named one, else the one of the last time, else the only one, else a new one.
///
/// # Errors
/// When it is not clear which, or a new one's step is not given.
pub fn scale(app: &mut App<'_>, store: &Store, room: &Kitroom, args: &WeighArgs) -> Result<Scale> {
    let scales = known(store, room)?;
    if let Some(name) = &args.scale {
        return named(app, store, &scales, name, args.reads_to.as_deref());
    }
    if let Some(step) = &args.reads_to {
        let resolution = typed_mass("the step", step)?;
        let remembered = remembered(store, room, &scales)?;
        let fitting = remembered.iter().chain(&scales).find(|scale| scale.resolution == resolution);
        return match fitting {
            Some(scale) => Ok(scale.clone()),
            None if scales.is_empty() => new(store, FIRST_NAME, step),
            None => new(store, &format!("{FIRST_NAME} {resolution}"), step),
        };
    }
    if let Some(scale) = remembered(store, room, &scales)? {
        return Ok(scale);
    }
    match scales.as_slice() {
        [] if app.ui.can_ask => {
            let answer = app.ui.ask("your scale reads to 1 g? Enter, or its step > ")?.unwrap_or_default();
            let step = if answer.trim().is_empty() { "1" } else { answer.trim() };
            new(store, FIRST_NAME, step)
        }
        [] => Err(Error::usage("there is no scale here yet").hint("say what it reads to: --reads-to 1")),
        [one] => Ok(one.clone()),
        several => {
            let names: Vec<String> = several
                .iter()
                .map(|scale| format!("{}, reads to {}", scale.name, scale.resolution))
                .collect();
            let at = app.choose("which scale?", &names, "--scale NAME")?;
            Ok(several[at].clone())
        }
    }
}

fn known(store: &Store, room: &Kitroom) -> Result<Vec<Scale>> {
    let records = store.records(room.id, &kinds::scale::KIND)?;
    let live = records.iter().filter(|record| record.is_live());
    Ok(live
        .filter_map(|record| {
            let body: ScaleBody = shape::read(&record.body).ok()?;
            Some(Scale { id: record.id, name: body.name.into(), resolution: body.resolution_g, new: None })
        })
        .collect())
}

fn remembered(store: &Store, room: &Kitroom, scales: &[Scale]) -> Result<Option<Scale>> {
    let id = store.setting(&format!("scale.{}", room.id))?.and_then(|text| Uuid::parse_str(&text).ok());
    Ok(scales.iter().find(|scale| Some(scale.id) == id).cloned())
}

fn named(
    app: &mut App<'_>,
    store: &Store,
    scales: &[Scale],
    name: &str,
    step: Option<&str>,
) -> Result<Scale> {
    let wanted = fold(name);
    let exact = scales.iter().find(|scale| fold(&scale.name) == wanted);
    let found: Vec<&Scale> = match exact {
        Some(scale) => vec![scale],
        None => scales.iter().filter(|scale| fold(&scale.name).contains(&wanted)).collect(),
    };
    match (found.as_slice(), step) {
        ([one], _) => Ok((*one).clone()),
        ([], Some(step)) => new(store, name, step),
        ([], None) => Err(Error::usage(format!("no scale here is called {name}"))
            .hint("see: tare scale list; for a new one, add its step: --reads-to 1")),
        (several, _) => {
            let names: Vec<String> = several.iter().map(|scale| scale.name.clone()).collect();
            let at = app.choose(&format!("several scales match {name}:"), &names, "more of the name")?;
            Ok(several[at].clone())
        }
    }
}

fn new(store: &Store, name: &str, step: &str) -> Result<Scale> {
    let resolution_g = typed_mass("the step", step)?;
    if resolution_g.scaled() == 0 {
        return Err(Error::usage("the step of a scale is above 0 g").hint("as in --reads-to 1"));
    }
    let name = Name::new(name).map_err(|why| Error::usage("the scale's name").because(why))?;
    let body = ScaleBody { name, resolution_g, capacity_g: None };
    Ok(Scale { id: store.new_id(), name: body.name.to_string(), resolution: resolution_g, new: Some(body) })
}
