//! Masses of a loadout as they read.

use domain::wire::seal::MassWithU;

use crate::render::with_uncertainty;

/// Nothing, and water as it was filled in, have no uncertainty of a weighing.
const NONE: f64 = 1e-6;

/// "3412 +- 12 g"; without an uncertainty "3412 g, +- not known".
#[must_use]
pub fn mass(mass: &MassWithU) -> String {
    match mass.u_g {
        Some(u) if u < NONE => format!("{} g", rounded(mass.value_g)),
        Some(u) => with_uncertainty(mass.value_g, u),
        None => format!("{} g, +- not known", rounded(mass.value_g)),
    }
}

/// Short, for a column: "3412 +- 12 g", "3412 +- ? g".
#[must_use]
pub fn column(mass: &MassWithU) -> String {
    match mass.u_g {
        Some(u) if u < NONE => format!("{} g", rounded(mass.value_g)),
        Some(u) => with_uncertainty(mass.value_g, u),
        None => format!("{} +- ? g", rounded(mass.value_g)),
    }
}

/// A change with its sign: "-38.0 +- 0.9 g".
#[must_use]
pub fn change(mass: &MassWithU) -> String {
    let sign = if mass.value_g > 0.0 { "+" } else { "" };
    format!("{sign}{}", self::mass(mass))
}

/// Grams to a tenth, without a needless one.
#[must_use]
pub fn rounded(grams: f64) -> String {
    let text = format!("{grams:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mass_without_an_uncertainty_says_so() {
        let known = MassWithU { value_g: 3412.34, u_g: Some(12.0) };
        let unknown = MassWithU { value_g: 3412.0, u_g: None };
        assert_eq!((mass(&known), mass(&unknown)), ("3412 +- 12 g".into(), "3412 g, +- not known".into()));
        assert_eq!(mass(&MassWithU { value_g: 500.0, u_g: Some(0.0) }), "500 g");
        assert_eq!(change(&MassWithU { value_g: -38.0, u_g: Some(0.9) }), "-38.0 +- 0.9 g");
        assert_eq!(change(&MassWithU { value_g: 38.0, u_g: None }), "+38 g, +- not known");
    }
}
