//! Trends of one item: its mass apart from the scale's drift, its head on a day.

use domain::ids::ItemId;
use domain::item_trends::{head_forecast, mass_trend, noon};
use domain::mass::{
    CheckFact, Evidence, ItemFacts, RepeatSums, ScaleEvidence, SittingEvidence, WeighingFact,
};
use domain::time::Timestamp;
use domain::wear_history::{LogFact, head_on, worn_until};
use domain::wire::item::{ItemBody, ItemKind};
use domain::wire::mass_trend::MassTrendView;
use serde_json::{Value, json};

use crate::ledger::id;
use crate::rows::{numbers, read};

const D: f64 = 1.0;

/// Twelve sittings over two years with a vest, a steady other thing, and a 500 g check weight; the vest drifts by
/// `item_per_d` grams a day and the scale by `scale_per_d`.
pub fn weighings_of_a_vest(
    item_per_d: f64,
    scale_per_d: f64,
) -> (ItemId, ItemFacts, Vec<WeighingFact>, Evidence) {
    sittings(item_per_d, scale_per_d, 12, true)
}

fn sittings(
    item_per_d: f64,
    scale_per_d: f64,
    n: u64,
    checks: bool,
) -> (ItemId, ItemFacts, Vec<WeighingFact>, Evidence) {
    let start: Timestamp = "2024-06-01T08:00:00Z".parse().unwrap();
    let mut evidence = Evidence::default();
    evidence.scales.insert(id(50), ScaleEvidence { resolution_g: D, repeats: RepeatSums::default() });
    let mut facts = Vec::new();
    for at in 0..n {
        let days = 60.0 * at as f64;
        let when = Timestamp::from_millis(start.millis() + (days * 86_400_000.0) as i64).unwrap();
        let offset = scale_per_d * days;
        // A little scatter that has no trend of its own.
        let scatter = [0.2, -0.3, 0.1, -0.1, 0.3, -0.2][at as usize % 6];
        let sitting = id(100 + at);
        for (item, mass) in [(1, 305.0 + item_per_d * days + scatter), (2, 412.0)] {
            let reading = (mass + offset).round();
            let body = json!({"item_id": id(item), "sitting_id": sitting, "reading_g": reading, "observed_at": when});
            let body = serde_json::from_value(body).unwrap();
            facts.push(WeighingFact { id: id(1000 + 10 * at + item), body, set_aside: false });
        }
        let reading_g = (500.0 + offset).round();
        let check = CheckFact { weight_name: "500 g".into(), known_g: 500.0, known_u_g: 0.01, reading_g };
        let checks = if checks { vec![check] } else { Vec::new() };
        evidence.sittings.insert(sitting, SittingEvidence { scale_id: id(50), checks });
    }
    let item = ItemId::new(id(1)).unwrap();
    (item, ItemFacts { kind: ItemKind::Vest, label_mass: None }, facts, evidence)
}

fn trend(item_per_d: f64, scale_per_d: f64, n: u64, checks: bool) -> MassTrendView {
    let (item, facts, weighings, evidence) = sittings(item_per_d, scale_per_d, n, checks);
    mass_trend("vest", item, facts, &weighings, &evidence)
}

#[test]
fn mass_trend_an_item_that_gains_is_told_from_its_scale() {
    let view = trend(0.012, 0.0, 12, true);
    let slope = view.slope.as_ref().unwrap();
    // 0.012 g a day is 4.38 g a year.
    assert!(slope.low_g <= 4.38 && 4.38 <= slope.high_g && slope.low_g > 3.0, "{slope:?}");
    assert!(slope.p < 0.001 && slope.n == 12);
    let joint = view.joint.as_ref().unwrap();
    assert!((joint.per_year_g - 4.38).abs() < 3.0 * joint.u_g && joint.u_g < 1.0, "{joint:?}");
    assert_eq!((joint.check_readings, joint.other_items, joint.sittings), (12, 1, 12));
    assert!(!view.scale.as_ref().unwrap().moved);
    assert!(view.sentences.iter().any(|s| s.contains("the item itself changed")), "{:?}", view.sentences);
}

#[test]
fn mass_trend_a_drifting_scale_is_not_the_item() {
    // Without check weights the readings rise; the other thing, which rises as well, gives the scale away.
    let view = trend(0.0, 0.012, 12, false);
    assert!(view.slope.as_ref().unwrap().low_g > 0.0);
    let joint = view.joint.as_ref().unwrap();
    assert!(joint.per_year_g.abs() < 1.96 * joint.u_g, "{joint:?}");
    assert!(view.sentences.iter().any(|s| s.contains("as likely the scale's")), "{:?}", view.sentences);
    // With check weights the sittings are corrected, and the scale itself is told.
    let view = trend(0.0, 0.012, 12, true);
    let slope = view.slope.as_ref();
    assert!(slope.is_none_or(|slope| slope.low_g <= 0.0 && slope.high_g >= 0.0), "{slope:?}");
    assert!(view.scale.as_ref().unwrap().moved);
}

#[test]
fn mass_trend_too_few_days_is_refused_in_words() {
    let view = trend(0.012, 0.0, 4, true);
    assert!(view.slope.is_none() && view.step.is_none());
    assert!(
        view.refusals[0].contains("below 5 days") && view.refusals[0].contains("there are 4"),
        "{view:?}"
    );
    let view = trend(0.0, 0.0, 1, true);
    assert!(view.refusals[0].contains("there is 1"), "{view:?}");
}

/// An item body.
pub fn shell(label_mm: u32) -> ItemBody {
    serde_json::from_value(json!({
        "name": "maker A shell", "kind": "shell_jacket", "head_mm": label_mm, "head_basis": "label"
    }))
    .unwrap()
}

pub fn log(n: u64, event: &str, at: &str, fields: Value) -> LogFact {
    let mut body = json!({"item_id": id(1), "event": event, "observed_at": at});
    for (name, value) in fields.as_object().unwrap() {
        body[name] = value.clone();
    }
    LogFact { id: id(5000 + n), body: serde_json::from_value(body).unwrap(), set_aside: false }
}

/// The five tests of D1, with the hours between them logged as use.
pub fn garment_log() -> (Vec<LogFact>, Timestamp) {
    let rows = [(0.0, 20_000, "2024-03-01"), (40.0, 18_500, "2024-09-01"), (90.0, 15_800, "2025-03-01")];
    let rows = rows.into_iter().chain([(150.0, 14_000, "2025-09-01"), (220.0, 11_200, "2026-03-01")]);
    let (mut log_entries, mut worn) = (Vec::new(), 0.0);
    for (at, (hours, head, day)) in rows.enumerate() {
        let at = at as u64;
        if hours > worn {
            let fields = json!({"worn_h": hours - worn, "wet_h": 2});
            log_entries.push(log(2 * at, "use", &format!("{day}T08:00:00Z"), fields));
            worn = hours;
        }
        let fields = json!({"head_mm": head, "part": "fabric", "rate_cm_min": 60, "drops": "third", "rig": "laboratory"});
        log_entries.push(log(2 * at + 1, "head_test", &format!("{day}T12:00:00Z"), fields));
    }
    (log_entries, "2026-03-02T00:00:00Z".parse().unwrap())
}

/// D3 and D8 of the wear fixtures: the head at 220 h, by least squares on five tests.
#[test]
fn head_on_day_of_last_test_agrees_with_the_published_interval() {
    let (log, now) = garment_log();
    let rows = read("wear/wear.csv");
    let row = rows.iter().find(|row| row.text("check_id") == "D3").unwrap();
    let expected = numbers(row.text("expected"));
    let head = head_on(&shell(20_000), &log, now, now);
    assert_eq!((head.used.logged.worn_h, head.used.logged.washes), (220.0, 0.0));
    let seen = head.seen().unwrap();
    // In whole millimetres, the interval rounded outwards.
    let [low, median, high] = [0, 1, 2].map(|at| expected[at].value);
    assert_eq!((seen.low_mm, seen.high_mm), (low.floor(), Some(high.ceil())), "{seen:?}");
    assert!((median - seen.median_mm).abs() <= 0.51, "{seen:?}");
    assert_eq!(seen.n, 5);
    let answer = head.against(10_000.0).unwrap();
    assert!((answer.p_next_at_least - 0.990849).abs() < 1e-5, "{}", answer.p_next_at_least);
}

#[test]
fn head_forecast_adds_the_use_that_the_last_year_promises() {
    let (log, now) = garment_log();
    let used = worn_until(&log, now);
    // 60 + 70 h in the 365 days before.
    assert!((used.worn_h_per_d - 130.0 / 365.0).abs() < 1e-9, "{used:?}");
    let view = head_forecast(&shell(20_000), &log, now, "2026-08-28".parse().unwrap(), 10_000.0);
    let days = noon(view.on).days_since(now);
    assert!((view.used_then.worn_h - (220.0 + days * 130.0 / 365.0)).abs() < 0.06, "{view:?}");
    let found = view.estimate.as_ref().unwrap();
    assert!(found.median_mm < 11_364.0 && found.low_mm < found.median_mm);
    // D7: the one-sided 95 % bound meets 10,000 mm at 242.876 h.
    assert!((found.hours_left.unwrap() - 22.9).abs() < 0.11, "{found:?}");
    assert_eq!(found.conditions, "fabric, 60 cm/min, third drop, laboratory");
    assert!(view.sentences[2].contains("5 head tests") && view.sentences[2].contains("h more until then"));
}

#[test]
fn head_forecast_a_label_alone_predicts_nothing() {
    let now = "2026-03-02T00:00:00Z".parse().unwrap();
    let view = head_forecast(&shell(20_000), &[], now, "2026-08-28".parse().unwrap(), 10_000.0);
    assert!(view.estimate.is_none() && view.why_none.unwrap().contains("a label alone predicts nothing"));
    // A column of 2 m says almost nothing of 10 m: no evidence for a rule.
    let column = log(
        1,
        "head_test",
        "2026-02-01T12:00:00Z",
        json!({"head_mm": 2000, "relation": ">=", "rig": "column"}),
    );
    let head = head_on(&shell(20_000), std::slice::from_ref(&column), now, now);
    assert!(head.estimate.as_ref().unwrap().1.mostly_assumption && head.seen().is_none());
    // One exact test does, with or without a label.
    let test = log(2, "head_test", "2026-02-01T12:00:00Z", json!({"head_mm": 15_000}));
    let mut unlabelled = shell(1);
    unlabelled.head_mm = None;
    let seen = head_on(&unlabelled, std::slice::from_ref(&test), now, now).seen().unwrap();
    assert!((14_000.0..15_500.0).contains(&seen.median_mm) && seen.n == 1, "{seen:?}");
}

#[test]
fn head_on_tests_made_otherwise_are_another_series_and_the_weaker_decides() {
    let (mut entries, now) = garment_log();
    for (at, head) in [(0u64, 9_000), (1, 8_800)] {
        let fields = json!({"head_mm": head, "part": "seam", "rate_cm_min": 60, "drops": "third"});
        entries.push(log(50 + at, "head_test", "2026-02-20T12:00:00Z", fields));
    }
    let head = head_on(&shell(20_000), &entries, now, now);
    assert_eq!(head.series.len(), 2);
    assert_eq!(head.series[head.deciding.unwrap()].conditions.words(), "seam, 60 cm/min, third drop");
    assert!(head.seen().unwrap().median_mm < 10_500.0);
    entries.reverse();
    let again = head_on(&shell(20_000), &entries, now, now);
    assert_eq!(again.seen(), head.seen());
    // Set aside, it does not count.
    for entry in
        entries.iter_mut().filter(|entry| entry.body.part.as_ref().is_some_and(|p| p.as_str() == "seam"))
    {
        entry.set_aside = true;
    }
    assert_eq!(head_on(&shell(20_000), &entries, now, now).series.len(), 1);
}
