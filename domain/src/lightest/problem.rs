//! The question: which items, rules, locks and pockets there are.

/// How fast a place can be reached, the fastest first: a place must be no slower than the need of what lies in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reach {
    /// While running.
    Moving,
    /// Standing still, the vest on.
    AtStop,
    /// With the vest taken off.
    VestOff,
}

/// A waterproof container such as a dry bag: soft, so what is inside also takes up room in the pocket.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Container {
    /// What it holds, in the unit of the item volumes.
    pub volume: u64,
    /// The most that it may hold, in mg.
    pub mass_cap_mg: Option<u64>,
    /// How fast its content is reached; the slower of this and the pocket's counts.
    pub reach: Reach,
}

/// A thing, or a kind of like units, that may be taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Item {
    /// Ties are broken by ascending id.
    pub id: String,
    /// Of one unit, in mg.
    pub mass_mg: u64,
    /// Of one unit as packed, in any one unit (ml or thousandths of it).
    pub volume: u64,
    /// Units that there are.
    pub units: u32,
    /// The slowest place that will do.
    pub reach: Reach,
    /// Must lie in a waterproof pocket or in a container.
    pub waterproof: bool,
    /// The pockets that will do, by index, where not all do.
    pub only_in: Option<Vec<usize>>,
    /// May be worn, and then needs no pocket. A container is worn only where a lock says so.
    pub on_body: bool,
    /// What it can hold.
    pub container: Option<Container>,
}

impl Item {
    /// One unit of something without volume that may lie anywhere.
    #[must_use]
    pub fn new(id: impl Into<String>, mass_mg: u64) -> Self {
        Self {
            id: id.into(),
            mass_mg,
            volume: 0,
            units: 1,
            reach: Reach::VestOff,
            waterproof: false,
            only_in: None,
            on_body: false,
            container: None,
        }
    }
}

/// A pocket of the vest.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pocket {
    /// Its name, for the answer.
    pub id: String,
    /// What it holds, in the unit of the item volumes.
    pub volume: u64,
    /// The most that it may carry, in mg.
    pub mass_cap_mg: Option<u64>,
    /// How fast it is reached.
    pub reach: Reach,
    /// Whether it keeps water out.
    pub waterproof: bool,
}

/// Where a unit lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Place {
    /// Worn.
    OnBody,
    /// In the pocket of this index.
    Pocket(usize),
    /// In the container that is the item of this index, which lies in the pocket of that index.
    Inside {
        /// The container's item.
        container: usize,
        /// The pocket that the container lies in.
        pocket: usize,
    },
    /// No fit was asked for.
    Unplaced,
}

/// Where the user wants locked units to lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LockedPlace {
    /// Anywhere that fits.
    Free,
    /// Worn, whether or not the item says that it may be.
    OnBody,
    /// In the pocket of this index.
    Pocket(usize),
    /// In the container that is the item of this index.
    Inside(usize),
}

/// Units that must be taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lock {
    /// The item's index.
    pub item: usize,
    /// How many units.
    pub units: u32,
    /// Where they lie.
    pub place: LockedPlace,
}

/// Items of one attribute value, and the items that pair with them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PairGroup {
    /// Items that may serve the rule that the pair is for.
    pub items: Vec<usize>,
    /// Items that share their attribute.
    pub partners: Vec<usize>,
}

/// What a rule asks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Need {
    /// So many units of eligible items; a unit serves one count rule unless the rule is shareable.
    Count {
        /// Indices of the items that may serve.
        eligible: Vec<usize>,
        /// How many units.
        units: u32,
        /// Serves without being used up.
        shareable: bool,
    },
    /// A sum over units, between limits. Uses nothing up.
    Total {
        /// (item, amount per unit); no amount is negative.
        amounts: Vec<(usize, i64)>,
        /// The least sum.
        at_least: Option<i64>,
        /// The greatest sum.
        at_most: Option<i64>,
    },
    /// At least one option whose requirements are all met.
    AnyOf(Vec<Vec<Requirement>>),
    /// A unit serves the count rules of the id `of` only beside a taken partner of its group. Uses nothing up.
    Pair {
        /// The id of the rule that the pair is for.
        of: String,
        /// Items in no group have no partner and cannot serve.
        groups: Vec<PairGroup>,
        /// Each serving unit needs a partner unit of its own; otherwise one partner is enough for a group.
        per_unit: bool,
    },
    /// None of these.
    Forbid(Vec<usize>),
}

/// A rule.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Requirement {
    /// Named in the answer's blame.
    pub id: String,
    /// What it asks.
    pub need: Need,
    /// Items that were looked at and cannot serve, with the reason in words ("8,000 mm < 10,000 mm").
    pub near_misses: Vec<(usize, String)>,
}

impl Requirement {
    /// A rule without near misses.
    #[must_use]
    pub fn new(id: impl Into<String>, need: Need) -> Self {
        Self { id: id.into(), need, near_misses: Vec::new() }
    }
}

/// The whole question.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Problem {
    /// What may be taken.
    pub items: Vec<Item>,
    /// What is demanded.
    pub requirements: Vec<Requirement>,
    /// What must be taken.
    pub locks: Vec<Lock>,
    /// What must not be taken.
    pub excluded: Vec<usize>,
    /// Pairs that cannot both be taken.
    pub conflicts: Vec<(usize, usize)>,
    /// An item that needs one of others beside it.
    pub requires: Vec<(usize, Vec<usize>)>,
    /// The pockets; `None` asks for no fit at all.
    pub pockets: Option<Vec<Pocket>>,
}

/// Greatest depth of nested alternatives.
pub const MAX_DEPTH: usize = 4;
/// Most units of one item.
pub const MAX_UNITS: u32 = 10_000;
/// Greatest mass in mg, volume or capacity.
pub const MAX_SIZE: u64 = 1_000_000_000;
/// Greatest amount of a total.
pub const MAX_AMOUNT: u64 = 1_000_000_000_000;
/// Greatest sum of all amounts of a total.
const MAX_SUM: u128 = 1_000_000_000_000_000;
/// Most pockets.
pub const MAX_POCKETS: usize = 32;
/// Most items.
pub const MAX_ITEMS: usize = 2_000;

/// Why a problem is no well-formed question.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ProblemError {
    /// More than the solver takes.
    #[error("{what} is {value}; the most is {most}")]
    TooLarge {
        /// Where, in words.
        what: String,
        /// How much.
        value: u64,
        /// The limit.
        most: u64,
    },
    /// An amount below zero.
    #[error("{0} is negative")]
    Negative(String),
    /// An index or id that names nothing.
    #[error("{0} names nothing")]
    Unknown(String),
    /// Two of one id.
    #[error("two {what} have the id {id:?}")]
    Duplicate {
        /// "items", "rules" or "pockets".
        what: &'static str,
        /// The id.
        id: String,
    },
    /// Alternatives nested too deep.
    #[error("rule {0:?} nests alternatives more than {MAX_DEPTH} deep")]
    TooDeep(String),
    /// Alternatives without an option.
    #[error("rule {0:?} has no option")]
    NoOption(String),
    /// Locks that contradict each other, the stock, the pockets or a conflict of items.
    #[error("the locks contradict each other: {0}")]
    ContradictoryLocks(String),
}

impl Problem {
    /// Checks indices, sizes, nesting and locks.
    ///
    /// # Errors
    /// The first [`ProblemError`], naming its place.
    pub fn validate(&self) -> Result<(), ProblemError> {
        let most = |what: String, value: u64, most: u64| {
            if value > most { Err(ProblemError::TooLarge { what, value, most }) } else { Ok(()) }
        };
        most("the number of items".into(), self.items.len() as u64, MAX_ITEMS as u64)?;
        unique("items", self.items.iter().map(|i| &i.id))?;
        let pockets = self.pockets.as_deref().unwrap_or_default();
        most("the number of pockets".into(), pockets.len() as u64, MAX_POCKETS as u64)?;
        unique("pockets", pockets.iter().map(|p| &p.id))?;
        for p in pockets {
            most(format!("the volume of pocket {:?}", p.id), p.volume, MAX_SIZE)?;
        }
        for item in &self.items {
            most(format!("the mass of item {:?} in mg", item.id), item.mass_mg, MAX_SIZE)?;
            most(format!("the volume of item {:?}", item.id), item.volume, MAX_SIZE)?;
            most(format!("the number of units of item {:?}", item.id), item.units.into(), MAX_UNITS.into())?;
            if let Some(container) = &item.container {
                most(format!("what item {:?} holds", item.id), container.volume, MAX_SIZE)?;
                most(format!("the number of containers {:?}", item.id), item.units.into(), 1)?;
            }
            for &p in item.only_in.iter().flatten() {
                if self.pockets.is_some() && p >= pockets.len() {
                    return Err(ProblemError::Unknown(format!("pocket {p} of item {:?}", item.id)));
                }
            }
        }
        unique("rules", self.requirements.iter().map(|r| &r.id))?;
        for requirement in &self.requirements {
            self.validate_requirement(requirement, 0)?;
        }
        self.index(self.excluded.iter().copied(), "an exclusion")?;
        self.index(self.conflicts.iter().flat_map(|&(a, b)| [a, b]), "a conflict")?;
        for (item, others) in &self.requires {
            self.index(others.iter().copied().chain([*item]), "an implication")?;
        }
        self.index(self.locks.iter().map(|l| l.item), "a lock")?;
        self.validate_locks(pockets)
    }

    fn index(&self, items: impl IntoIterator<Item = usize>, place: &str) -> Result<(), ProblemError> {
        match items.into_iter().find(|&i| i >= self.items.len()) {
            Some(i) => Err(ProblemError::Unknown(format!("item {i} of {place}"))),
            None => Ok(()),
        }
    }

    fn validate_requirement(&self, r: &Requirement, depth: usize) -> Result<(), ProblemError> {
        let place = format!("rule {:?}", r.id);
        match &r.need {
            Need::Count { eligible, units, .. } => {
                if *units > MAX_UNITS {
                    return Err(ProblemError::TooLarge {
                        what: format!("the count of {place}"),
                        value: u64::from(*units),
                        most: MAX_UNITS.into(),
                    });
                }
                self.index(eligible.iter().copied(), &place)
            }
            Need::Total { amounts, at_least, at_most } => {
                let values = amounts.iter().map(|a| a.1).chain(*at_least).chain(*at_most);
                for value in values {
                    if value < 0 {
                        return Err(ProblemError::Negative(format!("an amount of {place}")));
                    }
                    if value as u64 > MAX_AMOUNT {
                        return Err(ProblemError::TooLarge {
                            what: format!("an amount of {place}"),
                            value: value as u64,
                            most: MAX_AMOUNT,
                        });
                    }
                }
                self.index(amounts.iter().map(|a| a.0), &place)?;
                let sum: u128 =
                    amounts.iter().map(|&(i, a)| a as u128 * u128::from(self.items[i].units)).sum();
                if sum > MAX_SUM {
                    return Err(ProblemError::TooLarge {
                        what: format!("the sum of all amounts of {place}"),
                        value: u64::try_from(sum).unwrap_or(u64::MAX),
                        most: MAX_SUM as u64,
                    });
                }
                Ok(())
            }
            Need::AnyOf(options) => {
                if depth >= MAX_DEPTH {
                    return Err(ProblemError::TooDeep(r.id.clone()));
                }
                if options.is_empty() {
                    return Err(ProblemError::NoOption(r.id.clone()));
                }
                options.iter().flatten().try_for_each(|inner| self.validate_requirement(inner, depth + 1))
            }
            Need::Pair { groups, .. } => {
                self.index(groups.iter().flat_map(|g| g.items.iter().chain(&g.partners)).copied(), &place)
            }
            Need::Forbid(items) => self.index(items.iter().copied(), &place),
        }
    }

    fn validate_locks(&self, pockets: &[Pocket]) -> Result<(), ProblemError> {
        let contradiction = |text: String| Err(ProblemError::ContradictoryLocks(text));
        let mut locked = vec![0u64; self.items.len()];
        for lock in &self.locks {
            let item = &self.items[lock.item];
            locked[lock.item] += u64::from(lock.units);
            if locked[lock.item] > 0 && self.excluded.contains(&lock.item) {
                return contradiction(format!("{:?} is both demanded and excluded", item.id));
            }
            if locked[lock.item] > u64::from(item.units) {
                return contradiction(format!(
                    "{} units of {:?} are demanded and there are {}",
                    locked[lock.item], item.id, item.units
                ));
            }
            match lock.place {
                LockedPlace::Pocket(p) if self.pockets.is_some() => match pockets.get(p) {
                    None => return Err(ProblemError::Unknown(format!("pocket {p} of a lock"))),
                    Some(pocket) if pocket.reach > item.reach => {
                        return contradiction(format!(
                            "{:?} is needed faster than pocket {:?} is reached",
                            item.id, pocket.id
                        ));
                    }
                    Some(_) => {}
                },
                LockedPlace::Inside(c) => match self.items.get(c).map(|i| &i.container) {
                    None => return Err(ProblemError::Unknown(format!("item {c} of a lock"))),
                    Some(None) => {
                        return contradiction(format!("{:?} holds nothing", self.items[c].id));
                    }
                    Some(Some(_)) if !self.locks.iter().any(|l| l.item == c && l.units > 0) => {
                        return contradiction(format!(
                            "{:?} is inside {:?}, which is not locked itself",
                            item.id, self.items[c].id
                        ));
                    }
                    Some(Some(container)) if container.reach > item.reach || item.container.is_some() => {
                        return contradiction(format!(
                            "{:?} cannot lie inside {:?}",
                            item.id, self.items[c].id
                        ));
                    }
                    Some(Some(_)) => {}
                },
                _ => {}
            }
        }
        for &(a, b) in &self.conflicts {
            if locked[a] > 0 && locked[b] > 0 {
                return contradiction(format!(
                    "{:?} and {:?} exclude each other",
                    self.items[a].id, self.items[b].id
                ));
            }
        }
        Ok(())
    }
}

fn unique<'a>(what: &'static str, ids: impl Iterator<Item = &'a String>) -> Result<(), ProblemError> {
    let mut seen = std::collections::HashSet::new();
    for id in ids {
        if !seen.insert(id) {
            return Err(ProblemError::Duplicate { what, id: id.clone() });
        }
    }
    Ok(())
}
