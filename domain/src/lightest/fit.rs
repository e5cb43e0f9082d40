//! What has to lie where: the pieces of a set, the room that there is, and rows that every set which fits satisfies.

use super::lp::Row;
use super::model::worn_by_lock;
use super::pack::{Bins, Inner, Piece};
use super::problem::{LockedPlace, Pocket, Problem};

/// Pockets, and each item as a piece to place.
pub(super) struct Fit {
    pub bins: Bins,
    template: Vec<Piece>,
    wearable: Vec<bool>,
    /// Locked units with a given place, by item.
    placed: Vec<Vec<(LockedPlace, i64)>>,
    worn: Vec<i64>,
}

/// Most unions of pocket sets for which a row of room is written.
const MOST_UNIONS: usize = 256;

impl Fit {
    pub fn build(problem: &Problem, pockets: &[Pocket]) -> Self {
        let waterproof = mask(pockets.iter().map(|p| p.waterproof));
        let bins = Bins {
            volume: pockets.iter().map(|p| p.volume).collect(),
            mass_cap: pockets.iter().map(|p| p.mass_cap_mg).collect(),
            waterproof,
        };
        let template = problem
            .items
            .iter()
            .enumerate()
            .map(|(i, item)| {
                let only = item.only_in.as_ref().map_or(u32::MAX, |o| o.iter().fold(0, |m, &p| m | 1 << p));
                let reached = only
                    & mask(pockets.iter().map(|p| {
                        p.reach <= item.reach
                            && p.volume >= item.volume
                            && p.mass_cap_mg.is_none_or(|cap| cap >= item.mass_mg)
                    }));
                let pockets = if item.waterproof { reached & waterproof } else { reached };
                Piece {
                    item: i,
                    volume: item.volume,
                    mass: item.mass_mg,
                    pockets,
                    // No container lies in another.
                    reached: if item.container.is_some() { pockets } else { reached },
                    dry: item.waterproof,
                    reach: item.reach,
                    inside: None,
                    inner: item.container.as_ref().map(|c| Inner {
                        volume: c.volume,
                        mass_cap: c.mass_cap_mg,
                        reach: c.reach,
                    }),
                }
            })
            .collect();
        let mut placed: Vec<Vec<(LockedPlace, i64)>> = vec![Vec::new(); problem.items.len()];
        for lock in &problem.locks {
            if !matches!(lock.place, LockedPlace::Free | LockedPlace::OnBody) && lock.units > 0 {
                placed[lock.item].push((lock.place, i64::from(lock.units)));
            }
        }
        Self {
            bins,
            template,
            wearable: problem.items.iter().map(|i| i.on_body && i.container.is_none()).collect(),
            placed,
            worn: worn_by_lock(problem),
        }
    }

    /// The pieces of a set, and for each item how many units are worn.
    pub fn pieces(&self, units: &[i64]) -> (Vec<Piece>, Vec<i64>) {
        let mut pieces = Vec::new();
        let mut worn = vec![0; self.template.len()];
        for (i, template) in self.template.iter().enumerate() {
            let mut left = units[i] - self.worn[i];
            worn[i] = self.worn[i].min(units[i]);
            for &(place, count) in &self.placed[i] {
                for _ in 0..count.min(left) {
                    pieces.push(self.placed_piece(i, place));
                }
                left -= count.min(left);
            }
            if self.wearable[i] {
                worn[i] += left.max(0);
            } else {
                pieces.extend((0..left).map(|_| template.clone()));
            }
        }
        (pieces, worn)
    }

    /// How much room a unit of item `i` takes, more for room that is reached fast.
    pub fn scarcity(&self, i: usize) -> i64 {
        if self.wearable[i] {
            return 0;
        }
        let elsewhere = self.bins.volume.len() as i64 - i64::from(self.template[i].reached.count_ones());
        self.template[i].volume as i64 * (1 + elsewhere)
    }

    /// A free unit of item `i`.
    pub fn template_of(&self, i: usize) -> &Piece {
        &self.template[i]
    }

    /// Containers that might be taken and lie in no pocket of these items.
    pub fn missing_containers(&self, items: &[usize], hi: &[i64]) -> Vec<usize> {
        (0..self.template.len())
            .filter(|&c| hi[c] > 0 && self.template[c].inner.is_some() && !items.contains(&c))
            .filter(|&c| self.worn[c] == 0)
            .collect()
    }

    /// Whether every unit of item `i` is a free piece.
    pub fn is_plain(&self, i: usize) -> bool {
        self.placed[i].is_empty() && self.worn[i] == 0 && !self.wearable[i]
    }

    /// Whether every unit of item `i` beyond the locks is a plain piece.
    pub fn is_free(&self, i: usize) -> bool {
        !self.wearable[i] && self.template[i].inner.is_none()
    }

    fn placed_piece(&self, i: usize, place: LockedPlace) -> Piece {
        let mut piece = self.template[i].clone();
        match place {
            LockedPlace::Pocket(p) => {
                let waterproof = !piece.dry || self.bins.waterproof & (1 << p) != 0;
                piece.pockets = if waterproof { piece.reached & (1 << p) } else { 0 };
                piece.reached &= 1 << p;
                piece.dry = false;
            }
            LockedPlace::Inside(c) => {
                piece.pockets = 0;
                piece.inside = Some(c);
            }
            LockedPlace::Free | LockedPlace::OnBody => {}
        }
        piece
    }

    /// Rows that every set satisfies which fits, over the item columns.
    ///
    /// For every union P of pocket sets: what can lie only in P is no larger and no heavier than P (the condition of Gale
    /// for pieces that could be split), and of pieces larger than half of every pocket that they fit, no two share one.
    pub fn rows(&self, hi: &[i64]) -> Vec<Row> {
        let mut rows = Vec::new();
        let dry_room = self.template.iter().any(|p| p.inner.is_some());
        let masks: Vec<u32> =
            self.template.iter().map(|p| if p.dry && !dry_room { p.pockets } else { p.reached }).collect();
        let packed: Vec<usize> = (0..masks.len()).filter(|&i| hi[i] > 0 && !self.wearable[i]).collect();
        for &i in &packed {
            if masks[i] == 0 && self.placed[i].iter().all(|p| !matches!(p.0, LockedPlace::Inside(_))) {
                rows.push(Row::at_most(vec![(i, 1)], self.worn[i]));
            }
        }
        for union in unions(packed.iter().map(|&i| masks[i]).filter(|&m| m != 0)) {
            let inside: Vec<usize> =
                packed.iter().copied().filter(|&i| masks[i] != 0 && masks[i] & !union == 0).collect();
            let pockets: Vec<usize> =
                (0..self.bins.volume.len()).filter(|&p| union & (1 << p) != 0).collect();
            let room: u64 = pockets.iter().map(|&p| self.bins.volume[p]).sum();
            self.push_room(&mut rows, &inside, room, hi, |p| p.volume);
            let caps: Option<u64> = pockets.iter().map(|&p| self.bins.mass_cap[p]).sum();
            if let Some(cap) = caps {
                self.push_room(&mut rows, &inside, cap, hi, |p| p.mass);
            }
            for parts in 2..4u64 {
                let large: Vec<usize> = inside
                    .iter()
                    .copied()
                    .filter(|&i| {
                        pockets.iter().all(|&p| {
                            masks[i] & (1 << p) == 0 || self.template[i].volume * parts > self.bins.volume[p]
                        })
                    })
                    .collect();
                let slots = pockets.len() as u64 * (parts - 1);
                self.push_room(&mut rows, &large, slots, hi, |_| 1);
            }
        }
        self.push_dry_rows(&mut rows, hi);
        rows
    }

    fn push_room(
        &self,
        rows: &mut Vec<Row>,
        items: &[usize],
        room: u64,
        hi: &[i64],
        size: impl Fn(&Piece) -> u64,
    ) {
        let coefs: Vec<(usize, i64)> =
            items.iter().map(|&i| (i, size(&self.template[i]) as i64)).filter(|c| c.1 > 0).collect();
        let most: i64 = coefs.iter().map(|&(i, v)| v * (hi[i] - self.worn[i]).max(0)).sum();
        if most > room as i64 {
            let worn: i64 = coefs.iter().map(|&(i, v)| v * self.worn[i]).sum();
            rows.push(Row::at_most(coefs, room as i64 + worn));
        }
    }

    /// What must lie dry fits into the waterproof pockets and the containers taken.
    fn push_dry_rows(&self, rows: &mut Vec<Row>, hi: &[i64]) {
        let dry: Vec<usize> = (0..self.template.len())
            .filter(|&i| hi[i] > 0 && self.template[i].dry && !self.wearable[i] && self.placed[i].is_empty())
            .collect();
        let pockets: u64 = (0..self.bins.volume.len())
            .filter(|&p| self.bins.waterproof & (1 << p) != 0)
            .map(|p| self.bins.volume[p])
            .sum();
        let containers: Vec<(usize, i64)> = (0..self.template.len())
            .filter(|&i| hi[i] > 0)
            .filter_map(|i| self.template[i].inner.as_ref().map(|c| (i, c.volume as i64)))
            .collect();
        let mut coefs: Vec<(usize, i64)> = containers.iter().map(|&(i, v)| (i, -v)).collect();
        for &i in &dry {
            let v = self.template[i].volume as i64;
            match coefs.iter_mut().find(|c| c.0 == i) {
                Some(c) => c.1 += v,
                None => coefs.push((i, v)),
            }
            if self.template[i].pockets == 0 {
                let mut row = vec![(i, -1)];
                row.extend(containers.iter().filter(|c| c.0 != i).map(|&(c, _)| (c, hi[i])));
                rows.push(Row::at_least(row, -self.worn[i]));
            }
        }
        if !dry.is_empty() {
            let worn: i64 = dry.iter().map(|&i| self.template[i].volume as i64 * self.worn[i]).sum();
            rows.push(Row::at_most(coefs, pockets as i64 + worn));
        }
    }
}

fn mask(bits: impl Iterator<Item = bool>) -> u32 {
    bits.enumerate().fold(0, |m, (p, b)| if b { m | 1 << p } else { m })
}

/// All unions of the given sets, or the first of them when there are very many.
pub(super) fn unions(sets: impl Iterator<Item = u32>) -> Vec<u32> {
    let mut distinct: Vec<u32> = sets.collect();
    distinct.sort_unstable();
    distinct.dedup();
    let mut all: Vec<u32> = Vec::new();
    for set in distinct {
        for k in 0..all.len() {
            let union = all[k] | set;
            if !all.contains(&union) && all.len() < MOST_UNIONS {
                all.push(union);
            }
        }
        if !all.contains(&set) && all.len() < MOST_UNIONS {
            all.push(set);
        }
    }
    all.sort_unstable();
    all
}
