//! Typed identifiers: each is a UUID version 7 (RFC 9562, section 5.7) that the client may mint offline.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize};
use uuid::Uuid;

/// Why a text is no identifier of ours.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum IdError {
    /// Not a UUID in its hyphenated form.
    #[error("not a UUID in the form xxxxxxxx-xxxx-7xxx-yxxx-xxxxxxxxxxxx")]
    Malformed,
    /// A UUID, but not version 7 of the RFC 9562 variant.
    #[error("a UUID of version 7 is required")]
    NotVersion7,
}

/// Checks that `uuid` is version 7 and of the RFC 9562 variant.
///
/// # Errors
/// [`IdError::NotVersion7`] otherwise.
pub fn require_v7(uuid: Uuid) -> Result<Uuid, IdError> {
    if uuid.get_version_num() == 7 && uuid.get_variant() == uuid::Variant::RFC4122 {
        Ok(uuid)
    } else {
        Err(IdError::NotVersion7)
    }
}

/// Reads a UUIDv7 in its 36-character hyphenated form; other spellings of a UUID are refused, so that one id has
/// one spelling everywhere.
///
/// # Errors
/// [`IdError`] when it is not one.
pub fn parse_v7(text: &str) -> Result<Uuid, IdError> {
    if text.len() != 36 {
        return Err(IdError::Malformed);
    }
    require_v7(Uuid::try_parse(text).map_err(|_| IdError::Malformed)?)
}

macro_rules! id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
        #[serde(transparent)]
        pub struct $name(Uuid);

        impl $name {
            /// Wraps a UUID that is already known to be version 7.
            ///
            /// # Errors
            /// [`IdError::NotVersion7`] when it is not.
            pub fn new(uuid: Uuid) -> Result<Self, IdError> {
                require_v7(uuid).map(Self)
            }

            /// The UUID itself.
            #[must_use]
            pub fn uuid(self) -> Uuid {
                self.0
            }
        }

        impl TryFrom<Uuid> for $name {
            type Error = IdError;
            fn try_from(uuid: Uuid) -> Result<Self, IdError> {
                Self::new(uuid)
            }
        }

        impl From<$name> for Uuid {
            fn from(id: $name) -> Uuid {
                id.0
            }
        }

        impl FromStr for $name {
            type Err = IdError;
            fn from_str(text: &str) -> Result<Self, IdError> {
                parse_v7(text).map(Self)
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let text = <std::borrow::Cow<'_, str>>::deserialize(deserializer)?;
                text.parse().map_err(serde::de::Error::custom)
            }
        }

        #[cfg(feature = "openapi")]
        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                crate::openapi::uuid_v7()
            }
        }

        #[cfg(feature = "openapi")]
        impl utoipa::ToSchema for $name {}
    };
}

id!(
    /// Whose kit it is: one per runner, one per club.
    KitroomId
);
id!(
    /// An account of the service.
    AccountId
);
id!(
    /// One thing, or one kind of like units, in a kitroom.
    ItemId
);
id!(
    /// A scale that readings were taken on.
    ScaleId
);
id!(
    /// One session at a scale.
    SittingId
);
id!(
    /// One reading of a check weight.
    CheckReadingId
);
id!(
    /// One reading of one item on one scale.
    WeighingId
);
id!(
    /// One offline copy of a kitroom.
    ReplicaId
);
id!(
    /// One change.
    OpId
);
id!(
    /// A pocket of a race vest.
    PocketId
);
id!(
    /// A race's kit rules.
    RuleSheetId
);
id!(
    /// A race.
    RaceId
);
id!(
    /// What one runner takes to one race.
    LoadoutId
);
id!(
    /// One line of a loadout.
    LoadoutEntryId
);

id!(
    /// One fact in an item's condition history.
    LogEntryId
);
id!(
    /// One movement of a stock of like units.
    StockEntryId
);
id!(
    /// A season: a span of days that is compared with another.
    SeasonId
);
id!(
    /// A loadout fixed on race day.
    SealId
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parse_other_versions_and_spellings_refused() {
        // RFC 9562 appendix A.6: the worked example of version 7; A.3: of version 4.
        assert!("017f22e2-79b0-7cc3-98c4-dc0c0c07398f".parse::<ItemId>().is_ok());
        assert_eq!("919108f7-52d1-4320-9bac-f847db4148a8".parse::<ItemId>(), Err(IdError::NotVersion7));
        assert_eq!("017f22e279b07cc398c4dc0c0c07398f".parse::<ItemId>(), Err(IdError::Malformed));
        assert_eq!("".parse::<ItemId>(), Err(IdError::Malformed));
    }
}
