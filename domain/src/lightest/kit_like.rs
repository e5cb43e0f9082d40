//! A plain form of the question, for instances that are exchanged with other solvers.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::problem::{Item, Need, Pocket, Problem, Reach, Requirement};

/// Items, rules and pockets. Without pockets no fit is asked for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Instance {
    /// Its name.
    pub name: String,
    /// What may be taken, one of each.
    pub items: Vec<KitItem>,
    /// What is demanded.
    pub rules: Vec<KitRule>,
    /// Where it must go.
    #[serde(default)]
    pub pockets: Vec<KitPocket>,
}

/// A thing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KitItem {
    /// Unique.
    pub id: String,
    /// What it is.
    pub kind: String,
    /// In grams.
    pub mass_g: f64,
    /// In millilitres.
    #[serde(default)]
    pub volume_ml: f64,
    /// Attributes by name.
    #[serde(default)]
    pub attrs: BTreeMap<String, f64>,
    /// The slowest place that will do.
    pub reach_needed: Reach,
}

/// A `count` or a `total`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KitRule {
    /// Unique.
    pub id: String,
    /// `count` or `total`.
    pub need: String,
    /// Any of these.
    pub kinds: Vec<String>,
    /// How many.
    #[serde(default)]
    pub count: u32,
    /// (attribute, `>=`, `<=` or `=`, limit); all must pass.
    #[serde(default, rename = "where")]
    pub tests: Vec<(String, String, f64)>,
    /// Uses nothing up.
    #[serde(default)]
    pub shareable: bool,
    /// The attribute that is summed.
    #[serde(default)]
    pub measure: String,
    /// The least sum.
    #[serde(default)]
    pub at_least: Option<f64>,
    /// The greatest sum.
    #[serde(default)]
    pub at_most: Option<f64>,
}

/// A pocket.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KitPocket {
    /// Unique.
    pub id: String,
    /// In millilitres.
    pub volume_ml: f64,
    /// How fast it is reached.
    pub reach: Reach,
}

/// A number as whole thousandths; what is below zero or not finite becomes zero.
fn thousandths(value: f64) -> u64 {
    (value * 1000.0).round() as u64
}

impl KitRule {
    fn admits(&self, item: &KitItem) -> bool {
        self.kinds.contains(&item.kind)
            && self.tests.iter().all(|(name, op, limit)| {
                item.attrs.get(name).is_some_and(|value| match op.as_str() {
                    ">=" => value >= limit,
                    "<=" => value <= limit,
                    "=" => value == limit,
                    _ => false,
                })
            })
    }

    fn need(&self, items: &[KitItem]) -> Need {
        let admitted: Vec<usize> = (0..items.len()).filter(|&i| self.admits(&items[i])).collect();
        if self.need == "count" {
            return Need::Count { eligible: admitted, units: self.count, shareable: self.shareable };
        }
        let amount = |i: usize| items[i].attrs.get(&self.measure).map(|&a| (i, thousandths(a) as i64));
        Need::Total {
            amounts: admitted.into_iter().filter_map(amount).collect(),
            at_least: self.at_least.map(|a| thousandths(a) as i64),
            at_most: self.at_most.map(|a| thousandths(a) as i64),
        }
    }
}

impl Instance {
    /// The same as a [`Problem`]: masses in mg, volumes in thousandths of a millilitre.
    #[must_use]
    pub fn problem(&self) -> Problem {
        let item = |i: &KitItem| Item {
            volume: thousandths(i.volume_ml),
            reach: i.reach_needed,
            ..Item::new(i.id.clone(), thousandths(i.mass_g))
        };
        let pocket = |p: &KitPocket| Pocket {
            id: p.id.clone(),
            volume: thousandths(p.volume_ml),
            mass_cap_mg: None,
            reach: p.reach,
            waterproof: false,
        };
        Problem {
            items: self.items.iter().map(item).collect(),
            requirements: self
                .rules
                .iter()
                .map(|r| Requirement::new(r.id.clone(), r.need(&self.items)))
                .collect(),
            pockets: (!self.pockets.is_empty()).then(|| self.pockets.iter().map(pocket).collect()),
            ..Problem::default()
        }
    }
}
