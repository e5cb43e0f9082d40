//! `tare trend head`.

use chrono::NaiveDate;
use domain::item_trends::{head_forecast, noon};
use domain::kinds;
use domain::rules::words::number;
use domain::time::Timestamp;
use domain::wire::head::{HeadCurvePoint, HeadForecastView};
use domain::wire::item::ItemBody;
use domain::wire::log_entry::HeadRelation;
use domain::wire::shape;
use serde_json::json;

use super::{TrendHeadArgs, picture, sentences};
use crate::app::App;
use crate::commands::when;
use crate::error::{Error, Result};
use crate::plot::{self, Point};
use crate::render;

/// What a line of the plot shows of a point.
type Reading = fn(&HeadCurvePoint) -> f64;

/// Forecasts the head of a garment.
///
/// # Errors
/// When no item or more than one matches, or the day or the limit is none.
pub fn cmd_trend_head(app: &mut App<'_>, args: &TrendHeadArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    store.freshen(room.id)?;
    let now = store.env().now();
    let on: NaiveDate = args.on.as_deref().map_or_else(|| Ok(now.utc().date_naive()), when::day)?;
    if args.limit == 0 {
        return Err(Error::usage("a limit of 0 mm asks for nothing").hint("as in --limit 10000"));
    }
    let line = app.item(&store, room.id, &args.item.join(" "))?;
    let unreadable = || Error::internal("the item cannot be read").hint("run: tare doctor");
    let record = store.record(room.id, &kinds::item::KIND, line.id)?.ok_or_else(unreadable)?;
    let item: ItemBody = shape::read(&record.body).map_err(|_| unreadable())?;
    let log = store.log_of(room.id, line.id)?;
    let forecast = head_forecast(&item, &log, now, on, f64::from(args.limit));
    if let Some(file) = &args.svg {
        picture(app, file, &domain::picture::head_svg(&forecast))?;
    }
    if app.ui.json {
        return app.ui.json(&json!(forecast));
    }
    let mut text = plotted(&forecast);
    text.push_str(&sentences(&forecast.sentences));
    if let Some(claimed) = forecast.claimed_mm {
        text.push_str(&sentences(&[format!(
            "{} mm are claimed for it; only a test is a measurement.",
            number(claimed)
        )]));
    }
    app.ui.data(&text)?;
    let rows: Vec<Vec<String>> = forecast
        .tests
        .iter()
        .map(|test| {
            let sign = match test.relation {
                HeadRelation::Exactly => "",
                HeadRelation::AtLeast => ">= ",
                HeadRelation::Below => "< ",
            };
            vec![
                render::day(&test.observed_at.to_string()).to_owned(),
                format!("{sign}{} mm", number(test.head_mm)),
                match test.used.washes {
                    1.0 => format!("{} h, 1 wash", test.used.worn_h),
                    washes => format!("{} h, {washes} washes", test.used.worn_h),
                },
                test.conditions.clone(),
                if test.counted { "yes" } else { "no" }.to_owned(),
            ]
        })
        .collect();
    if !rows.is_empty() {
        app.ui.data("\n")?;
        app.rows(&["tested on", "head", "used by then", "how", "counts"], &rows, || json!(null))?;
    }
    app.ui.data(&format!("\n{}\n", render::wrapped(0, &forecast.caution)))
}

/// The tests, the median and its lower end over the days, and the limit.
fn plotted(forecast: &HeadForecastView) -> String {
    /// Dots between two points of the curve, so that the columns of the plot are met.
    const BETWEEN: i64 = 12;
    let mut points = Vec::new();
    let lines: [(char, Reading); 2] = [('-', |point| point.low_mm), ('.', |point| point.median_mm)];
    for pair in forecast.curve.windows(2) {
        let (from, to) = (noon(pair[0].on), noon(pair[1].on));
        let dots = (0..=BETWEEN).filter_map(|dot| {
            let at =
                Timestamp::from_millis(from.millis() + (to.millis() - from.millis()) * dot / BETWEEN).ok()?;
            Some((at, dot as f64 / BETWEEN as f64))
        });
        for (at, part) in dots {
            points.push(Point { at, value: forecast.limit_mm, mark: '_' });
            for (mark, of) in lines {
                let value = of(&pair[0]) + (of(&pair[1]) - of(&pair[0])) * part;
                points.push(Point { at, value, mark });
            }
        }
    }
    points.extend(forecast.tests.iter().map(|test| Point {
        at: test.observed_at,
        value: test.head_mm,
        mark: match test.relation {
            _ if !test.counted => 'x',
            HeadRelation::Exactly => 'o',
            HeadRelation::AtLeast => '^',
            HeadRelation::Below => 'v',
        },
    }));
    let lines = plot::over_time(&points, "mm");
    if lines.is_empty() {
        return String::new();
    }
    let mut legend =
        vec!["o a test", ". the median", "- the lower end of the next test (95 % interval)", "_ the limit"];
    for (mark, words) in [('^', "^ at least"), ('v', "v below"), ('x', "x a test made in another way")] {
        if points.iter().any(|point| point.mark == mark) {
            legend.push(words);
        }
    }
    format!("{}\n{}\n\n", lines.join("\n"), render::wrapped(0, &legend.join("; ")))
}
