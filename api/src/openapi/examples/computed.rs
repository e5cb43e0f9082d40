//! Examples of what is computed, computed: a small kit, its race, two sealed loadouts and some history, put through the
//! same functions as everybody's.

use std::collections::HashMap;
use std::sync::{LazyLock, Mutex, PoisonError};

use domain::attention::{AttentionInput, ItemSeen, LoadoutSeen, RaceSeen, attention};
use domain::condition::item_state;
use domain::item_trends::{head_forecast, mass_trend};
use domain::ledger::{SealedSet, Side, ledger};
use domain::lightest::Limits;
use domain::loadout::{self, KnownItem, KnownSheet, LightestOptions, LoadoutFacts, PlanOptions};
use domain::mass::{Evidence, ItemFacts, WeighingFact, item_mass};
use domain::sync::canonical::whole_numbers_as_integers;
use domain::time::Timestamp;
use domain::wear_history::LogFact;
use domain::wire::item::ItemBody;
use domain::wire::ledger::{LedgerScope, LedgerSideKind};
use domain::wire::loadout::LoadoutEntryBody;
use domain::wire::log_entry::{ItemState, LogEntryBody};
use domain::wire::rule_sheet::RuleSheetBody;
use domain::wire::seal::Snapshot;
use domain::wire::weighing::WeighingBody;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use uuid::Uuid;

use super::records::{
    ENTRY, GEL, LOADOUT, POCKET, RACE, SHEET, item, loadout, loadout_entry, log_entry, pocket, race,
    rule_sheet,
};
use super::{AT, ITEM, LATER, SCALE, WEIGHING, with};

/// When the examples are asked for.
const NOW: &str = "2026-08-20T18:00:00.000Z";
const GEL_ENTRY: &str = "019d0000-0000-7000-8000-00000000001b";

fn of_json<T: DeserializeOwned>(value: Value) -> Option<T> {
    serde_json::from_value(value).ok()
}

fn text<T: std::str::FromStr>(text: &str) -> Option<T> {
    text.parse().ok()
}

/// Spelled as the service spells it.
fn shown<T: Serialize>(value: &T) -> Option<Value> {
    let mut value = serde_json::to_value(value).ok()?;
    whole_numbers_as_integers(&mut value);
    Some(value)
}

/// Weighings of the shell over half a year, on a scale that reads to 1 g.
fn weighings() -> Option<Vec<WeighingFact>> {
    let one = |(at, (day, grams)): (usize, (&str, f64))| {
        let body: WeighingBody = of_json(json!({"item_id": ITEM, "scale_id": SCALE, "reading_g": grams,
            "observed_at": format!("{day}T05:10:00.000Z")}))?;
        let id = Uuid::parse_str(WEIGHING).ok()?;
        Some(WeighingFact { id: Uuid::from_u128(id.as_u128() + at as u128), body, set_aside: false })
    };
    let days = [("2026-03-01", 412.0), ("2026-04-12", 413.0), ("2026-06-20", 414.0), ("2026-08-02", 415.0)];
    days.into_iter().enumerate().map(one).collect()
}

fn evidence() -> Option<Evidence> {
    let mut evidence = Evidence::default();
    let scale =
        domain::mass::ScaleEvidence { resolution_g: 1.0, repeats: domain::mass::RepeatSums::default() };
    evidence.scales.insert(Uuid::parse_str(SCALE).ok()?, scale);
    Some(evidence)
}

fn item_facts(body: &ItemBody) -> ItemFacts {
    ItemFacts { kind: body.kind, label_mass: body.label_mass_g }
}

/// Worn and tested five times in one way, so that a line can be fitted to its head.
/// Hours worn and heads of five tests that were read exactly, which takes a line and no integration: this is computed
/// whenever the service starts.
const TESTS: [(u32, f64, f64); 5] = [
    (4, 0.0, 20_000.0),
    (5, 40.0, 18_500.0),
    (6, 90.0, 15_800.0),
    (7, 150.0, 14_000.0),
    (8, 220.0, 11_200.0),
];

fn log() -> Option<Vec<LogEntryBody>> {
    let mut log = Vec::new();
    let mut before = 0.0;
    for (month, worn_h, head_mm) in TESTS {
        let on = |hour: u32| format!("2026-{month:02}-02T{hour:02}:00:00.000Z");
        if worn_h > before {
            let worn =
                json!({"item_id": ITEM, "event": "use", "worn_h": worn_h - before, "observed_at": on(6)});
            log.push(of_json(worn)?);
            before = worn_h;
        }
        let test = json!({"head_mm": head_mm, "relation": "=", "observed_at": on(12)});
        log.push(of_json(with(log_entry(), test))?);
    }
    Some(log)
}

fn log_facts() -> Option<Vec<LogFact>> {
    let id = Uuid::parse_str(WEIGHING).ok()?;
    let fact =
        |(at, body)| LogFact { id: Uuid::from_u128(id.as_u128() + 100 + at as u128), body, set_aside: false };
    Some(log()?.into_iter().enumerate().map(fact).collect())
}

fn shell() -> Option<KnownItem> {
    let body: ItemBody = of_json(item())?;
    let mass = item_mass(item_facts(&body), &weighings()?, &evidence()?);
    Some(KnownItem {
        body,
        deleted: false,
        mass,
        state: ItemState::Serviceable,
        stock: None,
        log: log_facts()?,
    })
}

fn gel() -> Option<KnownItem> {
    let body: ItemBody =
        of_json(json!({"name": "gel", "kind": "food", "per_unit": true, "label_mass_g": 41,
        "energy_kcal": 100, "volume_ml": 36}))?;
    let mass = item_mass(item_facts(&body), &[], &Evidence::default());
    Some(KnownItem {
        body,
        deleted: false,
        mass,
        state: ItemState::Serviceable,
        stock: Some(24),
        log: Vec::new(),
    })
}

fn entries() -> Option<Vec<(domain::ids::LoadoutEntryId, LoadoutEntryBody)>> {
    let shell = with(loadout_entry(), json!({"loadout_id": LOADOUT}));
    let gels = json!({"loadout_id": LOADOUT, "item_id": GEL, "quantity": 8, "carry_place": "stowed"});
    Some(vec![(text(ENTRY)?, of_json(shell)?), (text(GEL_ENTRY)?, of_json(gels)?)])
}

fn facts() -> Option<LoadoutFacts> {
    let sheet: RuleSheetBody = of_json(rule_sheet())?;
    Some(LoadoutFacts {
        loadout_id: text(LOADOUT)?,
        loadout: of_json(loadout())?,
        entries: entries()?,
        items: [(text(ITEM)?, shell()?), (text(GEL)?, gel()?)].into(),
        pockets: [(text(POCKET)?, of_json(pocket())?)].into(),
        race: Some((text(RACE)?, of_json(race())?)),
        sheet: Some(KnownSheet { id: text(SHEET)?, version: 12, body: sheet }),
        member_of: std::collections::BTreeSet::default(),
        as_of: text(NOW)?,
    })
}

/// The same with two gels fewer.
fn lighter() -> Option<LoadoutFacts> {
    let mut facts = facts()?;
    facts.loadout_id = text(LATER)?;
    facts.loadout = of_json(with(loadout(), json!({"name": "long one, second try"})))?;
    facts.entries.last_mut()?.1.quantity = Some(6);
    Some(facts)
}

fn snapshot(facts: &LoadoutFacts, at: &str) -> Option<Snapshot> {
    Some(loadout::snapshot(facts, text(at)?))
}

fn ledger_view() -> Option<Value> {
    let (first, second) = (snapshot(&facts()?, AT)?, snapshot(&lighter()?, NOW)?);
    let side = |id: &str, name, at: &str, snapshot| {
        let id = Uuid::parse_str(id).ok()?;
        let set = SealedSet { loadout_id: id, name, sealed_at: text::<Timestamp>(at)?, snapshot };
        Some(Side { kind: LedgerSideKind::Loadout, id, name, sets: vec![set] })
    };
    let from = side(LOADOUT, "the long one, 2025", AT, &first)?;
    let to = side(LATER, "the long one, 2026", NOW, &second)?;
    shown(&ledger(&from, &to, LedgerScope::default()).ok()?)
}

fn attention_view() -> Option<Value> {
    let shell = ItemSeen {
        id: text(ITEM)?,
        body: of_json(item())?,
        state: item_state(&[]),
        last_weighed_at: Some(text(AT)?),
        stock: None,
        log: log_facts()?,
    };
    let sheet: RuleSheetBody = of_json(rule_sheet())?;
    let race_id = Uuid::parse_str(RACE).ok()?;
    let input = AttentionInput {
        items: vec![shell],
        races: vec![RaceSeen { id: race_id, body: of_json(race())?, rules: Some(sheet.sheet()) }],
        loadouts: vec![LoadoutSeen {
            id: Uuid::parse_str(LOADOUT).ok()?,
            race_id: Some(race_id),
            entries: entries()?.into_iter().map(|(_, entry)| entry).collect(),
        }],
        scales: Vec::new(),
    };
    shown(&attention(&input, text(NOW)?))
}

/// The example of a schema, computed once.
pub(super) fn of(schema: &str) -> Option<Value> {
    static COMPUTED: LazyLock<Mutex<HashMap<String, Option<Value>>>> = LazyLock::new(Mutex::default);
    let mut computed = COMPUTED.lock().unwrap_or_else(PoisonError::into_inner);
    computed.entry(schema.to_owned()).or_insert_with(|| compute(schema)).clone()
}

fn compute(schema: &str) -> Option<Value> {
    match schema {
        "LoadoutMass" => shown(&loadout::mass(&facts()?)),
        "LoadoutMassList" => Some(json!({"items": [loadout::mass_in_brief(&facts()?)], "next_cursor": null})),
        "LoadoutVerdicts" => shown(&loadout::verdicts(&facts()?)),
        "Snapshot" => shown(&snapshot(&facts()?, NOW)?),
        "LoadoutComparison" => shown(&loadout::compare(&facts()?, &lighter()?)),
        "FindLightestSet" => Some(json!({"keep_own_choice": true, "time_limit_s": 5})),
        "LightestAnswer" => {
            let options = LightestOptions::default();
            shown(&loadout::lightest(&facts()?, &options, &mut Limits::nodes(1000)).ok()?)
        }
        "RacePlan" => {
            let options = PlanOptions { body_mass_kg: Some(68.5), ..PlanOptions::default() };
            let facts = facts()?;
            let (id, race) = facts.race.clone()?;
            shown(&loadout::plan(id, &race, Some(&facts), &options))
        }
        "LedgerView" => ledger_view(),
        "MassTrendView" => {
            let body: ItemBody = of_json(item())?;
            let facts = item_facts(&body);
            shown(&mass_trend(body.name.as_str(), text(ITEM)?, facts, &weighings()?, &evidence()?))
        }
        "HeadForecastView" => {
            let (now, on) = (text(NOW)?, text("2026-08-28")?);
            shown(&head_forecast(&of_json(item())?, &log_facts()?, now, on, 10_000.0))
        }
        "SeenItem" => shown(&loadout::see(&shell()?, text(NOW)?)),
        "AttentionView" => attention_view(),
        "AttributeList" => {
            let head = domain::rules::attributes::REGISTRY.iter().find(|one| one.name == "head_mm")?;
            Some(json!({"items": [head]}))
        }
        _ => None,
    }
}
