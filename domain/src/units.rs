//! Quantities. Inside, each is a whole number of thousandths (or of the unit itself), so that equal values are equal;
//! on the wire each is a JSON number in the unit that the field's name says, with at most three decimals.

use std::fmt;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Why a number is not a quantity of this kind.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum UnitError {
    /// NaN or infinite.
    #[error("must be a finite number")]
    NotFinite,
    /// More decimals than are stored.
    #[error("has more than {0} decimals")]
    TooFine(u32),
    /// Outside the range that can be stored.
    #[error("must be from {low} to {high} {unit}")]
    OutOfRange {
        /// The least value, in the wire unit.
        low: f64,
        /// The greatest value, in the wire unit.
        high: f64,
        /// The wire unit.
        unit: &'static str,
    },
}

/// `value` scaled by `10^decimals` as a whole number, when it has no more decimals than that.
///
/// # Errors
/// [`UnitError::NotFinite`], [`UnitError::TooFine`], or `TooFine` for a magnitude beyond exact whole numbers.
pub fn to_scaled(value: f64, decimals: u32) -> Result<i64, UnitError> {
    if !value.is_finite() {
        return Err(UnitError::NotFinite);
    }
    let scaled = value * 10f64.powi(decimals as i32);
    let whole = scaled.round();
    // 2^53: beyond it neighbouring whole numbers are no longer distinct.
    if whole.abs() > 9_007_199_254_740_992.0 {
        return Err(UnitError::TooFine(decimals));
    }
    // A decimal literal with few enough places lies within rounding error of a whole number when scaled.
    if (scaled - whole).abs() > 4.0 * f64::EPSILON * scaled.abs().max(1.0) {
        return Err(UnitError::TooFine(decimals));
    }
    Ok(whole as i64)
}

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal, decimals $decimals:literal, $low:literal ..= $high:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub struct $name(i64);

        impl $name {
            /// The least value, scaled.
            pub const MIN: i64 = $low * 10i64.pow($decimals);
            /// The greatest value, scaled.
            pub const MAX: i64 = $high * 10i64.pow($decimals);

            #[doc = concat!("From a number in ", $unit, ".")]
            ///
            /// # Errors
            /// [`UnitError`] when it is not finite, too fine, or out of range.
            pub fn new(value: f64) -> Result<Self, UnitError> {
                Self::from_scaled(to_scaled(value, $decimals)?)
            }

            /// From the whole number that is stored.
            ///
            /// # Errors
            /// [`UnitError::OutOfRange`].
            pub fn from_scaled(scaled: i64) -> Result<Self, UnitError> {
                if (Self::MIN..=Self::MAX).contains(&scaled) {
                    Ok(Self(scaled))
                } else {
                    Err(UnitError::OutOfRange { low: $low as f64, high: $high as f64, unit: $unit })
                }
            }

            /// The whole number that is stored.
            #[must_use]
            pub fn scaled(self) -> i64 {
                self.0
            }

            #[doc = concat!("As a number in ", $unit, ".")]
            #[must_use]
            pub fn value(self) -> f64 {
                self.0 as f64 / 10f64.powi($decimals)
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, concat!("{} ", $unit), self.value())
            }
        }

        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                let unit = 10i64.pow($decimals);
                if self.0 % unit == 0 {
                    serializer.serialize_i64(self.0 / unit)
                } else {
                    serializer.serialize_f64(self.value())
                }
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                Self::new(f64::deserialize(deserializer)?).map_err(serde::de::Error::custom)
            }
        }

        #[cfg(feature = "openapi")]
        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                crate::openapi::quantity($low as f64, $high as f64, $decimals, $unit)
            }
        }

        #[cfg(feature = "openapi")]
        impl utoipa::ToSchema for $name {}
    };
}

quantity!(
    /// A mass that is not negative, stored in milligrams, in grams on the wire.
    MassMg, "g", decimals 3, 0 ..= 1_000_000
);
quantity!(
    /// What a scale shows, which may be below zero; stored in milligrams, in grams on the wire.
    ReadingMg, "g", decimals 3, -1_000_000 ..= 1_000_000
);
quantity!(
    /// A hydrostatic head in millimetres of water.
    HeadMm, "mm", decimals 0, 0 ..= 1_000_000
);
quantity!(
    /// A volume in millilitres.
    Millilitres, "ml", decimals 3, 0 ..= 1_000_000
);
quantity!(
    /// Food energy in kilocalories.
    Kilocalories, "kcal", decimals 3, 0 ..= 1_000_000
);
quantity!(
    /// A time in hours.
    Hours, "h", decimals 3, 0 ..= 1_000_000
);
quantity!(
    /// Luminous flux in lumens.
    Lumens, "lm", decimals 3, 0 ..= 1_000_000
);

quantity!(
    /// A distance in kilometres.
    Kilometres, "km", decimals 3, 0 ..= 100_000
);
quantity!(
    /// A climb or a descent in metres.
    Metres, "m", decimals 3, 0 ..= 100_000
);
quantity!(
    /// A temperature in degrees Celsius.
    Celsius, "C", decimals 3, -100 ..= 100
);
quantity!(
    /// The mass of a person in kilograms.
    BodyKilograms, "kg", decimals 1, 30 ..= 200
);
quantity!(
    /// A gradient in per cent, rise over run.
    GradePercent, "%", decimals 1, 0 ..= 45
);

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn new_fourth_decimal_refused() {
        assert_eq!(MassMg::new(412.5).map(MassMg::scaled), Ok(412_500));
        assert_eq!(MassMg::new(0.0005), Err(UnitError::TooFine(3)));
        assert_eq!(MassMg::new(999_999.999_5), Err(UnitError::TooFine(3)));
        assert_eq!(MassMg::new(f64::NAN), Err(UnitError::NotFinite));
        assert_eq!(HeadMm::new(10_000.5), Err(UnitError::TooFine(0)));
        assert!(MassMg::new(-0.001).is_err());
        assert!(MassMg::new(1e300).is_err());
    }

    #[test]
    fn serialize_whole_numbers_as_integers() {
        let json = |grams: f64| serde_json::to_string(&MassMg::new(grams).unwrap()).unwrap();
        assert_eq!(json(412.0), "412");
        assert_eq!(json(412.25), "412.25");
        assert_eq!(serde_json::from_str::<MassMg>("412.0").unwrap(), serde_json::from_str("412").unwrap());
    }

    proptest! {
        #[test]
        fn round_trip_every_stored_value(scaled in MassMg::MIN..=MassMg::MAX) {
            let mass = MassMg::from_scaled(scaled).unwrap();
            let json = serde_json::to_string(&mass).unwrap();
            prop_assert_eq!(serde_json::from_str::<MassMg>(&json).unwrap(), mass);
        }
    }
}
