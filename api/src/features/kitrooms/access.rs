//! The one way to a kitroom: no handler gets at its records without one of these.

use std::pin::Pin;

use actix_web::dev::Payload;
use actix_web::{FromRequest, HttpRequest, web};
use domain::sync::op::Role;
use domain::wire::problem::ErrorCode;
use uuid::Uuid;

use super::store;
use crate::platform::auth::Account;
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::path_id;
use crate::platform::limits::Bounds;

/// A member of the kitroom in the path, at the moment of asking.
#[derive(Debug, Clone, Copy)]
pub struct KitroomAccess {
    /// The kitroom.
    pub kitroom: Uuid,
    /// Who asks.
    pub account: Account,
    /// In which role.
    pub role: Role,
    /// The kitroom's epoch.
    pub epoch: Uuid,
}

impl KitroomAccess {
    /// Refuses a lesser role.
    ///
    /// # Errors
    /// `forbidden`.
    pub fn require(&self, least: Role) -> Result<(), ApiError> {
        if self.role >= least {
            return Ok(());
        }
        let words = format!("a {} may not do this; it takes a {}", self.role.name(), least.name());
        Err(ApiError::new(ErrorCode::Forbidden, words))
    }
}

/// Somebody who wants to change the kitroom in the path. The door reads the right under the kitroom's lock, so nothing
/// is asked here.
#[derive(Debug, Clone, Copy)]
pub struct KitroomWrite {
    /// The kitroom.
    pub kitroom: Uuid,
    /// Who asks.
    pub account: Account,
    /// How many records the kitroom may hold.
    pub records_at_most: i64,
}

fn kitroom_id(request: &HttpRequest) -> Result<Uuid, ApiError> {
    path_id(request.match_info().get("kitroom_id").unwrap_or_default())
}

impl FromRequest for KitroomWrite {
    type Error = ApiError;
    type Future = Pin<Box<dyn Future<Output = Result<Self, ApiError>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let account = Account::from_request(request, payload);
        let request = request.clone();
        Box::pin(async move {
            let account = account.await?;
            let bounds =
                request.app_data::<web::Data<Bounds>>().map_or(Bounds::PRODUCTION, |bounds| ***bounds);
            let records_at_most = bounds.records_per_kitroom;
            Ok(Self { kitroom: kitroom_id(&request)?, account, records_at_most })
        })
    }
}

impl FromRequest for KitroomAccess {
    type Error = ApiError;
    type Future = Pin<Box<dyn Future<Output = Result<Self, ApiError>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let write = KitroomWrite::from_request(request, payload);
        let pool = request.app_data::<web::Data<Pool>>().cloned();
        Box::pin(async move {
            let KitroomWrite { kitroom, account, .. } = write.await?;
            let pool = pool.ok_or_else(|| ApiError::internal("the app was built without a part", "pool"))?;
            let mut conn = db::connection(&pool).await?;
            let found = store::find_membership(&mut conn, kitroom, account.id).await?;
            let (role, epoch) = found.ok_or_else(ApiError::not_found)?;
            Ok(Self { kitroom, account, role, epoch })
        })
    }
}
