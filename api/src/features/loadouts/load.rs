//! What the numbers of loadouts hang on, read in one statement.

use std::collections::{BTreeMap, BTreeSet};

use diesel::sql_types::{Array, BigInt, Uuid as SqlUuid};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::ids::KitroomId;
use uuid::Uuid;

use crate::features::records::gathered::{Found, Gathered, NONE, Parts, begin, part};
use crate::platform::error::ApiError;
use crate::platform::sql::sql;

/// Which items are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Items {
    /// Those that the lines name, without their history: enough for masses of now.
    Bare,
    /// Those that the lines name, with their log and stock.
    Named,
    /// All of the kitroom, with their log and stock.
    All,
}

/// An item's mass as it is kept, of the rows `i r`.
const ITEMS: &str = "i r left join item_masses m on m.kitroom_id = r.kitroom_id and m.item_id = r.id";

/// The records of some loadouts of one kitroom.
#[derive(Debug, Default)]
pub struct Records {
    /// By kind.
    pub gathered: Gathered,
    /// By account: the kitrooms that lines name and it is a member of now.
    pub member_of: BTreeMap<Uuid, BTreeSet<KitroomId>>,
}

/// Reads the loadouts with these ids that are there, and all that their numbers hang on.
///
/// # Errors
/// As the database fails.
pub async fn load(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    loadouts: &[Uuid],
    items: Items,
) -> Result<Records, ApiError> {
    let mut statement = begin("with e as (select r.* from loadout_entries r where r.kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and r.loadout_id = any(")
        .bind::<Array<SqlUuid>, _>(loadouts.to_vec())
        .sql(") and not r.deleted), l as (select r.* from loadouts r where r.kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and r.id = any(")
        .bind::<Array<SqlUuid>, _>(loadouts.to_vec())
        .sql(") and not r.deleted), c as (select r.* from races r where r.kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and r.id in (select race_id from l) and not r.deleted), i as (select r.* from items r where r.kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom);
    statement = statement.sql(match items {
        // A deleted one that a line still names is told of.
        Items::All => " and (not r.deleted or r.id in (select item_id from e)))",
        Items::Bare | Items::Named => " and r.id in (select item_id from e))",
    });
    statement = part(statement, true, "loadout", NONE, "l r", kitroom);
    statement = part(statement, false, "loadout_entry", NONE, "e r", kitroom);
    statement = part(statement, false, "race", NONE, "c r", kitroom);
    statement = part(statement, false, "rule_sheet", NONE, "rule_sheets r", kitroom)
        .sql(" and r.id in (select rule_sheet_id from c) and not r.deleted");
    statement = part(statement, false, "item", "m.mass", ITEMS, kitroom);
    if items != Items::Bare {
        statement = history(statement, kitroom);
        statement = part(statement, false, "pocket", NONE, "pockets r", kitroom).sql(" and not r.deleted");
    }
    let gathered = Gathered::load(conn, statement).await?;
    let member_of = members(conn, kitroom, &gathered).await?;
    Ok(Records { gathered, member_of })
}

/// The ids of loadouts, of one race or of all, after one of them, in their order.
///
/// # Errors
/// As the database fails.
pub async fn page(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    race: Option<Uuid>,
    after: Uuid,
    at_most: i64,
) -> Result<Vec<Uuid>, ApiError> {
    let mut statement = sql::<(SqlUuid,)>("select id from loadouts where kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and not deleted and id > ")
        .bind::<SqlUuid, _>(after);
    if let Some(race) = race {
        statement = statement.sql(" and race_id = ").bind::<SqlUuid, _>(race);
    }
    let rows: Vec<(Uuid,)> =
        statement.sql(" order by id limit ").bind::<BigInt, _>(at_most).load(conn).await?;
    Ok(rows.into_iter().map(|(id,)| id).collect())
}

/// What says by itself how an item is judged, in the words of the index `log_entries_judging`; the events are
/// [`domain::wear_history::WEARING`].
const JUDGING: &str = " and (r.event not in ('use', 'wash') or r.supersedes_id is not null)";
/// What wears a head, of the items whose head was tested: those few first, as an array, which a join would not do.
const WEARING: &str = " and r.event in ('use', 'wash') and r.supersedes_id is null \
     and r.item_id = any(array(select t.item_id from log_entries t where t.event = 'head_test' and t.kitroom_id = ";

/// Adds the entries of the log that can change how an item is judged, of the items that `of` narrows `r` to.
pub fn judging(statement: Parts, kitroom: Uuid, of: &'static str) -> Parts {
    let statement = part(statement, false, "log_entry", NONE, "log_entries r", kitroom).sql(of).sql(JUDGING);
    part(statement, false, "log_entry", NONE, "log_entries r", kitroom)
        .sql(of)
        .sql(WEARING)
        .bind::<SqlUuid, _>(kitroom)
        .sql("))")
}

/// The log and the stock of the items `i`, as far as they are judged by it. An entry of another item can replace one of these.
fn history(statement: Parts, kitroom: Uuid) -> Parts {
    let statement = judging(statement, kitroom, " and r.item_id in (select id from i)");
    // Few entries replace another: each is looked up by itself, which a join would not do.
    let statement = part(statement, false, "log_entry", NONE, "log_entries r", kitroom)
        .sql(" and r.supersedes_id is not null and r.item_id not in (select id from i)")
        .sql(" and (select o.item_id from log_entries o where o.kitroom_id = r.kitroom_id")
        .sql(" and o.id = r.supersedes_id) in (select id from i)");
    part(statement, false, "stock_entry", NONE, "stock_entries r", kitroom)
        .sql(" and r.item_id in (select id from i)")
}

/// Items with their masses, their log and their stock, as far as `account` is a member of their kitroom at this moment:
/// these, or all that are not deleted.
///
/// # Errors
/// As the database fails.
pub async fn load_items(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    account: Uuid,
    items: Option<&[Uuid]>,
) -> Result<Gathered, ApiError> {
    let mut statement = begin("with i as (select r.* from items r where r.kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and not r.deleted and exists (select from memberships m where m.kitroom_id = r.kitroom_id")
        .sql(" and m.removed_at is null and m.account_id = ")
        .bind::<SqlUuid, _>(account)
        .sql(")");
    if let Some(items) = items {
        statement = statement.sql(" and r.id = any(").bind::<Array<SqlUuid>, _>(items.to_vec()).sql(")");
    }
    statement = part(statement.sql(")"), true, "item", "m.mass", ITEMS, kitroom);
    Gathered::load(conn, history(statement, kitroom)).await
}

/// Of the kitrooms that lines name, those that the loadouts' owners are members of now.
async fn members(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    gathered: &Gathered,
) -> Result<BTreeMap<Uuid, BTreeSet<KitroomId>>, ApiError> {
    let mut member_of: BTreeMap<Uuid, BTreeSet<KitroomId>> = BTreeMap::new();
    // Most loadouts name no other kitroom.
    let foreign = |found: &Found| found.text().contains("\"item_kitroom_id\"");
    if !gathered.kind("loadout_entry").iter().any(foreign) {
        return Ok(member_of);
    }
    let loadouts: Vec<Uuid> = gathered.kind("loadout").iter().map(Found::id).collect();
    let rows: Vec<(Uuid, Uuid)> = sql::<(SqlUuid, SqlUuid)>(
        "select distinct m.account_id, m.kitroom_id from loadouts l \
         join loadout_entries e on e.kitroom_id = l.kitroom_id and e.loadout_id = l.id and not e.deleted \
         join memberships m on m.account_id = l.created_by and m.removed_at is null \
         and m.kitroom_id = (e.body->>'item_kitroom_id')::uuid where l.kitroom_id = ",
    )
    .bind::<SqlUuid, _>(kitroom)
    .sql(" and l.id = any(")
    .bind::<Array<SqlUuid>, _>(loadouts)
    .sql(")")
    .load(conn)
    .await?;
    for (account, kitroom) in rows {
        if let Ok(kitroom) = KitroomId::new(kitroom) {
            member_of.entry(account).or_default().insert(kitroom);
        }
    }
    Ok(member_of)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn judging_and_wearing_name_the_events_that_wear_a_head() {
        let names = domain::wear_history::WEARING.map(|event| format!("'{}'", event.name()));
        let list = format!("in ({})", names.join(", "));
        assert!(JUDGING.contains(&list) && WEARING.contains(&list), "{list}");
        let index = include_str!("../../../../migrations/2026-11-26-020000_index_head_tests/up.sql");
        assert!(index.contains(&format!("where event not {list} or supersedes_id is not null")));
    }
}
