//! What a side holds: one sealed set, or the sets of a season.

use std::collections::{BTreeMap, BTreeSet};

use uuid::Uuid;

use crate::ids::ItemId;
use crate::time::Timestamp;
use crate::wire::item::ItemKind;
use crate::wire::ledger::{LedgerScope, LedgerSideKind};
use crate::wire::loadout::CarryPlace;
use crate::wire::mass::MassBasis;
use crate::wire::seal::{SealedEntry, Snapshot};

/// More than this, in milligrams, is no mass of a line.
const MOST_MG: i64 = 1_000_000_000;

/// A sealed loadout.
#[derive(Debug, Clone, Copy)]
pub struct SealedSet<'a> {
    /// The loadout.
    pub loadout_id: Uuid,
    /// What a person knows it by: the race's name, else the loadout's.
    pub name: &'a str,
    /// When it was sealed.
    pub sealed_at: Timestamp,
    /// As it was sealed.
    pub snapshot: &'a Snapshot,
}

/// One side of a ledger.
#[derive(Debug, Clone)]
pub struct Side<'a> {
    /// A loadout or a season.
    pub kind: LedgerSideKind,
    /// Its id.
    pub id: Uuid,
    /// Its name.
    pub name: &'a str,
    /// One sealed set for a loadout, one or more for a season.
    pub sets: Vec<SealedSet<'a>>,
}

/// What the mass of a unit rests on; equal evidence is one fact, whose error is the same on both sides.
type MassEvidence = (i64, Option<Timestamp>, u32, &'static str);

/// An item over the sets of a side.
#[derive(Debug, Clone)]
pub(super) struct Held {
    pub kind: ItemKind,
    pub name: String,
    /// Units, summed over the sets.
    pub units: i64,
    /// Milligrams, summed over the sets; none when the mass is not known in one of them.
    pub mass_mg: Option<i64>,
    /// Uncertainty of that sum, linearly, in grams; none when one rests on no measurement.
    pub u_g: Option<f64>,
    /// The one evidence that all of it rests on, if it is one.
    pub evidence: Option<MassEvidence>,
    /// Milligrams in each set that holds it.
    pub by_set: BTreeMap<usize, i64>,
}

/// A side summed up.
#[derive(Debug)]
pub(super) struct Composition {
    /// How many sets.
    pub n: i64,
    /// In scope.
    pub items: BTreeMap<ItemId, Held>,
    /// In the set and out of scope: on the body, or in a drop bag.
    pub elsewhere: BTreeMap<ItemId, String>,
    /// Water in milligrams, by set.
    pub water_by_set: Vec<i64>,
    /// Vessels whose filling makes no sense.
    pub bad_fill: BTreeSet<String>,
}

fn milligrams(grams: f64, units: u32) -> Option<i64> {
    let mg = (grams * 1000.0).round();
    if !mg.is_finite() || mg < 0.0 || mg > MOST_MG as f64 {
        return None;
    }
    (mg as i64).checked_mul(i64::from(units)).filter(|mg| *mg <= MOST_MG)
}

fn in_scope(entry: &SealedEntry, scope: LedgerScope) -> bool {
    match entry.carry_place {
        CarryPlace::InHand | CarryPlace::Stowed => true,
        CarryPlace::OnBody => scope == LedgerScope::Total,
        CarryPlace::DropBag => false,
    }
}

impl Composition {
    pub fn of(sets: &[SealedSet<'_>], scope: LedgerScope) -> Self {
        let mut sum = Self {
            n: sets.len() as i64,
            items: BTreeMap::new(),
            elsewhere: BTreeMap::new(),
            water_by_set: vec![0; sets.len()],
            bad_fill: BTreeSet::new(),
        };
        for (at, set) in sets.iter().enumerate() {
            for entry in &set.snapshot.entries {
                sum.add(at, entry, scope);
            }
        }
        for id in sum.items.keys() {
            sum.elsewhere.remove(id);
        }
        sum
    }

    fn add(&mut self, set: usize, entry: &SealedEntry, scope: LedgerScope) {
        if entry.quantity == 0 {
            return;
        }
        if !in_scope(entry, scope) {
            self.elsewhere.insert(entry.item_id, entry.name.clone());
            return;
        }
        if let Some(fill) = entry.fill_ml {
            // 1 g per ml.
            match milligrams(fill, entry.quantity) {
                Some(mg) => self.water_by_set[set] += mg,
                None => drop(self.bad_fill.insert(entry.name.clone())),
            }
        }
        let mass = entry.unit_mass_g.filter(|_| entry.mass_basis != MassBasis::None);
        let mass_mg = mass.and_then(|grams| milligrams(grams, entry.quantity));
        let unit_mg = mass.and_then(|grams| milligrams(grams, 1));
        let units = i64::from(entry.quantity);
        let u_g = entry.unit_mass_u_g.filter(|u| u.is_finite() && *u >= 0.0).map(|u| u * units as f64);
        let evidence = unit_mg.map(|mg| (mg, entry.last_weighed_at, entry.mass_n, entry.mass_basis.name()));
        let held = self.items.entry(entry.item_id).or_insert_with(|| Held {
            kind: entry.kind,
            name: String::new(),
            units: 0,
            mass_mg: Some(0),
            u_g: Some(0.0),
            evidence,
            by_set: BTreeMap::new(),
        });
        // The sets come oldest first: the latest name stands.
        held.name.clone_from(&entry.name);
        held.kind = entry.kind;
        held.units += units;
        held.mass_mg = held.mass_mg.zip(mass_mg).map(|(sum, mg)| sum + mg);
        held.u_g = held.u_g.zip(u_g).map(|(sum, u)| sum + u);
        held.evidence = held.evidence.filter(|one| Some(*one) == evidence);
        *held.by_set.entry(set).or_default() += mass_mg.unwrap_or(0);
    }

    pub fn is_empty(&self) -> bool {
        self.items.is_empty() && self.water_mg() == 0
    }

    pub fn water_mg(&self) -> i64 {
        self.water_by_set.iter().sum()
    }
}
