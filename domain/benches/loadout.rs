//! One loadout of 40 lines on a course of eight legs, 25 rules: its mass and its verdicts.

use std::collections::{BTreeMap, BTreeSet};

use criterion::{Criterion, criterion_group, criterion_main};
use domain::item_kind::ItemKind;
use domain::loadout::{KnownItem, KnownSheet, LoadoutFacts, mass, verdicts};
use domain::wire::log_entry::ItemState;
use serde::de::DeserializeOwned;
use serde_json::{Value as Json, json};

fn id<T: DeserializeOwned>(group: usize, place: usize) -> T {
    read(json!(format!("018f22e2-79b0-7cc3-9{group:03x}-{place:012x}")))
}

fn read<T: DeserializeOwned>(json: Json) -> T {
    serde_json::from_value(json).expect("a valid value")
}

fn facts(sheet: bool) -> LoadoutFacts {
    let kinds: Vec<&str> = ItemKind::ALL.iter().map(|kind| kind.name()).collect();
    let item = |at: usize| KnownItem {
        body: read(json!({"name": format!("thing {at}"), "kind": kinds[at], "energy_kcal": 100, "burn_h": 8,
            "attributes": {"cotton": false, "cell_type": "A"}})),
        deleted: false,
        mass: read(
            json!({"mass_g": 100 + at, "mass_u_g": 0.7, "mass_basis": "measured", "mass_n": 1, "mass_parts": {
            "own_u_g": 0.4, "shared": [{"source": "scale:1", "u_g": 0.5}, {"source": format!("sitting:{}", at % 5), "u_g": 0.2}]}}),
        ),
        state: ItemState::Serviceable,
        stock: None,
        log: Vec::new(),
    };
    let place = json!({"lat": 45.9, "lon": 6.8});
    let leg = |at: usize| {
        json!({"name": format!("station {at}"), "distance_km": 20, "expected_h": 5, "from": place, "to": place,
            "refill": {"water": true}})
    };
    let mut rules: Vec<Json> = (0..23)
        .map(|at| {
            json!({"id": format!("r{at}"), "title": format!("rule {at}"), "need": "count", "kinds": [kinds[at], kinds[at + 1]],
                "count": 1, "where": [{"attribute": "cotton", "op": "=", "value": false}]})
        })
        .collect();
    rules.push(json!({"id": "light", "title": "light", "need": "burn"}));
    rules.push(json!({"id": "energy", "title": "energy", "need": "total", "measure": "energy_kcal", "at_least": 800}));
    LoadoutFacts {
        loadout_id: id(5, 0),
        loadout: read(json!({"name": "long one", "eat_kcal_per_h": 200, "drink_ml_per_h": 300})),
        entries: (0..40)
            .map(|at| {
                let item: Json = id(1, at);
                (
                    id(2, at),
                    read(json!({"loadout_id": id::<Json>(5, 0), "item_id": item, "carry_place": "stowed"})),
                )
            })
            .collect(),
        items: (0..40).map(|at| (id(1, at), item(at))).collect(),
        pockets: BTreeMap::new(),
        race: Some((
            id(4, 0),
            read(
                json!({"name": "race A", "starts_at": "2026-08-28T16:00:00Z", "legs": (0..8).map(leg).collect::<Vec<_>>()}),
            ),
        )),
        sheet: sheet.then(|| KnownSheet {
            id: id(10, 0),
            version: 1,
            body: read(json!({"name": "kit of race A", "rules": rules})),
        }),
        member_of: BTreeSet::new(),
        as_of: read(json!("2026-08-20T08:00:00Z")),
    }
}

fn bench(c: &mut Criterion) {
    let (bare, ruled) = (facts(false), facts(true));
    c.bench_function("loadout_40_entries/mass_without_rules", |b| b.iter(|| mass(&bare)));
    c.bench_function("loadout_40_entries/mass_demanded_and_own_choice", |b| b.iter(|| mass(&ruled)));
    c.bench_function("loadout_40_entries/verdicts_25_rules", |b| b.iter(|| verdicts(&ruled)));
}

criterion_group!(benches, bench);
criterion_main!(benches);
