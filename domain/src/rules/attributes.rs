//! The registry of attributes: what a rule may test or sum, with unit and type.
//!
//! An item's attributes are an open map; a rule names one of these, so that a misspelt name is an error and not a
//! test that nothing ever passes. Vapour transfer has one attribute for each method, because results of different
//! methods are not comparable (ASTM E96-24, 5.2.1).

use serde::Serialize;

/// The type of an attribute's value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Type {
    /// A number in the attribute's unit.
    Number,
    /// True or false.
    Boolean,
    /// A word, compared without regard to case.
    Text,
    /// A day, `2026-08-28`.
    Date,
    /// Two sides in millimetres, `1400x2000`, compared sorted.
    Size,
}

/// Where a value comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema), schema(as = AttributeSource))]
#[serde(rename_all = "snake_case")]
pub enum Source {
    /// A field of the item itself, or derived from its facts.
    Item,
    /// The item's open map of attributes.
    Map,
    /// The entry of the loadout: how it is filled and packed.
    Entry,
}

/// One attribute.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Attribute {
    /// As a rule names it.
    pub name: &'static str,
    /// The type.
    #[serde(rename = "type")]
    pub of: Type,
    /// The unit, empty for a type without one.
    #[serde(skip_serializing_if = "str::is_empty")]
    pub unit: &'static str,
    /// The least number that any item can have.
    pub low: f64,
    /// The greatest number that any item can have.
    pub high: f64,
    /// Whether a limit inside the value's interval makes a rule NOT SHOWN when the rule itself does not say.
    pub safety: bool,
    /// Whether it changes with time, so that a rule's `max_age_d` looks at its date.
    pub ages: bool,
    /// Whether it is used up on the way, so that only what is kept in reserve counts at all times.
    pub expendable: bool,
    /// Where it comes from.
    pub from: Source,
    /// In words.
    pub words: &'static str,
}

const fn number(
    name: &'static str,
    unit: &'static str,
    high: f64,
    from: Source,
    words: &'static str,
) -> Attribute {
    Attribute {
        name,
        of: Type::Number,
        unit,
        low: 0.0,
        high,
        safety: false,
        ages: false,
        expendable: false,
        from,
        words,
    }
}

const fn other(name: &'static str, of: Type, from: Source, words: &'static str) -> Attribute {
    let plain = number(name, "", 0.0, from, words);
    Attribute { of, ..plain }
}

const fn safety(attribute: Attribute) -> Attribute {
    Attribute { safety: true, ..attribute }
}

const fn ages(attribute: Attribute) -> Attribute {
    Attribute { ages: true, ..attribute }
}

const fn expendable(attribute: Attribute) -> Attribute {
    Attribute { expendable: true, ..attribute }
}

use Source::{Entry, Item, Map};
use Type::{Boolean, Date, Size, Text};

/// Every attribute, in the order of the alphabet.
pub static REGISTRY: &[Attribute] = &[
    other("acquired_on", Date, Item, "day it was acquired"),
    number("area_dm2", "dm2", 1e5, Map, "area"),
    number("astm_e96_bw_g_m2_24h", "g/(m2 24 h)", 1e6, Item, "vapour transfer, ASTM E96 BW"),
    other("brim", Boolean, Map, "has a brim"),
    ages(safety(number("burn_h", "h", 1e4, Item, "burn time"))),
    safety(number("capacity_ml", "ml", 1e6, Item, "capacity")),
    other("cell_type", Text, Map, "cell type"),
    ages(number("charge_pct", "%", 100.0, Map, "charge")),
    other("connector", Text, Map, "connector"),
    other("cotton", Boolean, Map, "contains cotton"),
    expendable(safety(number("energy_kcal", "kcal", 1e6, Item, "energy"))),
    number("energy_wh", "Wh", 1e5, Map, "stored energy"),
    other("expires_on", Date, Item, "expiry date"),
    expendable(safety(number("fill_ml", "ml", 1e6, Entry, "content"))),
    other("full_length_zip", Boolean, Map, "full-length zip"),
    number("gsm", "g/m2", 1e4, Map, "mass per area"),
    ages(safety(number("head_mm", "mm", 1e6, Item, "hydrostatic head"))),
    other("hood", Boolean, Item, "integral hood"),
    other("insulated", Boolean, Map, "insulated"),
    number("jis_l1099_a1_g_m2_24h", "g/(m2 24 h)", 1e6, Item, "vapour transfer, JIS L 1099 A-1"),
    number("jis_l1099_b1_g_m2_24h", "g/(m2 24 h)", 1e6, Item, "vapour transfer, JIS L 1099 B-1"),
    number("jis_l1099_b2_g_m2_24h", "g/(m2 24 h)", 1e6, Item, "vapour transfer, JIS L 1099 B-2"),
    other("kept_dry", Boolean, Entry, "packed in a dry bag or waterproof pocket"),
    other("leg_length", Text, Map, "leg length: full, three_quarter or short"),
    safety(number("length_mm", "mm", 1e5, Map, "length")),
    safety(number("lumens", "lm", 1e5, Item, "luminous flux")),
    ages(number("mass_g", "g", 1e6, Item, "mass")),
    other("membrane", Boolean, Map, "has a membrane"),
    other("numbers_stored", Boolean, Map, "emergency numbers stored"),
    other("opened", Boolean, Item, "packing opened"),
    other("poncho", Boolean, Map, "is a poncho"),
    other("red", Boolean, Map, "shines red"),
    other("reflective", Boolean, Map, "reflective"),
    number("ret_m2pa_w", "m2 Pa/W", 700.0, Item, "Ret, ISO 11092"),
    other("roaming", Boolean, Map, "roaming switched on"),
    other("seams_taped", Boolean, Item, "taped seams"),
    other("size", Text, Item, "size"),
    safety(other("size_mm", Size, Map, "size of the two sides")),
    other("sleeve_length", Text, Map, "sleeve length: long or short"),
    other("sock_length", Text, Map, "sock length: long or short"),
    ages(number("spray_grade", "", 5.0, Item, "spray grade, ISO 4920")),
    other("thing", Text, Map, "what it is, for the kinds `other` and `first_aid`"),
    other("track_loaded", Boolean, Map, "the course's track is loaded"),
    number("volume_ml", "ml", 1e6, Item, "packed volume"),
    other("waterproof", Boolean, Map, "waterproof"),
    safety(number("width_mm", "mm", 1e5, Map, "width")),
    other("windproof", Boolean, Map, "windproof"),
];

/// The attribute of that name.
#[must_use]
pub fn find(name: &str) -> Option<&'static Attribute> {
    REGISTRY.binary_search_by(|a| a.name.cmp(name)).ok().map(|i| &REGISTRY[i])
}

/// The registered name that is closest to a misspelt one, if one is close: at most a third of its letters differ
/// (Levenshtein distance), or one begins the other.
#[must_use]
pub fn nearest(name: &str) -> Option<&'static str> {
    let short: String = name.chars().take(64).collect::<String>().to_lowercase().replace([' ', '-'], "_");
    let scored = REGISTRY.iter().map(|a| {
        let begins = short.len() >= 3 && (a.name.starts_with(&short) || short.starts_with(a.name));
        (if begins { 1 } else { distance(&short, a.name) }, a.name)
    });
    scored.min().filter(|(d, best)| *d * 3 <= best.len().max(3)).map(|(_, best)| best)
}

fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let substitute = diagonal + usize::from(x != *y);
            diagonal = row[j + 1];
            row[j + 1] = substitute.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn find_every_registered_name_found() {
        assert!(REGISTRY.windows(2).all(|w| w[0].name < w[1].name));
        assert!(REGISTRY.iter().all(|a| find(a.name) == Some(a)));
    }

    #[test]
    fn nearest_misspelt_names_suggested() {
        assert_eq!(nearest("head"), Some("head_mm"));
        assert_eq!(nearest("lumen"), Some("lumens"));
        assert_eq!(nearest("Seams-Taped"), Some("seams_taped"));
        assert_eq!(nearest("colour_of_the_sky"), None);
    }
}
