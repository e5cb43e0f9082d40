//! The total at the start, cut in several ways.

use std::collections::{BTreeMap, BTreeSet};

use super::demanded::Demanded;
use super::layout::Line;
use crate::ids::{ItemId, PocketId};
use crate::provisions::{Entry, MassFigure, MassSum};
use crate::wire::item::Reach;
use crate::wire::loadout::CarryPlace;
use crate::wire::loadout_answers::{ByReach, ExpendableMasses, MassRestsOn, PlaceMasses, PocketMass};
use crate::wire::mass::MassBasis;
use crate::wire::pocket::PocketBody;
use crate::wire::seal::MassWithU;

/// Lines with their summands, in the same order.
#[derive(Debug, Clone, Copy)]
pub(super) struct Summed<'a> {
    pub lines: &'a [Line<'a>],
    pub entries: &'a [Entry],
}

/// To the milligram.
pub(super) fn shown(figure: MassFigure) -> MassWithU {
    let rounded = |value: f64| (value * 1000.0).round() / 1000.0 + 0.0;
    MassWithU { value_g: rounded(figure.value_g), u_g: figure.u_g.map(rounded) }
}

impl<'a> Summed<'a> {
    /// The sum over lines of a share of the own mass and one of the water.
    pub fn sum(&self, share: impl Fn(usize, &Line<'a>) -> Option<(f64, f64)>) -> MassWithU {
        let mut sum = MassSum::default();
        for (at, (line, entry)) in self.lines.iter().zip(self.entries).enumerate() {
            if let Some((own, water)) = share(at, line) {
                sum.add(entry, own, water);
            }
        }
        shown(sum.figure())
    }

    fn whole(&self, counts: impl Fn(&Line<'a>) -> bool) -> MassWithU {
        self.sum(|_, line| counts(line).then_some((1.0, 1.0)))
    }

    pub fn total(&self) -> MassWithU {
        self.whole(Line::at_start)
    }

    pub fn carried(&self) -> MassWithU {
        self.whole(is_carried)
    }

    pub fn by_reach(&self) -> ByReach {
        let at = |reach: Option<Reach>| self.whole(|line| is_carried(line) && line.reach == reach);
        ByReach {
            moving: at(Some(Reach::Moving)),
            at_stop: at(Some(Reach::AtStop)),
            vest_off: at(Some(Reach::VestOff)),
            not_placed: at(None),
        }
    }

    /// What rules count on, and the rest.
    pub fn demanded(&self, demanded: &[Demanded]) -> (MassWithU, MassWithU) {
        let of = |at: usize| demanded.get(at).copied().unwrap_or_default();
        let asked = self.sum(|at, line| line.at_start().then(|| (of(at).own, of(at).water)));
        let rest = self.sum(|at, line| line.at_start().then(|| (1.0 - of(at).own, 1.0 - of(at).water)));
        (asked, rest)
    }

    pub fn expendable(&self) -> ExpendableMasses {
        let food = |at: usize, line: &Line<'_>| {
            let eaten = self.entries[at].food && self.entries[at].energy.is_some();
            (line.at_start() && eaten) as u8 as f64
        };
        let cut = |reserve: bool, food_share: f64, water_share: f64| {
            self.sum(|at, line| {
                let counts = line.at_start() && line.reserve() == reserve;
                counts.then(|| (food_share * food(at, line), water_share))
            })
        };
        ExpendableMasses {
            expendable_g: cut(false, 1.0, 1.0),
            food_g: cut(false, 1.0, 0.0),
            water_g: cut(false, 0.0, 1.0),
            reserve_g: cut(true, 1.0, 1.0),
        }
    }

    pub fn places(&self) -> PlaceMasses {
        let now = |line: &Line<'_>| line.at_start();
        PlaceMasses {
            on_body: self.whole(|line| now(line) && line.place == CarryPlace::OnBody),
            in_hand: self.whole(|line| now(line) && line.place == CarryPlace::InHand),
            stowed: self
                .whole(|line| now(line) && matches!(line.place, CarryPlace::Stowed | CarryPlace::DropBag)),
            drop_bag: self.whole(|line| !now(line)),
        }
    }

    /// The pockets with something in them at the start, by id.
    pub fn pockets(&self) -> Vec<PocketMass> {
        let mut pockets: BTreeMap<PocketId, &PocketBody> = BTreeMap::new();
        let stowed = |line: &Line<'_>| line.at_start() && is_carried(line);
        for (id, pocket) in self.lines.iter().filter(|line| stowed(line)).filter_map(|line| line.pocket) {
            pockets.insert(id, pocket);
        }
        let mass = |(id, pocket): (PocketId, &PocketBody)| {
            let here = |line: &Line<'_>| stowed(line) && line.pocket.is_some_and(|(at, _)| at == id);
            PocketMass {
                pocket_id: id,
                name: pocket.name.as_str().to_owned(),
                reach: pocket.reach,
                side: pocket.side,
                mass_g: self.whole(here),
                mass_cap_g: pocket.mass_cap_g.map(|cap| cap.value()),
                used_ml: self.lines.iter().filter(|line| here(line)).map(volume_ml).sum(),
                volume_ml: pocket.volume_ml.map(|volume| volume.value()),
            }
        };
        pockets.into_iter().map(mass).collect()
    }

    pub fn rests_on(&self) -> MassRestsOn {
        let basis = |line: &Line<'_>| line.thing.as_ref().map_or(MassBasis::None, |t| t.mass.mass_basis);
        let items = |wanted: MassBasis| {
            let these = self.lines.iter().filter(|line| line.at_start() && basis(line) == wanted);
            these.map(|line| line.body.item_id).collect::<BTreeSet<ItemId>>().len() as u32
        };
        let own = |wanted: MassBasis| {
            self.sum(|_, line| (line.at_start() && basis(line) == wanted).then_some((1.0, 0.0)))
        };
        MassRestsOn {
            measured: own(MassBasis::Measured),
            label_g: own(MassBasis::Label).value_g,
            measured_n: items(MassBasis::Measured),
            label_n: items(MassBasis::Label),
            unknown_n: items(MassBasis::None),
        }
    }
}

/// In the hand or stowed at the start.
pub(super) fn is_carried(line: &Line<'_>) -> bool {
    line.at_start() && line.place != CarryPlace::OnBody
}

/// As packed, of all units; a filled vessel takes up at least its content.
fn volume_ml(line: &Line<'_>) -> Option<f64> {
    let volume = line.thing.as_ref().and_then(|thing| thing.body.volume_ml).map(|volume| volume.value());
    let fill = line.body.fill_ml.map(|fill| fill.value());
    let one = match (volume, fill) {
        (Some(volume), Some(fill)) => Some(volume.max(fill)),
        (volume, fill) => volume.or(fill),
    };
    one.map(|ml| ml * f64::from(line.units()))
}
