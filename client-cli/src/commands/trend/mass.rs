//! `tare trend mass`.

use domain::ids::ItemId;
use domain::item_trends::mass_trend;
use domain::kinds;
use domain::mass::ItemFacts;
use domain::time::Timestamp;
use domain::wire::mass_trend::MassTrendView;
use serde_json::json;

use super::{TrendMassArgs, picture, sentences};
use crate::app::App;
use crate::error::{Error, Result};
use crate::plot::{self, Point};
use crate::render;

/// Shows how the mass of an item has moved.
///
/// # Errors
/// When no item or more than one matches.
pub fn cmd_trend_mass(app: &mut App<'_>, args: &TrendMassArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    store.freshen(room.id)?;
    let line = app.item(&store, room.id, &args.item.join(" "))?;
    let unreadable = || Error::internal("the item cannot be read").hint("run: tare doctor");
    let record = store.record(room.id, &kinds::item::KIND, line.id)?.ok_or_else(unreadable)?;
    let facts = ItemFacts::from_record(&record).ok_or_else(unreadable)?;
    let id = ItemId::new(line.id).map_err(|_| unreadable())?;
    let (weighings, evidence) = store.evidence(room.id)?;
    let trend = mass_trend(&line.name, id, facts, &weighings, &evidence);
    if let Some(file) = &args.svg {
        picture(app, file, &domain::picture::mass_svg(&trend))?;
    }
    if app.ui.json {
        return app.ui.json(&json!(trend));
    }
    let mut text = plotted(&trend);
    text.push_str(&sentences(&trend.sentences));
    text.push_str(&sentences(&trend.refusals));
    app.ui.data(&text)
}

/// The sittings over time, with the line of a steady change.
fn plotted(trend: &MassTrendView) -> String {
    /// How many dots the line has.
    const DOTS: i64 = 25;
    let mut points = Vec::new();
    let ends = trend.points.first().zip(trend.points.last());
    if let (Some(slope), Some((first, last))) = (&trend.slope, ends) {
        let (from, span) = (first.at.millis(), last.at.millis() - first.at.millis());
        points.extend((0..=DOTS).filter_map(|dot| {
            let at = Timestamp::from_millis(from + span * dot / DOTS).ok()?;
            let part = dot as f64 / DOTS as f64;
            let value = slope.at_first_g + (slope.at_last_g - slope.at_first_g) * part;
            Some(Point { at, value, mark: '.' })
        }));
    }
    points.extend(trend.points.iter().map(|point| Point {
        at: point.at,
        value: point.mass_g,
        mark: if point.checked { 'o' } else { 'u' },
    }));
    let lines = plot::over_time(&points, "g");
    if lines.is_empty() {
        return String::new();
    }
    let mut legend = Vec::new();
    if trend.points.iter().any(|point| point.checked) {
        legend.push("o a sitting with a check weight");
    }
    if trend.points.iter().any(|point| !point.checked) {
        legend.push("u one without");
    }
    if trend.slope.is_some() {
        legend.push(". the median slope");
    }
    format!("{}\n{}\n\n", lines.join("\n"), render::wrapped(0, &legend.join("; ")))
}
