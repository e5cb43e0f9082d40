//! What deserves a look.

use domain::attention::{
    AttentionInput, CheckedSitting, ItemSeen, LoadoutSeen, RaceSeen, ScaleSeen, attention,
};
use domain::condition::StateView;
use domain::ids::ItemId;
use domain::mass::{CheckFact, RepeatSums, ScaleEvidence, scale_offset};
use domain::rules::parse_toml;
use domain::time::Timestamp;
use domain::wire::attention::{AttentionReason, AttentionView};
use domain::wire::log_entry::ItemState;
use serde_json::{Value, json};

use crate::item_trends::{garment_log, log};
use crate::ledger::id;

const RULES: &str = r#"
name = "race"
edition = "2026"
[[rules]]
id = "shell"
title = "rain jacket"
wording = "A jacket that holds 11 000 mm."
need = "count"
kinds = ["shell_jacket"]
count = 1
where = [{ attribute = "head_mm", op = ">=", value = 11000 }]
[[rules]]
id = "light"
title = "light"
wording = "Light for all hours of darkness."
need = "burn"
margin = 0.2
"#;

fn now() -> Timestamp {
    "2026-08-08T08:00:00Z".parse().unwrap()
}

fn item(n: u64, name: &str, kind: &str, fields: Value) -> ItemSeen {
    let mut body = json!({"name": name, "kind": kind});
    for (name, value) in fields.as_object().unwrap() {
        body[name] = value.clone();
    }
    ItemSeen {
        id: ItemId::new(id(n)).unwrap(),
        body: serde_json::from_value(body).unwrap(),
        state: StateView { state: ItemState::Serviceable, state_heads: vec![], state_contested: false },
        last_weighed_at: Some("2026-06-01T08:00:00Z".parse().unwrap()),
        stock: None,
        log: vec![],
    }
}

fn race(n: u64, name: &str, starts_at: &str) -> RaceSeen {
    let body = json!({"name": name, "starts_at": starts_at, "expected_h": 40, "time_zone": "Europe/Paris"});
    RaceSeen {
        id: id(n),
        body: serde_json::from_value(body).unwrap(),
        rules: Some(parse_toml(RULES).unwrap()),
    }
}

fn loadout(n: u64, race: u64, items: &[(u64, u32)]) -> LoadoutSeen {
    let entry = |(item, quantity): &(u64, u32)| {
        let body =
            json!({"loadout_id": id(n), "item_id": id(*item), "carry_place": "stowed", "quantity": quantity});
        serde_json::from_value(body).unwrap()
    };
    LoadoutSeen { id: id(n), race_id: Some(id(race)), entries: items.iter().map(entry).collect() }
}

fn kit() -> AttentionInput {
    let mut shell = item(1, "shell", "shell_jacket", json!({"head_mm": 20_000, "head_basis": "label"}));
    shell.log = garment_log().0;
    let mut gels = item(2, "gel", "food", json!({"per_unit": true, "expires_on": "2026-08-28"}));
    gels.stock = Some(12);
    let lamp = item(3, "lamp", "head_lamp", json!({"lumens": 300}));
    let mut bag = item(4, "bivvy bag", "bivvy_bag", json!({}));
    bag.state.state = ItemState::Quarantined;
    let mut map = item(5, "map", "map", json!({}));
    map.last_weighed_at = Some("2025-01-01T08:00:00Z".parse().unwrap());
    let mut split = item(6, "mitts", "over_mitts", json!({}));
    split.state = StateView { state: ItemState::Retired, state_heads: vec![], state_contested: true };
    AttentionInput {
        items: vec![shell, gels, lamp, bag, map, split],
        races: vec![
            race(20, "first race", "2026-08-28T04:00:00Z"),
            race(21, "second race", "2026-09-19T04:00:00Z"),
        ],
        loadouts: vec![loadout(30, 20, &[(1, 1), (2, 8), (3, 1), (4, 1)]), loadout(31, 21, &[(2, 6)])],
        scales: vec![],
    }
}

fn reasons(view: &AttentionView) -> Vec<(AttentionReason, &str)> {
    view.lines.iter().map(|line| (line.reason, line.about.name.as_str())).collect()
}

#[test]
fn attention_weeks_before_a_race_most_urgent_first() {
    let view = attention(&kit(), now());
    assert_eq!(
        reasons(&view),
        [
            (AttentionReason::NotUsable, "bivvy bag"),
            (AttentionReason::HeadBelowLimit, "shell"),
            (AttentionReason::ExpiresBeforeRace, "gel"),
            (AttentionReason::BurnTestOld, "lamp"),
            (AttentionReason::StockShort, "gel"),
            (AttentionReason::StateContested, "mitts"),
            (AttentionReason::NotWeighed, "map"),
        ]
    );
    let line = |reason| view.lines.iter().find(|line| line.reason == reason).unwrap();
    let head = line(AttentionReason::HeadBelowLimit);
    assert_eq!(head.by.unwrap().to_string(), "2026-08-28");
    assert!(head.text.contains("by 5 tests") && head.text.contains("asks for 11,000 mm"), "{}", head.text);
    // 8 for the first and 6 for the second of 12: it is the second race that is short.
    let stock = line(AttentionReason::StockShort);
    assert_eq!(stock.race.as_ref().unwrap().name, "second race");
    assert!(stock.text.contains("takes 6, 14 with the races before; 12 are left"), "{}", stock.text);
    assert!(view.lines.iter().all(|line| !line.next.is_empty()));
}

/// A fresh lower bound above the limit meets it, as verdicts say; one below it says nothing, and is no head.
#[test]
fn attention_a_lower_bound_is_told_from_a_head() {
    let with_bound = |head: u32| {
        let mut kit = kit();
        let at = kit.items.iter().position(|item| item.body.name.as_str() == "shell").unwrap();
        kit.items[at].log =
            vec![log(70, "head_test", "2026-08-01T12:00:00Z", json!({"head_mm": head, "relation": ">="}))];
        let view = attention(&kit, now());
        let about = view.lines.iter().filter(|line| line.about.name == "shell");
        about.map(|line| line.reason).collect::<Vec<_>>()
    };
    assert_eq!(with_bound(12_000), []);
    assert_eq!(with_bound(2_000), [AttentionReason::HeadNotTested]);
}

#[test]
fn attention_order_of_the_input_does_not_show() {
    let view = attention(&kit(), now());
    let mut turned = kit();
    turned.items.reverse();
    turned.races.reverse();
    turned.loadouts.reverse();
    assert_eq!(attention(&turned, now()), view);
}

#[test]
fn attention_when_all_is_well_nothing_is_listed() {
    let mut kit = kit();
    kit.items.retain(|item| item.body.name.as_str() == "lamp");
    kit.items[0].log.push(log(1, "burn_test", "2026-05-01T08:00:00Z", json!({"burn_h": 9})));
    kit.loadouts = vec![loadout(30, 20, &[(3, 1)]), loadout(31, 21, &[(3, 1)])];
    let view = attention(&kit, now());
    assert_eq!((reasons(&view), view.not_looked_at.len()), (vec![], 0));
    // After the races nothing presses.
    assert!(attention(&kit, "2026-12-01T00:00:00Z".parse().unwrap()).lines.is_empty());
}

#[test]
fn attention_a_club_copy_too_old_is_told_when_a_new_look_would_last() {
    let mut kit = kit();
    kit.items.clear();
    let seen = json!({
        "item": {"name": "club poles", "kind": "poles"}, "state": "serviceable", "seen_at": "2026-08-01T00:00:00Z",
        "mass": {"mass_basis": "none", "mass_n": 0}
    });
    kit.loadouts = vec![loadout(30, 20, &[(70, 1)])];
    kit.loadouts[0].entries[0].seen = Some(serde_json::from_value(seen).unwrap());
    // Three weeks before, a new look would be too old again by the start.
    assert_eq!(reasons(&attention(&kit, "2026-08-07T00:00:00Z".parse().unwrap())), []);
    let view = attention(&kit, "2026-08-20T00:00:00Z".parse().unwrap());
    assert_eq!(reasons(&view), [(AttentionReason::CopyTooOld, "club poles")]);
    assert!(view.lines[0].text.contains("27 days ago, and the race takes 14"), "{}", view.lines[0].text);
}

#[test]
fn attention_a_scale_that_moved_is_told() {
    let sitting = |at: &str, reading_g: f64| {
        let check = CheckFact { weight_name: "500 g".into(), known_g: 500.0, known_u_g: 0.5, reading_g };
        let scale = ScaleEvidence { resolution_g: 0.1, repeats: RepeatSums::default() };
        CheckedSitting { at: at.parse().unwrap(), offset: scale_offset(&[check], scale).unwrap() }
    };
    let with = |later: f64| AttentionInput {
        scales: vec![ScaleSeen {
            id: id(50),
            name: "kitchen scale".into(),
            sittings: vec![sitting("2026-06-01T08:00:00Z", later), sitting("2025-06-01T08:00:00Z", 500.0)],
        }],
        ..AttentionInput::default()
    };
    // The weight's own 0.5 g is in both and cancels: u is that of two pairs of 0.1 g readings, 0.058 g.
    assert_eq!(reasons(&attention(&with(500.3), now())), [(AttentionReason::ScaleMoved, "kitchen scale")]);
    assert_eq!(reasons(&attention(&with(500.1), now())), []);
}
