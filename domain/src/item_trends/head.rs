//! The head of an item on a day, against a limit.

use chrono::{NaiveDate, NaiveTime};

use crate::no_estimate::NoEstimate;
use crate::rules::words::number;
use crate::time::Timestamp;
use crate::waterproofness::Relation;
use crate::wear::{HEAD_LEVEL, HeadForecast, UsePoint, WearAnswer, WearMethod};
use crate::wear_history::{HeadOn, LogFact, head_on, worn_until};
use crate::wire::head::{HeadCurvePoint, HeadEstimate, HeadForecastView, HeadTestView, UseView};
use crate::wire::item::ItemBody;
use crate::wire::log_entry::HeadRelation;

/// Points of the curve.
const CURVE: i64 = 40;
/// The same where bounds make each point take double integrals.
const CURVE_WITH_BOUNDS: i64 = 12;

/// What a forecast is not.
const CAUTION: &str = "A forecast is not a test, and a head is not a promise to stay dry: test the garment before the \
                       race. What the organiser's rules ask for is for the organiser to say.";

/// The middle of a day in UTC: the instant at which a day's head is taken.
#[must_use]
pub fn noon(on: NaiveDate) -> Timestamp {
    Timestamp::from_utc((on.and_time(NaiveTime::MIN) + chrono::Duration::hours(12)).and_utc())
}

fn use_view(at: UsePoint) -> UseView {
    let rounded = |value: f64| (value * 10.0).round() / 10.0;
    UseView { worn_h: rounded(at.worn_h), washes: rounded(at.washes) }
}

/// The head on a day against a limit in millimetres, from the item's log as it was known at `as_of`; see [`head_on`] for
/// what it rests on.
#[must_use]
pub fn head_forecast(
    item: &ItemBody,
    log: &[LogFact],
    as_of: Timestamp,
    on: NaiveDate,
    limit_mm: f64,
) -> HeadForecastView {
    let then = noon(on);
    let known = as_of.min(then);
    let head = head_on(item, log, as_of, then);
    let answer = head.against(limit_mm);
    let (estimate, why_none) = match &answer {
        Ok(answer) => (Some(estimate(answer, &head)), None),
        Err(reason) => (None, Some(refusal(reason))),
    };
    let mut tests: Vec<HeadTestView> = Vec::new();
    for (index, series) in head.series.iter().enumerate() {
        tests.extend(series.tests.iter().map(|one| HeadTestView {
            observed_at: one.observed_at,
            used: use_view(one.test.at),
            head_mm: one.test.head_mm,
            relation: match one.test.relation {
                Relation::Exact => HeadRelation::Exactly,
                Relation::AtLeast => HeadRelation::AtLeast,
                Relation::Below => HeadRelation::Below,
            },
            conditions: series.conditions.words(),
            counted: head.deciding == Some(index),
        }));
    }
    tests.sort_by_key(|test| test.observed_at);
    let curve = curve(&head, log, known, then);
    let mut view = HeadForecastView {
        name: item.name.as_str().to_owned(),
        on,
        limit_mm,
        used: use_view(head.used.logged),
        used_then: use_view(head.use_then),
        claimed_mm: item.head_mm.map(|head| head.value()),
        estimate,
        why_none,
        tests,
        curve,
        sentences: Vec::new(),
        caution: CAUTION.to_owned(),
    };
    view.sentences = sentences(&view);
    view
}

fn estimate(answer: &WearAnswer, head: &HeadOn) -> HeadEstimate {
    let HeadForecast { median_mm, low_mm, high_mm, level, method, n, censored, .. } = answer.head;
    let (hours_left, why_no_hours) = match &answer.life {
        Ok(life) => (Some((life.left_h * 10.0).round() / 10.0), None),
        Err(reason) => (None, Some(reason.to_string())),
    };
    let conditions = head.deciding.and_then(|at| head.series.get(at)).map(|series| series.conditions.words());
    HeadEstimate {
        median_mm: median_mm.round(),
        low_mm: low_mm.round(),
        high_mm: high_mm.round(),
        level,
        p_at_least: answer.p_at_least,
        p_next_at_least: answer.p_next_at_least,
        hours_left,
        why_no_hours,
        n: n as u32,
        censored: censored as u32,
        method: match method {
            WearMethod::LeastSquares => "least_squares",
            WearMethod::CensoredLikelihood => "censored_likelihood",
            WearMethod::ConjugatePrior => "conjugate_prior",
            WearMethod::IntegratedPrior => "integrated_prior",
        }
        .to_owned(),
        conditions: conditions.unwrap_or_default(),
        extrapolated: answer.head.extrapolated,
        mostly_assumption: answer.head.mostly_assumption,
        assumption: answer.assumption.as_ref().map(|(_, note)| note.clone()),
    }
}

fn refusal(reason: &NoEstimate) -> String {
    match reason {
        NoEstimate::TooFew { got: 0, .. } => {
            "No head test is logged, and a label alone predicts nothing: test it and log the test.".to_owned()
        }
        other => format!("No forecast: {other}."),
    }
}

fn curve(head: &HeadOn, log: &[LogFact], known: Timestamp, then: Timestamp) -> Vec<HeadCurvePoint> {
    let (Ok((fitted, now)), Some(deciding)) = (&head.estimate, head.deciding) else { return Vec::new() };
    let steps =
        if now.method == WearMethod::IntegratedPrior && now.censored > 0 { CURVE_WITH_BOUNDS } else { CURVE };
    let Some(first) = head.series[deciding].tests.first().map(|test| test.observed_at) else {
        return Vec::new();
    };
    let mut days: Vec<Timestamp> = (0..=steps)
        .filter_map(|step| {
            let ms = first.millis() + (then.millis() - first.millis()) * step / steps;
            Timestamp::from_millis(ms).ok()
        })
        .collect();
    days.dedup();
    let point = |at: Timestamp| {
        let used =
            if at <= known { worn_until(log, at).logged } else { head.used.after_days(at.days_since(known)) };
        let head = fitted.model.forecast(used, HEAD_LEVEL).ok()?;
        Some(HeadCurvePoint {
            on: at.utc().date_naive(),
            worn_h: (used.worn_h * 10.0).round() / 10.0,
            median_mm: head.median_mm.round(),
            low_mm: head.low_mm.round(),
            high_mm: head.high_mm.round(),
        })
    };
    let mut points: Vec<HeadCurvePoint> = days.into_iter().filter_map(point).collect();
    points.dedup_by_key(|point| point.on);
    points
}

/// A probability that neither claims certainty nor hides it.
fn chance(p: f64) -> String {
    match p {
        _ if p > 0.995 => "more than 99 %".to_owned(),
        _ if p < 0.005 => "less than 1 %".to_owned(),
        _ => format!("{:.0} %", p * 100.0),
    }
}

fn sentences(view: &HeadForecastView) -> Vec<String> {
    let mut out = Vec::new();
    let Some(found) = &view.estimate else {
        out.extend(view.why_none.clone());
        return out;
    };
    out.push(format!(
        "{} on {}: {} mm, and {} of 20 next tests between {} and {} mm; {} sure to hold {} mm.",
        view.name,
        view.on,
        number(found.median_mm),
        (found.level * 20.0).round(),
        number(found.low_mm),
        number(found.high_mm),
        chance(found.p_at_least),
        number(view.limit_mm)
    ));
    out.push(match (found.hours_left, &found.why_no_hours) {
        (Some(0.0), _) => format!("It is not 95 % sure to hold {} mm now.", number(view.limit_mm)),
        (Some(hours), _) => format!(
            "It has {} h of wear left until it is no longer 95 % sure to hold {} mm.",
            number(hours.round()),
            number(view.limit_mm)
        ),
        (None, Some(why)) => format!("Hours left cannot be told: {why}."),
        (None, None) => "Hours left cannot be told.".to_owned(),
    });
    let bounds = match found.censored {
        0 => String::new(),
        1 => ", 1 of them a bound".to_owned(),
        n => format!(", {n} of them bounds"),
    };
    let until = view.used_then.worn_h - view.used.worn_h;
    let more = if until > 0.0 {
        format!(", and {} h more until then at the rate of the last year", number(until.round()))
    } else {
        String::new()
    };
    out.push(format!(
        "It rests on {} head test{}{bounds} ({}), {} h worn and {} washes as logged{more}.",
        found.n,
        if found.n == 1 { "" } else { "s" },
        found.conditions,
        number(view.used.worn_h),
        number(view.used.washes)
    ));
    if found.mostly_assumption {
        out.push("Most of this is assumption: it is no evidence for a rule. Test it.".to_owned());
    }
    if found.extrapolated {
        out.push("The day lies beyond twice the use that was tested: test it again.".to_owned());
    }
    out.extend(found.assumption.as_ref().map(|note| format!("{note}.")));
    out
}
