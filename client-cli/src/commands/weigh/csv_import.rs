//! `tare weigh --csv FILE`: the weighings of a table, all of them or none.

use std::collections::{BTreeMap, HashMap};
use std::fs::File;
use std::path::Path;

use domain::ids::SittingId;
use domain::kinds;
use domain::time::Timestamp;
use domain::wire::sitting::SittingBody;
use domain::wire::sync::MAX_OPS;
use domain::wire::text::Note;
use domain::wire::weighing::{Source, WeighingBody};
use serde_json::json;
use uuid::Uuid;

use super::session::{Scale, Target, broken, scale_id, weighing_body};
use super::taken::Taken;
use super::{WeighArgs, pick, unit};
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::{Draft, Kitroom, Store};
use crate::render::count;
use crate::scale::csv_file::{BadCell, ColumnMapping, CsvRefusal, CsvRow, read_csv};

/// Takes a file in.
///
/// # Errors
/// With every bad row, when there is one; then nothing is stored.
pub fn import(
    app: &mut App<'_>,
    store: &mut Store,
    room: &Kitroom,
    scale: &Scale,
    args: &WeighArgs,
    file: &Path,
) -> Result<()> {
    let mut mapping = ColumnMapping::default();
    for text in &args.map {
        mapping.add(text).map_err(|why| Error::usage("the columns are not clear").because(why))?;
    }
    let shown = file.display();
    let open =
        File::open(file).map_err(|error| Error::usage(format!("{shown} cannot be opened")).because(error))?;
    let rows = read_csv(open, &mapping, unit(args)?).map_err(|refusal| refused(&refusal))?;
    let mut plan = Plan::new(scale, args)?;
    let mut bad = Vec::new();
    for row in &rows {
        if let Some(why) = plan.add(store, room, row)? {
            let value = row.reading.raw.clone();
            bad.push(BadCell { line: row.line, column: row.item.clone(), value, why });
        }
    }
    if !bad.is_empty() {
        return Err(refused(&CsvRefusal::Rows { rows: rows.len(), bad }));
    }
    let drafts = plan.drafts()?;
    if drafts.len() > MAX_OPS {
        return Err(Error::refused("nothing was taken in")
            .because(format!("the file makes {} records, and one step makes at most {MAX_OPS}", drafts.len()))
            .hint("split it into files of at most some hundred rows"));
    }
    if rows.is_empty() {
        return Err(Error::refused("nothing was taken in").because("the file has no rows below its header"));
    }
    store.act(room.id, &drafts)?;
    let (weighings, made, days) = (rows.len() as i64, plan.made.len() as i64, plan.sittings.len() as i64);
    let words = format!(
        "{} taken in from {shown}, in {}, with {} made; nothing sent yet",
        count(weighings, "weighing"),
        count(days, "sitting"),
        count(made, "item")
    );
    app.done(&words, || json!({ "weighings": weighings, "sittings": days, "items_made": made }))
}

fn refused(refusal: &CsvRefusal) -> Error {
    let text = refusal.to_string();
    let (what, why) = text.split_once(": ").unwrap_or((&text, ""));
    Error::refused(what).because(why).hint("mend the rows and take the file in again")
}

/// What the rows come to.
struct Plan<'a> {
    scale: &'a Scale,
    args: &'a WeighArgs,
    /// By day, so that the readings of two days are not taken for repeats of one sitting.
    sittings: BTreeMap<i64, (SittingId, Timestamp)>,
    /// New items by their folded name.
    made: HashMap<String, (Uuid, Draft)>,
    weighings: Vec<Draft>,
}

impl<'a> Plan<'a> {
    fn new(scale: &'a Scale, args: &'a WeighArgs) -> Result<Self> {
        pick::kind(args.kind.as_deref())?;
        Ok(Self { scale, args, sittings: BTreeMap::new(), made: HashMap::new(), weighings: Vec::new() })
    }

    /// Adds a row; answers what is wrong with it.
    fn add(&mut self, store: &mut Store, room: &Kitroom, row: &CsvRow) -> Result<Option<String>> {
        let now = store.env().now();
        let at = row.observed_at.unwrap_or(now);
        let day = at.millis().div_euclid(86_400_000);
        let kind = pick::kind(self.args.kind.as_deref())?;
        let target = match pick::named_exactly(store, room.id, &row.item, kind) {
            Ok(target) => target,
            Err(error) => return Ok(Some(one_line(&error))),
        };
        let (item, maker) = match target {
            Target::There { id, .. } => (id, None),
            Target::New { .. } if !self.args.new => {
                return Ok(Some("no item here has this name or tag; to make it, add --new".to_owned()));
            }
            Target::New { name, kind } => {
                let folded = crate::local::items::fold(&name);
                match self.made.get(&folded) {
                    Some((id, draft)) => (*id, Some((folded, draft.clone()))),
                    None => {
                        let id = store.new_id();
                        let payload = json!({ "name": name, "kind": kind });
                        (id, Some((folded, Draft::make(&kinds::item::KIND, id, &payload)?)))
                    }
                }
            }
        };
        let (sitting, from) = match self.sittings.get(&day) {
            Some((id, from)) => (*id, at.min(*from)),
            None => (SittingId::new(store.new_id()).map_err(broken)?, at),
        };
        let body = match body(self.scale, sitting, row, item, at) {
            Ok(body) => body,
            Err(error) => return Ok(Some(one_line(&error))),
        };
        let weighing = Draft::make(&kinds::weighing::KIND, store.new_id(), &body)?;
        // Each row is decided on its own, so that every bad one is told.
        let mut alone = self.opening(&[(sitting, from)])?;
        alone.extend(maker.iter().map(|(_, draft)| draft.clone()));
        alone.push(weighing.clone());
        if let Some(error) = store.refusal(room.id, &alone)? {
            return Ok(Some(one_line(&error)));
        }
        self.sittings.insert(day, (sitting, from));
        if let Some((folded, draft)) = maker {
            self.made.insert(folded, (item, draft));
        }
        self.weighings.push(weighing);
        Ok(None)
    }

    /// The scale when it is new, and sittings.
    fn opening(&self, sittings: &[(SittingId, Timestamp)]) -> Result<Vec<Draft>> {
        let mut drafts = Vec::new();
        if let Some(body) = &self.scale.new {
            drafts.push(Draft::make(&kinds::scale::KIND, self.scale.id, body)?);
        }
        for (id, started_at) in sittings {
            let body = SittingBody { scale_id: scale_id(self.scale)?, started_at: *started_at, note: None };
            drafts.push(Draft::make(&kinds::sitting::KIND, id.uuid(), &body)?);
        }
        Ok(drafts)
    }

    fn drafts(&self) -> Result<Vec<Draft>> {
        let sittings: Vec<(SittingId, Timestamp)> = self.sittings.values().copied().collect();
        let mut drafts = self.opening(&sittings)?;
        drafts.extend(self.made.values().map(|(_, draft)| draft.clone()));
        drafts.extend(self.weighings.iter().cloned());
        Ok(drafts)
    }
}

fn body(scale: &Scale, sitting: SittingId, row: &CsvRow, item: Uuid, at: Timestamp) -> Result<WeighingBody> {
    let taken = Taken::read(&row.reading, Source::Csv)?;
    let mut body = weighing_body(Some(sitting), scale, &taken, item, at)?;
    body.tare_g = row.tare.as_ref().map(|tare| tare.reading);
    (body.units, body.lifts) = (row.units, row.lifts);
    (body.wetness, body.fill) = (row.wetness, row.fill);
    let note = row.note.as_deref().map(Note::new).transpose();
    body.note = note.map_err(|why| Error::usage("the note").because(why))?;
    Ok(body)
}

fn one_line(error: &Error) -> String {
    match &error.why {
        Some(why) => why.clone(),
        None => error.what.clone(),
    }
}
