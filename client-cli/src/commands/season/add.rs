//! `tare season add`.

use chrono::NaiveDate;
use domain::kinds::season::KIND;
use domain::wire::season::SeasonBody;
use domain::wire::text::{Name, Note};
use serde_json::json;

use super::{SeasonAddArgs, list};
use crate::app::App;
use crate::commands::when;
use crate::error::{Error, Result};
use crate::local::Draft;
use crate::render;

/// Adds a season.
///
/// # Errors
/// When its days are not clear or out of order, or there is one of this name.
pub fn cmd_season_add(app: &mut App<'_>, args: &SeasonAddArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room_or_first(&mut store, None)?;
    let refused = |why: String| Error::usage("the season was not added").because(why);
    let name = Name::new(&args.name).map_err(|why| refused(format!("its name {why}")))?;
    let year = name.as_str().parse::<i32>().ok().filter(|year| (1970..=9999).contains(year));
    let day = |given: &Option<String>, month, day_of_month, which: &str| match given {
        Some(text) => when::day(text),
        None => year.and_then(|year| NaiveDate::from_ymd_opt(year, month, day_of_month)).ok_or_else(|| {
            refused(format!("its {which} day is missing")).hint("give --from DATE and --to DATE")
        }),
    };
    let body = SeasonBody {
        from_on: day(&args.from, 1, 1, "first")?,
        to_on: day(&args.to, 12, 31, "last")?,
        notes: args
            .notes
            .as_deref()
            .map(Note::new)
            .transpose()
            .map_err(|why| refused(format!("its note {why}")))?,
        name,
    };
    let seasons = list::seasons(&store, room.id)?;
    if seasons.iter().any(|(_, known)| known.name == body.name) {
        return Err(refused(format!("there is a season {} already", body.name)).hint("see: tare season list"));
    }
    let id = store.new_id();
    store.act(room.id, &[Draft::make(&KIND, id, &body)?])?;
    let over = seasons
        .iter()
        .filter(|(_, known)| known.from_on <= body.to_on && body.from_on <= known.to_on)
        .map(|(_, known)| known.name.to_string())
        .collect::<Vec<_>>();
    let days = (body.to_on - body.from_on).num_days() + 1;
    let mut words = format!(
        "season {}: {} to {}, {}; saved on this device",
        body.name,
        body.from_on,
        body.to_on,
        render::count(days, "day")
    );
    if !over.is_empty() {
        words
            .push_str(&format!("\nit shares days with {}; a race on such a day is in both", over.join(", ")));
    }
    app.done(&words, || json!({ "id": id, "season": body, "days": days, "shares_days_with": over }))
}
