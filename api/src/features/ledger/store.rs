//! Sealed loadouts, of a season or alone, read in one statement.

use diesel::sql_types::{Array, Uuid as SqlUuid};
use diesel_async::AsyncPgConnection;
use domain::time::Timestamp;
use domain::time_zone::day;
use domain::wire::loadout::LoadoutBody;
use domain::wire::race::RaceBody;
use domain::wire::seal::{SealBody, Snapshot};
use domain::wire::season::SeasonBody;
use uuid::Uuid;

use crate::features::records::gathered::{Gathered, NONE, begin, part};
use crate::platform::error::ApiError;

/// A sealed loadout, as it was sealed.
#[derive(Debug)]
pub struct Sealed {
    /// The loadout.
    pub loadout_id: Uuid,
    /// Its race's name, else its own.
    pub name: String,
    /// When it was sealed.
    pub sealed_at: Timestamp,
    /// What was sealed.
    pub snapshot: Snapshot,
}

/// One side of a ledger.
#[derive(Debug)]
pub enum Asked {
    /// One loadout.
    Loadout {
        /// What it is called.
        name: String,
        /// Its seal, when it has one.
        sealed: Option<Box<Sealed>>,
    },
    /// A season.
    Season {
        /// What it is called.
        name: String,
        /// Its sealed loadouts.
        sealed: Vec<Sealed>,
    },
}

/// Reads what these ids, of loadouts or of seasons, stand for; none for an id that is neither.
///
/// # Errors
/// As the database fails.
pub async fn find(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    ids: &[Uuid],
) -> Result<Vec<Option<Asked>>, ApiError> {
    // A season's days are those of each race's own time zone, so a race a day beside it is read as well.
    let statement = begin("with s as (select * from seasons where kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and id = any(")
        .bind::<Array<SqlUuid>, _>(ids.to_vec())
        .sql(") and not deleted), c as (select r.* from races r where r.kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and not r.deleted and exists (select from s where r.starts_at >= (s.from_on::date - 1)::text")
        .sql(" and r.starts_at < (s.to_on::date + 3)::text)), l as (select r.* from loadouts r where r.kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and not r.deleted and (r.race_id in (select id from c) or r.id = any(")
        .bind::<Array<SqlUuid>, _>(ids.to_vec())
        .sql("))), d as (select (state->>'seal_id')::uuid as id from loadout_states where kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and loadout_id in (select id from l) and state ? 'seal_id')");
    let statement = part(statement, true, "season", NONE, "s r", kitroom);
    let statement = part(statement, false, "race", NONE, "races r", kitroom)
        .sql(" and (r.id in (select id from c) or r.id in (select race_id from l))");
    let statement = part(statement, false, "loadout", NONE, "l r", kitroom);
    let statement =
        part(statement, false, "seal", NONE, "seals r", kitroom).sql(" and r.id in (select id from d)");
    let gathered = Gathered::load(conn, statement).await?;
    ids.iter().map(|id| side(&gathered, *id)).collect()
}

fn side(gathered: &Gathered, id: Uuid) -> Result<Option<Asked>, ApiError> {
    let of = |kind: &str| gathered.kind(kind).iter().find(|found| found.id() == id);
    if let Some(season) = of("season") {
        let season: SeasonBody = season.body()?;
        let mut races = Vec::new();
        for found in gathered.kind("race") {
            let race: RaceBody = found.body()?;
            let zone = race.time_zone.as_ref().map(|zone| zone.as_str());
            let starts_on = race.starts_at.map(|at| day(at, zone));
            if starts_on.is_some_and(|on| (season.from_on..=season.to_on).contains(&on)) {
                races.push(found.id());
            }
        }
        let sealed = sealed(gathered, |_, race| race.is_some_and(|race| races.contains(&race)))?;
        return Ok(Some(Asked::Season { name: season.name.as_str().to_owned(), sealed }));
    }
    let Some(loadout) = of("loadout") else { return Ok(None) };
    let body: LoadoutBody = loadout.body()?;
    let sealed = sealed(gathered, |loadout, _| loadout == id)?.pop().map(Box::new);
    Ok(Some(Asked::Loadout { name: body.name.as_str().to_owned(), sealed }))
}

/// The sealed loadouts that are meant, by their id and their race's.
fn sealed(gathered: &Gathered, meant: impl Fn(Uuid, Option<Uuid>) -> bool) -> Result<Vec<Sealed>, ApiError> {
    let mut sealed = Vec::new();
    for found in gathered.kind("seal") {
        let seal: SealBody = found.body()?;
        let loadout_id = seal.loadout_id.uuid();
        let Some(loadout) = gathered.kind("loadout").iter().find(|one| one.id() == loadout_id) else {
            continue;
        };
        let loadout: LoadoutBody = loadout.body()?;
        let race_id = loadout.race_id.map(Uuid::from);
        if !meant(loadout_id, race_id) {
            continue;
        }
        let race = gathered.kind("race").iter().find(|race| Some(race.id()) == race_id);
        let name = match race {
            Some(race) => race.body::<RaceBody>()?.name,
            None => loadout.name,
        };
        let (sealed_at, snapshot) = (seal.sealed_at(), seal.snapshot);
        sealed.push(Sealed { loadout_id, name: name.as_str().to_owned(), sealed_at, snapshot });
    }
    Ok(sealed)
}
