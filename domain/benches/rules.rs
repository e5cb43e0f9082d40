//! One kit check: 40 entries, 25 rules. The three loadouts are one in which all is met at first sight, one in which
//! several rules compete for too few items, and one whose options are many.

use std::collections::BTreeSet;

use criterion::{Criterion, criterion_group, criterion_main};
use domain::item_kind::ItemKind;
use domain::rules::{Bounded, Candidate, Evidence, Fact, Offer, Race, RuleSheet, Value, check, parse_json};
use serde_json::{Value as Json, json};

fn count(id: usize, kinds: &[&str], least: Option<u32>) -> Json {
    let mut rule =
        json!({"id": format!("r{id}"), "title": format!("rule {id}"), "need": "count", "kinds": kinds});
    if let Some(least) = least {
        rule["where"] = json!([{"attribute": "lumens", "op": ">=", "value": least}, {"attribute": "cotton", "op": "=", "value": false}]);
    }
    rule
}

fn sheet(options: bool) -> RuleSheet {
    let kinds: Vec<&str> = ItemKind::ALL.iter().map(|k| k.name()).collect();
    let mut rules: Vec<Json> =
        (0..18).map(|i| count(i, &[kinds[i], kinds[(i + 1) % 18]], (i % 2 == 0).then_some(50))).collect();
    for i in 18..21 {
        rules.push(if options {
            let option = |o: usize| json!([count(1000 * i + 10 * o, &[kinds[o], kinds[o + 1]], None), count(1000 * i + 10 * o + 1, &[kinds[o + 2]], Some(50))]);
            json!({"id": format!("r{i}"), "need": "any_of", "options": (0..8).map(option).collect::<Vec<_>>()})
        } else {
            count(i, &[kinds[i]], None)
        });
    }
    rules.push(json!({"id": "energy", "need": "total", "measure": "energy_kcal", "at_least": 800}));
    rules.push(json!({"id": "spare", "need": "pair", "for": "r17", "kinds": [kinds[20]], "same_attribute": "cell_type"}));
    rules.push(json!({"id": "none", "need": "forbid", "kinds": ["poles"]}));
    rules.push(json!({"id": "light", "need": "burn"}));
    parse_json(&json!({"name": "race A", "rules": rules}).to_string()).expect("a valid sheet")
}

fn loadout(kinds: usize) -> (Vec<Candidate>, Vec<Offer>) {
    let item = |i: usize| {
        let id = format!("018f22e2-79b0-7cc3-98c4-{i:012x}").parse().expect("an id");
        Candidate::new(id, format!("item {i}"), ItemKind::ALL[i % kinds])
            .with("lumens", Fact::with_u(100.0, 5.0, Evidence::Measured, None))
            .with("cotton", Fact::new(Value::Bool(false), Evidence::Declared))
            .with("energy_kcal", Fact::number(50.0, Evidence::Label))
            .with("cell_type", Fact::new(Value::Text("X1".to_owned()), Evidence::Declared))
            .with("burn_h", Fact::number(20.0, Evidence::Label))
    };
    ((0..40).map(item).collect(), (0..40).map(Offer::new).collect())
}

fn bench(c: &mut Criterion) {
    let mut race = Race::unknown("2026-08-18".parse().expect("a day"));
    race.dark_h = Some(Bounded::exact(9.0));
    race.active_sets = BTreeSet::from(["cold".to_owned()]);
    for (name, options, kinds) in [
        ("all_met", false, 23),
        ("too_few", false, 12),
        ("many_options", true, 23),
        ("many_options_too_few", true, 10),
    ] {
        let sheet = sheet(options);
        assert_eq!(sheet.rules.len(), 25);
        let (candidates, offers) = loadout(kinds);
        c.bench_function(&format!("check_40_entries_25_rules/{name}"), |b| {
            b.iter(|| check(&sheet, &candidates, &offers, &race));
        });
    }
}

criterion_group!(benches, bench);
criterion_main!(benches);
