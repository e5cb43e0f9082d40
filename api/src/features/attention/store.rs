//! What the list is made from, read in one statement.

use std::collections::HashMap;

use diesel::sql_types::{Text, Uuid as SqlUuid};
use diesel_async::AsyncPgConnection;
use domain::attention::{AttentionInput, CheckedSitting, ItemSeen, LoadoutSeen, RaceSeen, ScaleSeen};
use domain::condition::{StateView, StockView};
use domain::ids::ItemId;
use domain::mass::{Evidence, scale_offset};
use domain::rules::RuleSheet;
use domain::time::Timestamp;
use domain::wear_history::LogFact;
use domain::wire::loadout::{LoadoutBody, LoadoutEntryBody};
use domain::wire::mass::ItemMass;
use domain::wire::race::RaceBody;
use domain::wire::rule_sheet::RuleSheetBody;
use domain::wire::scale::ScaleBody;
use domain::wire::sitting::SittingBody;
use serde::Deserialize;
use uuid::Uuid;

use crate::features::loadouts::load::judging;
use crate::features::records::gathered::{Gathered, NONE, begin, part};
use crate::platform::error::ApiError;

const DERIVED: &str = "jsonb_build_object('mass', m.mass, 'state', t.state, 'stock', k.stock)";
const ITEMS: &str = "items r left join item_masses m on m.kitroom_id = r.kitroom_id and m.item_id = r.id \
     left join item_states t on t.kitroom_id = r.kitroom_id and t.item_id = r.id \
     left join item_stocks k on k.kitroom_id = r.kitroom_id and k.item_id = r.id";

#[derive(Deserialize)]
struct Derived {
    mass: Option<ItemMass>,
    state: Option<StateView>,
    stock: Option<StockView>,
}

/// Reads it. Races that started more than a year before `now` are over and left out.
///
/// # Errors
/// As the database fails.
pub async fn load(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    now: Timestamp,
) -> Result<AttentionInput, ApiError> {
    let since = (now.utc() - chrono::Duration::days(366)).format("%Y-%m-%d").to_string();
    let statement = begin("with c as (select * from races where kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and not deleted and (starts_at is null or starts_at >= ")
        .bind::<Text, _>(since)
        .sql(")), l as (select * from loadouts where kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and not deleted and race_id in (select id from c))");
    let statement = part(statement, true, "item", DERIVED, ITEMS, kitroom).sql(" and not r.deleted");
    let statement = judging(statement, kitroom, "");
    let statement = part(statement, false, "race", NONE, "c r", kitroom);
    let statement = part(statement, false, "rule_sheet", NONE, "rule_sheets r", kitroom)
        .sql(" and not r.deleted and r.id in (select rule_sheet_id from c)");
    let statement = part(statement, false, "loadout", NONE, "l r", kitroom);
    let statement = part(statement, false, "loadout_entry", NONE, "loadout_entries r", kitroom)
        .sql(" and not r.deleted and r.loadout_id in (select id from l)");
    let statement = part(statement, false, "scale", NONE, "scales r", kitroom).sql(" and not r.deleted");
    let statement = part(statement, false, "sitting", NONE, "sittings r", kitroom)
        .sql(" and exists (select from check_readings x where x.kitroom_id = r.kitroom_id and x.sitting_id = r.id)");
    let statement = part(statement, false, "check_reading", NONE, "check_readings r", kitroom);
    input(&Gathered::load(conn, statement).await?)
}

fn input(gathered: &Gathered) -> Result<AttentionInput, ApiError> {
    let mut logs: HashMap<Uuid, Vec<LogFact>> = HashMap::new();
    for fact in LogFact::all(&gathered.stored("log_entry")?) {
        logs.entry(fact.body.item_id.uuid()).or_default().push(fact);
    }
    let mut input = AttentionInput::default();
    for found in gathered.kind("item") {
        let derived: Option<Derived> = found.derived()?;
        let Derived { mass, state, stock } =
            derived.unwrap_or(Derived { mass: None, state: None, stock: None });
        let id = ItemId::new(found.id())
            .map_err(|error| ApiError::internal("a stored id is none of ours", error))?;
        input.items.push(ItemSeen {
            id,
            body: found.body()?,
            state: state.unwrap_or_else(|| domain::condition::item_state(&[])),
            last_weighed_at: mass.and_then(|mass| mass.last_weighed_at),
            stock: stock.and_then(|stock| stock.stock),
            log: logs.remove(&found.id()).unwrap_or_default(),
        });
    }
    let mut sheets: HashMap<Uuid, RuleSheet> = HashMap::new();
    for found in gathered.kind("rule_sheet") {
        sheets.insert(found.id(), found.body::<RuleSheetBody>()?.sheet());
    }
    for found in gathered.kind("race") {
        let body: RaceBody = found.body()?;
        let rules = body.rule_sheet_id.and_then(|id| sheets.get(&id.uuid())).cloned();
        input.races.push(RaceSeen { id: found.id(), body, rules });
    }
    let mut entries: HashMap<Uuid, Vec<LoadoutEntryBody>> = HashMap::new();
    for found in gathered.kind("loadout_entry") {
        let entry: LoadoutEntryBody = found.body()?;
        entries.entry(entry.loadout_id.uuid()).or_default().push(entry);
    }
    for found in gathered.kind("loadout") {
        let body: LoadoutBody = found.body()?;
        let (id, race_id) = (found.id(), body.race_id.map(Uuid::from));
        input.loadouts.push(LoadoutSeen { id, race_id, entries: entries.remove(&id).unwrap_or_default() });
    }
    input.scales = scales(gathered)?;
    Ok(input)
}

fn scales(gathered: &Gathered) -> Result<Vec<ScaleSeen>, ApiError> {
    let sittings = gathered.stored("sitting")?;
    let stored = gathered.stored("scale")?;
    let evidence = Evidence::of_kitroom(&stored, &sittings, &gathered.stored("check_reading")?, &[]);
    let mut checked: HashMap<Uuid, Vec<CheckedSitting>> = HashMap::new();
    for found in gathered.kind("sitting") {
        let body: SittingBody = found.body()?;
        let Some((sitting, scale)) = evidence
            .sittings
            .get(&found.id())
            .and_then(|sitting| Some((sitting, evidence.scales.get(&sitting.scale_id)?)))
        else {
            continue;
        };
        if let Some(offset) = scale_offset(&sitting.checks, *scale) {
            checked.entry(sitting.scale_id).or_default().push(CheckedSitting { at: body.started_at, offset });
        }
    }
    let scale = |found: &crate::features::records::gathered::Found| {
        let name = found.body::<ScaleBody>()?.name.as_str().to_owned();
        Ok(ScaleSeen { id: found.id(), name, sittings: checked.remove(&found.id()).unwrap_or_default() })
    };
    gathered.kind("scale").iter().map(scale).collect()
}
