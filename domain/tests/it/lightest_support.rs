//! What the checks of the lightest set share: a generator of small problems, and an enumeration of all sets.

use domain::lightest::{
    Container, Item, Lock, LockedPlace, Need, PairGroup, Pocket, Problem, Reach, Requirement,
};

/// SplitMix64 (Steele, Lea and Flood, OOPSLA 2014): small, seeded, the same everywhere.
pub struct Random(pub u64);

impl Random {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// From `low` to `high`, both included.
    pub fn within(&mut self, low: u64, high: u64) -> u64 {
        low + self.next() % (high - low + 1)
    }

    pub fn one_in(&mut self, n: u64) -> bool {
        self.next().is_multiple_of(n)
    }

    pub fn some(&mut self, of: usize, n: u64) -> Vec<usize> {
        (0..of).filter(|_| self.one_in(n)).collect()
    }

    pub fn shuffle<T>(&mut self, list: &mut [T]) {
        for k in (1..list.len()).rev() {
            list.swap(k, self.within(0, k as u64) as usize);
        }
    }
}

fn reach(r: &mut Random) -> Reach {
    [Reach::Moving, Reach::AtStop, Reach::VestOff, Reach::VestOff][r.within(0, 3) as usize]
}

/// A small problem with every kind of need, lock and place now and then.
pub fn small_problem(seed: u64) -> Problem {
    let r = &mut Random(seed);
    let n = r.within(4, 7) as usize;
    let mut sets = 1;
    let items = (0..n)
        .map(|i| {
            let mut units = if r.one_in(3) { r.within(1, 3) as u32 } else { 1 };
            if sets * u64::from(units + 1) > 700 {
                units = 1;
            }
            sets *= u64::from(units + 1);
            let container = (units == 1 && r.one_in(6)).then(|| Container {
                volume: r.within(3, 12),
                mass_cap_mg: r.one_in(3).then(|| r.within(3, 20)),
                reach: reach(r),
            });
            Item {
                volume: r.within(0, 6),
                units,
                reach: reach(r),
                waterproof: r.one_in(5),
                only_in: r.one_in(8).then(|| vec![0]),
                on_body: r.one_in(9),
                container,
                // Ids in an order of their own, and masses that often tie.
                ..Item::new(format!("{}{i}", ["d", "b", "c", "a"][i % 4]), r.within(1, 9))
            }
        })
        .collect::<Vec<_>>();
    let rules = r.within(1, 5) as usize;
    let mut requirements: Vec<Requirement> = (0..rules)
        .map(|k| {
            let need = need(r, n, &format!("r{k}"), 0);
            Requirement::new(format!("r{k}"), need)
        })
        .collect();
    if r.one_in(3) {
        let of = format!("r{}", r.within(0, rules as u64 - 1));
        requirements.push(Requirement::new("pair", pair(r, n, of)));
    }
    let pockets = (!r.one_in(4)).then(|| {
        (0..r.within(1, 3))
            .map(|p| Pocket {
                id: format!("p{p}"),
                volume: r.within(2, 14),
                mass_cap_mg: r.one_in(4).then(|| r.within(5, 25)),
                reach: reach(r),
                waterproof: r.one_in(4),
            })
            .collect::<Vec<_>>()
    });
    let mut problem = Problem { items, requirements, pockets, ..Problem::default() };
    if r.one_in(4) {
        problem.excluded = vec![r.within(0, n as u64 - 1) as usize];
    }
    for _ in 0..r.within(0, 2) {
        let (a, b) = (r.within(0, n as u64 - 1) as usize, r.within(0, n as u64 - 1) as usize);
        if a != b {
            problem.conflicts.push((a, b));
        }
    }
    if r.one_in(4) {
        let item = r.within(0, n as u64 - 1) as usize;
        let others = r.some(n, 2).into_iter().filter(|&j| j != item).collect();
        problem.requires.push((item, others));
    }
    for _ in 0..r.within(0, 2) {
        let place = match r.within(0, 4) {
            0 => LockedPlace::OnBody,
            1 if problem.pockets.is_some() => LockedPlace::Pocket(0),
            2 => LockedPlace::Inside(r.within(0, n as u64 - 1) as usize),
            _ => LockedPlace::Free,
        };
        let lock = Lock { item: r.within(0, n as u64 - 1) as usize, units: 1, place };
        problem.locks.push(lock);
        if problem.validate().is_err() {
            problem.locks.pop();
        }
    }
    problem
}

fn pair(r: &mut Random, n: usize, of: String) -> Need {
    let mut items: Vec<usize> = (0..n).collect();
    r.shuffle(&mut items);
    let cut = items.len() / 2;
    let groups = items[..cut]
        .chunks(2)
        .map(|group| PairGroup {
            items: group.to_vec(),
            partners: items[cut..].iter().copied().filter(|_| !r.one_in(3)).collect(),
        })
        .collect();
    Need::Pair { of, groups, per_unit: r.one_in(2) }
}

fn need(r: &mut Random, n: usize, id: &str, depth: usize) -> Need {
    match r.within(0, if depth < 2 { 9 } else { 7 }) {
        0..=4 => Need::Count { eligible: r.some(n, 2), units: r.within(1, 2) as u32, shareable: r.one_in(4) },
        5..=6 => Need::Total {
            amounts: r.some(n, 2).into_iter().map(|i| (i, r.within(0, 6) as i64)).collect(),
            at_least: (!r.one_in(4)).then(|| r.within(1, 9) as i64),
            at_most: r.one_in(3).then(|| r.within(4, 14) as i64),
        },
        7 => Need::Forbid(r.some(n, 4)),
        _ => {
            let options = r.within(1, 3);
            Need::AnyOf(
                (0..options)
                    .map(|o| {
                        (0..r.within(1, 2))
                            .map(|k| {
                                let id = format!("{id}.{o}.{k}");
                                let inner = need(r, n, &id, depth + 1);
                                Requirement::new(id, inner)
                            })
                            .collect()
                    })
                    .collect(),
            )
        }
    }
}

/// The best set by enumeration: (mass, units taken, ascending ids), with the units of each item.
pub type Best = ((u64, u64, Vec<String>), Vec<u32>);

/// Tries every set.
pub fn enumerate(problem: &Problem) -> Option<Best> {
    let mut best: Option<Best> = None;
    let mut units = vec![0u32; problem.items.len()];
    loop {
        let key = key(problem, &units);
        if best.as_ref().is_none_or(|b| key < b.0) && works(problem, &units) {
            best = Some((key, units.clone()));
        }
        let mut i = 0;
        while i < units.len() && units[i] == problem.items[i].units {
            units[i] = 0;
            i += 1;
        }
        if i == units.len() {
            return best;
        }
        units[i] += 1;
    }
}

pub fn key(problem: &Problem, units: &[u32]) -> (u64, u64, Vec<String>) {
    let mut ids = Vec::new();
    let mut mass = 0;
    for (item, &count) in problem.items.iter().zip(units) {
        mass += item.mass_mg * u64::from(count);
        ids.extend((0..count).map(|_| item.id.clone()));
    }
    ids.sort();
    (mass, ids.len() as u64, ids)
}

/// Whether a set meets everything, looked at as plainly as possible.
pub fn works(problem: &Problem, units: &[u32]) -> bool {
    let mut locked = vec![0u32; units.len()];
    for lock in &problem.locks {
        locked[lock.item] += lock.units;
    }
    let taken = |i: usize| units[i] > 0;
    locked.iter().zip(units).all(|(l, u)| l <= u)
        && !problem.excluded.iter().any(|&i| taken(i))
        && !problem.conflicts.iter().any(|&(a, b)| taken(a) && taken(b))
        && problem.requires.iter().all(|(i, others)| !taken(*i) || others.iter().any(|&j| taken(j)))
        && choices(&problem.requirements).iter().any(|chosen| meets(chosen, units))
        && fits(problem, units)
}

/// Every way of choosing options: the simple requirements that then hold.
fn choices(requirements: &[Requirement]) -> Vec<Vec<&Requirement>> {
    let mut all: Vec<Vec<&Requirement>> = vec![Vec::new()];
    for r in requirements {
        let ways: Vec<Vec<&Requirement>> = match &r.need {
            Need::AnyOf(options) => options.iter().flat_map(|o| choices(o)).collect(),
            _ => vec![vec![r]],
        };
        all = all.iter().flat_map(|a| ways.iter().map(|w| [&a[..], &w[..]].concat())).collect();
    }
    all
}

fn meets(chosen: &[&Requirement], units: &[u32]) -> bool {
    for r in chosen {
        match &r.need {
            Need::Total { amounts, at_least, at_most } => {
                let sum: i64 = amounts.iter().map(|&(i, a)| a * i64::from(units[i])).sum();
                if at_least.is_some_and(|l| sum < l) || at_most.is_some_and(|m| sum > m) {
                    return false;
                }
            }
            Need::Forbid(items) if items.iter().any(|&i| units[i] > 0) => return false,
            _ => {}
        }
    }
    let counts: Vec<&Requirement> =
        chosen.iter().copied().filter(|r| matches!(r.need, Need::Count { .. })).collect();
    serve(&counts, chosen, units, &mut units.to_vec())
}

fn serve(counts: &[&Requirement], chosen: &[&Requirement], units: &[u32], left: &mut Vec<u32>) -> bool {
    let Some((first, rest)) = counts.split_first() else { return true };
    let Need::Count { eligible, units: wanted, shareable } = &first.need else { return false };
    let supply = if *shareable { units.to_vec() } else { left.clone() };
    let mut eligible = eligible.clone();
    eligible.sort_unstable();
    eligible.dedup();
    shares(&eligible, &supply, *wanted).into_iter().any(|share| {
        let paired = chosen.iter().all(|r| paired(r, &first.id, &share, units));
        if !paired {
            return false;
        }
        if !shareable {
            for &(i, k) in &share {
                left[i] -= k;
            }
        }
        let found = serve(rest, chosen, units, left);
        if !shareable {
            for &(i, k) in &share {
                left[i] += k;
            }
        }
        found
    })
}

/// Every way of taking `wanted` units from the supply.
fn shares(eligible: &[usize], supply: &[u32], wanted: u32) -> Vec<Vec<(usize, u32)>> {
    let Some((&i, rest)) = eligible.split_first() else {
        return if wanted == 0 { vec![Vec::new()] } else { Vec::new() };
    };
    (0..=supply[i].min(wanted))
        .flat_map(|k| {
            shares(rest, supply, wanted - k).into_iter().map(move |mut s| {
                s.push((i, k));
                s
            })
        })
        .collect()
}

fn paired(rule: &Requirement, id: &str, share: &[(usize, u32)], units: &[u32]) -> bool {
    let Need::Pair { of, groups, per_unit } = &rule.need else { return true };
    if of != id {
        return true;
    }
    let grouped = |i: usize| groups.iter().position(|g| g.items.contains(&i));
    if share.iter().any(|&(i, k)| k > 0 && grouped(i).is_none()) {
        return false;
    }
    groups.iter().enumerate().all(|(g, group)| {
        let serving: u32 = share.iter().filter(|&&(i, _)| grouped(i) == Some(g)).map(|s| s.1).sum();
        let partners: u32 = group.partners.iter().map(|&j| units[j]).sum();
        if *per_unit { serving <= partners } else { serving == 0 || partners > 0 }
    })
}

#[derive(Clone, Copy)]
struct Unit {
    item: usize,
    place: LockedPlace,
}

fn fits(problem: &Problem, units: &[u32]) -> bool {
    let Some(pockets) = &problem.pockets else { return true };
    let mut pieces = Vec::new();
    for (item, &count) in units.iter().enumerate() {
        let mut left = count;
        for lock in problem.locks.iter().filter(|l| l.item == item) {
            pieces.extend((0..lock.units).map(|_| Unit { item, place: lock.place }));
            left -= lock.units;
        }
        pieces.extend((0..left).map(|_| Unit { item, place: LockedPlace::Free }));
    }
    // Containers first, so that where they lie is known.
    pieces.sort_by_key(|u| problem.items[u.item].container.is_none());
    let mut room: Vec<(i64, i64)> =
        pockets.iter().map(|p| (p.volume as i64, p.mass_cap_mg.map_or(i64::MAX / 2, |m| m as i64))).collect();
    put(problem, pockets, &pieces, &mut room, &mut Vec::new())
}

/// A container that was put somewhere: item, pocket, volume and mass left.
type Placed = (usize, usize, i64, i64);

fn put(
    problem: &Problem,
    pockets: &[Pocket],
    pieces: &[Unit],
    room: &mut Vec<(i64, i64)>,
    open: &mut Vec<Placed>,
) -> bool {
    let Some((unit, rest)) = pieces.split_first() else { return true };
    let item = &problem.items[unit.item];
    let (volume, mass) = (item.volume as i64, item.mass_mg as i64);
    let free = matches!(unit.place, LockedPlace::Free);
    let worn =
        matches!(unit.place, LockedPlace::OnBody) || (free && item.on_body && item.container.is_none());
    if worn && put(problem, pockets, rest, room, open) {
        return true;
    }
    if matches!(unit.place, LockedPlace::OnBody) {
        return false;
    }
    for p in 0..pockets.len() {
        let allowed = item.only_in.as_ref().is_none_or(|o| o.contains(&p))
            && pockets[p].reach <= item.reach
            && room[p].0 >= volume
            && room[p].1 >= mass;
        if !allowed {
            continue;
        }
        let direct = match unit.place {
            LockedPlace::Pocket(q) => p == q,
            LockedPlace::Inside(_) => false,
            _ => true,
        } && (!item.waterproof || pockets[p].waterproof);
        room[p].0 -= volume;
        room[p].1 -= mass;
        if direct {
            if let Some(c) = &item.container {
                let cap = c.mass_cap_mg.map_or(i64::MAX / 2, |m| m as i64);
                open.push((unit.item, p, c.volume as i64, cap));
            }
            if put(problem, pockets, rest, room, open) {
                return true;
            }
            if item.container.is_some() {
                open.pop();
            }
        }
        let inside = match unit.place {
            LockedPlace::Inside(_) => true,
            LockedPlace::Free => item.waterproof && item.container.is_none(),
            _ => false,
        };
        if inside {
            for c in 0..open.len() {
                let (container, at, left, cap) = open[c];
                let right = match unit.place {
                    LockedPlace::Inside(i) => i == container,
                    _ => true,
                };
                let reach = problem.items[container].container.as_ref().map(|c| c.reach);
                if right && at == p && left >= volume && cap >= mass && reach <= Some(item.reach) {
                    open[c] = (container, at, left - volume, cap - mass);
                    if put(problem, pockets, rest, room, open) {
                        return true;
                    }
                    open[c] = (container, at, left, cap);
                }
            }
        }
        room[p].0 += volume;
        room[p].1 += mass;
    }
    false
}
