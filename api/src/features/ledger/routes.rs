//! `K/ledger`, also as a picture.

use actix_web::{HttpResponse, get, web};
use domain::ledger::{SealedSet, Side, ledger};
use domain::picture;
use domain::wire::ledger::{LedgerScope, LedgerSideKind, LedgerView};
use serde::Deserialize;
use uuid::Uuid;

use super::store::{self, Asked, Sealed};
use crate::features::kitrooms::access::KitroomAccess;
use crate::platform::answer::{self, svg};
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::Query;

/// Between what.
#[derive(Debug, Clone, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct LedgerQuery {
    /// Before: the id of a sealed loadout or of a season.
    #[param(format = Uuid)]
    from: String,
    /// After: the id of a sealed loadout or of a season.
    #[param(format = Uuid)]
    to: String,
    /// What is weighed; what is carried at the start when absent.
    #[serde(default)]
    scope: Option<LedgerScope>,
}

async fn view(access: &KitroomAccess, query: LedgerQuery, pool: &Pool) -> Result<LedgerView, ApiError> {
    let id = |name: &str, text: &str| {
        domain::ids::parse_v7(text).map_err(|error| ApiError::field(name, "invalid", error.to_string()))
    };
    let ids = [id("?from", &query.from)?, id("?to", &query.to)?];
    let mut conn = db::connection(pool).await?;
    let found = store::find(&mut conn, access.kitroom, &ids).await?;
    drop(conn);
    let sides: Vec<(&str, Uuid, &Option<Asked>)> = ["?from", "?to"]
        .into_iter()
        .zip(ids)
        .zip(&found)
        .map(|((name, id), asked)| (name, id, asked))
        .collect();
    let mut read = Vec::with_capacity(2);
    for (name, id, asked) in sides {
        read.push(side(name, id, asked.as_ref())?);
    }
    let [from, to] = read.as_slice() else {
        return Err(ApiError::internal("a ledger has two sides", ids[0]));
    };
    ledger(from, to, query.scope.unwrap_or_default())
        .map_err(|why| ApiError::field("?from", "no-ledger", format!("there is nothing to compare: {why}")))
}

fn side<'a>(parameter: &str, id: Uuid, asked: Option<&'a Asked>) -> Result<Side<'a>, ApiError> {
    let set = |sealed: &'a Sealed| SealedSet {
        loadout_id: sealed.loadout_id,
        name: &sealed.name,
        sealed_at: sealed.sealed_at,
        snapshot: &sealed.snapshot,
    };
    match asked {
        None => {
            let words = "there is no such loadout and no such season in this kitroom";
            Err(ApiError::field(parameter, "unknown", words))
        }
        Some(Asked::Loadout { name, sealed: None }) => {
            let words = format!("{name} is not sealed; a ledger compares masses as they were sealed");
            Err(ApiError::field(parameter, "not-sealed", words))
        }
        Some(Asked::Season { name, sealed }) if sealed.is_empty() => {
            let words =
                format!("no loadout of a race in {name} is sealed; a ledger compares masses as sealed");
            Err(ApiError::field(parameter, "not-sealed", words))
        }
        Some(Asked::Loadout { name, sealed: Some(sealed) }) => {
            Ok(Side { kind: LedgerSideKind::Loadout, id, name, sets: vec![set(sealed)] })
        }
        Some(Asked::Season { name, sealed }) => {
            Ok(Side { kind: LedgerSideKind::Season, id, name, sets: sealed.iter().map(set).collect() })
        }
    }
}

/// Why one sealed loadout, or one season's, weighs more or less than another, line by line, adding up to the milligram.
#[utoipa::path(
    tag = "loadouts",
    operation_id = "get_ledger",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."), LedgerQuery),
    responses((status = 200, description = "The ledger.", body = LedgerView))
)]
#[get("/ledger")]
pub async fn get_ledger(
    access: KitroomAccess,
    query: Query<LedgerQuery>,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    answer::computed(&view(&access, query.0, &pool).await?)
}

/// The same as a picture.
#[utoipa::path(
    tag = "loadouts",
    operation_id = "get_ledger_picture",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."), LedgerQuery),
    responses((
        status = 200,
        description = "The ledger, drawn.",
        body = String,
        content_type = "image/svg+xml",
        example = "<svg xmlns=\"http://www.w3.org/2000/svg\"/>"
    ))
)]
#[get("/ledger.svg")]
pub async fn get_ledger_picture(
    access: KitroomAccess,
    query: Query<LedgerQuery>,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    Ok(svg(picture::ledger_svg(&view(&access, query.0, &pool).await?)))
}
