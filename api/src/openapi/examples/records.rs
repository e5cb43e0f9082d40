//! The record kinds' examples.

use serde_json::{Value, json};

use super::{ACCOUNT, AT, CHECK, ITEM, OP, REPLICA, SCALE, SITTING, WEIGHING, fact, page, view, with};

pub(super) const POCKET: &str = "019d0000-0000-7000-8000-000000000011";
pub(super) const GEL: &str = "019d0000-0000-7000-8000-000000000012";
const LOG: &str = "019d0000-0000-7000-8000-000000000013";
const STOCK: &str = "019d0000-0000-7000-8000-000000000014";
const SEASON: &str = "019d0000-0000-7000-8000-000000000015";
pub(super) const SHEET: &str = "019d0000-0000-7000-8000-000000000016";
pub(super) const RACE: &str = "019d0000-0000-7000-8000-000000000017";
pub(super) const LOADOUT: &str = "019d0000-0000-7000-8000-000000000018";
pub(super) const ENTRY: &str = "019d0000-0000-7000-8000-000000000019";
const SEAL: &str = "019d0000-0000-7000-8000-00000000001a";
const CONFLICT: &str = "019d0000-0000-7000-8000-00000000001b";

pub(super) fn item() -> Value {
    json!({"name": "blue shell", "kind": "shell_jacket", "maker": "maker A", "size": "M", "label_mass_g": 405,
        "head_mm": 20000, "head_basis": "label", "breathability": {"value": 9.5, "method": "ret_iso11092"},
        "seams_taped": true, "hood": true, "volume_ml": 620, "reach_needed": "at_stop"})
}

fn mass() -> Value {
    json!({"mass_g": 412.3, "mass_u_g": 0.52, "mass_basis": "measured", "mass_n": 3, "mass_calibration": "checked",
        "last_weighed_at": AT})
}

fn scale() -> Value {
    json!({"name": "kitchen scale", "resolution_g": 1, "capacity_g": 5000})
}

fn sitting() -> Value {
    json!({"scale_id": SCALE, "started_at": AT, "note": "on the stone worktop"})
}

fn check_reading() -> Value {
    json!({"sitting_id": SITTING, "weight_name": "200 g class M1", "known_g": 200, "known_u_g": 0.006,
        "reading_g": 201, "observed_at": AT})
}

pub(super) fn weighing() -> Value {
    json!({"item_id": ITEM, "sitting_id": SITTING, "reading_g": 413, "raw": {"text": "413", "unit": "g"},
        "wetness": "dry", "observed_at": AT, "source": "typed"})
}

fn conflict() -> Value {
    json!({"about": "same_unit", "kind": "item", "record_id": ITEM, "units": ["size"], "base": {"size": "M"},
        "kept": {"size": "L"}, "offered": {"size": "XL"}, "action": "patch", "op_id": OP, "offered_by": ACCOUNT,
        "replica_id": REPLICA, "done_at": AT})
}

pub(super) fn pocket() -> Value {
    json!({"item_id": ITEM, "name": "inside left", "volume_ml": 900, "mass_cap_g": 400, "reach": "at_stop",
        "waterproof": false, "side": "left"})
}

pub(super) fn log_entry() -> Value {
    json!({"item_id": ITEM, "event": "head_test", "head_mm": 15000, "relation": ">=", "rate_cm_min": 60,
        "drops": "third", "part": "fabric", "places": 5, "rig": "pump", "observed_at": AT})
}

fn stock_entry() -> Value {
    json!({"item_id": GEL, "change": 24, "reason": "bought", "observed_at": AT, "note": "one box"})
}

fn season() -> Value {
    json!({"name": "season 2026", "from_on": "2026-01-01", "to_on": "2026-12-31"})
}

pub(super) fn rule_sheet() -> Value {
    json!({"name": "mountain race, mandatory kit", "edition": "2026", "rules": [
        {"id": "shell", "title": "waterproof jacket", "wording": "Jacket with hood and taped seams, 10 000 mm.",
            "need": "count", "kinds": ["shell_jacket"], "where": [
                {"attribute": "head_mm", "op": ">=", "value": 10000},
                {"attribute": "hood", "op": "=", "value": true}]},
        {"id": "reserve", "title": "food kept to the finish", "need": "total", "kinds": ["food"],
            "measure": "energy_kcal", "at_least": 400, "reserve": true, "scope": "at_all_times"}]})
}

pub(super) fn race() -> Value {
    json!({"name": "the long one", "starts_at": "2026-08-28T16:00:00.000Z", "time_zone": "Europe/Paris",
        "rule_sheet_id": SHEET, "active_sets": ["cold"], "legs": [
            {"name": "pass", "distance_km": 21.5, "climb_m": 1400, "descent_m": 900, "expected_h": 4.5,
                "from": {"lat": 45.92, "lon": 6.87}, "to": {"lat": 45.8, "lon": 6.72},
                "refill": {"water": true, "food": true}},
            {"name": "village", "distance_km": 18, "climb_m": 800, "descent_m": 1300, "expected_h": 4,
                "from": {"lat": 45.8, "lon": 6.72}, "to": {"lat": 45.72, "lon": 6.72}}]})
}

pub(super) fn loadout() -> Value {
    json!({"name": "long one, first try", "race_id": RACE, "eat_kcal_per_h": 250, "drink_ml_per_h": 500})
}

pub(super) fn loadout_entry() -> Value {
    json!({"item_id": ITEM, "carry_place": "stowed", "pocket_id": POCKET})
}

fn seal() -> Value {
    let start = json!({"value_g": 412.3, "u_g": 0.52});
    json!({"loadout_id": LOADOUT, "observed_at": AT, "snapshot": {"taken_at": AT,
        "entries": [{"entry_id": ENTRY, "item_id": ITEM, "name": "blue shell", "kind": "shell_jacket", "quantity": 1,
            "carry_place": "stowed", "unit_mass_g": 412.3, "unit_mass_u_g": 0.52, "mass_basis": "measured",
            "mass_n": 3, "last_weighed_at": AT, "demanded": true}],
        "carried": {"start_g": start, "mean_g": start, "max_g": start, "max_leg": 1, "finish_g": start},
        "total_start_g": start, "rule_sheet": {"id": SHEET, "edition": "2026", "version": 12},
        "verdicts": [{"rule_id": "shell", "verdict": "met"}]}})
}

/// What is derived for an item.
fn derived() -> Value {
    with(mass(), json!({"state": "serviceable"}))
}

/// The example of a schema.
pub(super) fn of(schema: &str) -> Option<Value> {
    Some(match schema {
        "CreateItem" => with(item(), json!({"id": ITEM})),
        "UpdateItem" => json!({"size": "L", "label_mass_g": null}),
        "ItemView" => with(view(ITEM, item()), derived()),
        "ItemList" => page(with(view(ITEM, item()), derived())),
        "CreateScale" => with(scale(), json!({"id": SCALE})),
        "UpdateScale" => json!({"name": "scale in the hall"}),
        "ScaleView" => view(SCALE, scale()),
        "ScaleList" => page(view(SCALE, scale())),
        "CreateSitting" => with(sitting(), json!({"id": SITTING})),
        "UpdateSitting" => json!({"note": null}),
        "SittingView" => view(SITTING, sitting()),
        "SittingList" => page(view(SITTING, sitting())),
        "CreateCheckReading" => with(check_reading(), json!({"id": CHECK})),
        "CheckReadingView" => fact(CHECK, check_reading()),
        "CheckReadingList" => page(fact(CHECK, check_reading())),
        "CreateWeighing" => with(weighing(), json!({"id": WEIGHING})),
        "WeighingView" => fact(WEIGHING, weighing()),
        "WeighingList" => page(fact(WEIGHING, weighing())),
        "VoidReason" => json!({"reason": "that was the other glove"}),
        "CreatePocket" => with(pocket(), json!({"id": POCKET})),
        "UpdatePocket" => json!({"mass_cap_g": 350, "side": null}),
        "PocketView" => view(POCKET, pocket()),
        "PocketList" => page(view(POCKET, pocket())),
        "CreateLogEntry" => with(log_entry(), json!({"id": LOG})),
        "LogEntryView" => fact(LOG, log_entry()),
        "LogEntryList" => page(fact(LOG, log_entry())),
        "CreateStockEntry" => with(stock_entry(), json!({"id": STOCK})),
        "StockEntryView" => fact(STOCK, stock_entry()),
        "StockEntryList" => page(fact(STOCK, stock_entry())),
        "CreateSeason" => with(season(), json!({"id": SEASON})),
        "UpdateSeason" => json!({"to_on": "2026-11-30"}),
        "SeasonView" => view(SEASON, season()),
        "SeasonList" => page(view(SEASON, season())),
        "CreateRuleSheet" => with(rule_sheet(), json!({"id": SHEET})),
        "UpdateRuleSheet" => json!({"edition": "2026, second edition"}),
        "RuleSheetView" => view(SHEET, rule_sheet()),
        "RuleSheetList" => page(view(SHEET, rule_sheet())),
        "CreateRace" => with(race(), json!({"id": RACE})),
        "UpdateRace" => json!({"active_sets": ["cold", "bad_weather"]}),
        "RaceView" => view(RACE, race()),
        "RaceList" => page(view(RACE, race())),
        "CreateLoadout" => with(loadout(), json!({"id": LOADOUT})),
        "UpdateLoadout" => json!({"drink_ml_per_h": 600}),
        "LoadoutView" => with(view(LOADOUT, loadout()), json!({"state": "draft"})),
        "LoadoutList" => page(with(view(LOADOUT, loadout()), json!({"state": "draft"}))),
        "CreateLoadoutEntry" => with(loadout_entry(), json!({"id": ENTRY})),
        "UpdateLoadoutEntry" => json!({"locked": true}),
        "LoadoutEntryView" => view(ENTRY, with(loadout_entry(), json!({"loadout_id": LOADOUT}))),
        "LoadoutEntryList" => page(view(ENTRY, with(loadout_entry(), json!({"loadout_id": LOADOUT})))),
        "CreateSeal" => with(seal(), json!({"id": SEAL})),
        "SealView" => fact(SEAL, seal()),
        "SealList" => page(fact(SEAL, seal())),
        "Settle" => json!({"keep": "other", "value": {"size": "L/XL"}}),
        "ConflictView" => view(CONFLICT, conflict()),
        "ConflictList" => page(view(CONFLICT, conflict())),
        _ => return None,
    })
}
