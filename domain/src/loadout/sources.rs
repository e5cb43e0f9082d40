//! Lines as summands of a mass: which part of each uncertainty is shared with which other line.

use std::collections::HashMap;

use super::layout::{Line, Thing};
use crate::ids::{ItemId, KitroomId};
use crate::provisions::{CarryPlace, Entry, EntryMass, SharedPart};
use crate::units::MassMg;
use crate::wire::loadout;

/// What several lines can owe to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Source<'a> {
    /// The item itself: its other lines have the same error.
    Item(ItemId),
    /// A scale, a sitting or a check weight. The weights of another kitroom are other weights.
    Part(Option<KitroomId>, &'a str),
}

/// The sources in the order in which they were met.
#[derive(Debug, Default)]
pub(super) struct Sources<'a> {
    numbers: HashMap<Source<'a>, u32>,
}

impl<'a> Sources<'a> {
    fn number(&mut self, source: Source<'a>) -> u32 {
        let next = self.numbers.len() as u32;
        *self.numbers.entry(source).or_insert(next)
    }

    fn mass(&mut self, thing: &Thing<'a>) -> Option<EntryMass> {
        let grams = thing.mass.mass_g?;
        let mass = MassMg::from_scaled((grams * 1000.0).round() as i64).ok()?;
        let Some(u) = thing.mass.mass_u_g else {
            return Some(EntryMass { mass, own_u_g: None, shared: Vec::new() });
        };
        let parts = thing.mass.mass_parts.as_ref();
        let item = self.number(Source::Item(thing.id));
        let mut shared = Vec::with_capacity(1 + parts.map_or(0, |parts| parts.shared.len()));
        shared.push(SharedPart { source: item, u_g: parts.map_or(u, |parts| parts.own_u_g) });
        for part in parts.map_or(&[][..], |parts| &parts.shared) {
            let source = self.number(Source::Part(thing.kitroom(), &part.source));
            shared.push(SharedPart { source, u_g: part.u_g });
        }
        Some(EntryMass { mass, own_u_g: Some(0.0), shared })
    }

    /// A line as it is summed.
    pub fn entry(&mut self, line: &Line<'a>) -> Entry {
        Entry {
            mass: line.thing.as_ref().and_then(|thing| self.mass(thing)),
            quantity: line.units(),
            place: match line.place {
                loadout::CarryPlace::OnBody => CarryPlace::OnBody,
                loadout::CarryPlace::InHand => CarryPlace::InHand,
                loadout::CarryPlace::Stowed => CarryPlace::Stowed,
                loadout::CarryPlace::DropBag => CarryPlace::DropBag,
            },
            food: line.thing.as_ref().is_some_and(Thing::is_food),
            energy: line.thing.as_ref().and_then(|thing| thing.body.energy_kcal),
            fill: line.body.fill_ml,
            reserve: line.reserve(),
            from_leg: line.from_leg,
            to_leg: line.to_leg,
        }
    }
}
