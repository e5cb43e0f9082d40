//! Units given to needs: a flow from needs over entries to items, grown by augmenting paths (Ford and Fulkerson
//! 1956), so that a unit moves to another need whenever that frees one for this need.

/// Which entries there are, and how many units of each and of each item may be used.
#[derive(Debug)]
pub struct Capacity {
    /// Units of each entry.
    pub entry: Vec<u32>,
    /// The item of each entry.
    pub item_of: Vec<u16>,
    /// Units of each item, over all its entries.
    pub item: Vec<u32>,
    /// The entries of each item.
    pub entries_of: Vec<Vec<u16>>,
}

/// The flow so far.
#[derive(Debug)]
pub struct Flow<'c> {
    capacity: &'c Capacity,
    lists: Vec<&'c [u16]>,
    /// Units from need to entry, one row of entries for each need.
    given: Vec<u32>,
    /// Units that may not be moved any more, likewise.
    fixed: Vec<u32>,
    entry_used: Vec<u32>,
    item_used: Vec<u32>,
    seen_row: Vec<u32>,
    seen_entry: Vec<u32>,
    seen_item: Vec<u32>,
    stamp: u32,
}

impl<'c> Flow<'c> {
    /// No needs yet.
    pub fn new(capacity: &'c Capacity) -> Self {
        Self {
            capacity,
            lists: Vec::new(),
            given: Vec::new(),
            fixed: Vec::new(),
            entry_used: vec![0; capacity.entry.len()],
            item_used: vec![0; capacity.item.len()],
            seen_row: Vec::new(),
            seen_entry: vec![0; capacity.entry.len()],
            seen_item: vec![0; capacity.item.len()],
            stamp: 0,
        }
    }

    /// The number of needs.
    pub fn rows(&self) -> usize {
        self.lists.len()
    }

    fn at(&self, row: usize, entry: u16) -> usize {
        row * self.capacity.entry.len() + usize::from(entry)
    }

    /// Adds a need for `demand` units of the entries in `list`; leaves everything as it was when they are not to be
    /// had, though other needs may have other entries than before.
    pub fn push(&mut self, list: &'c [u16], demand: u32) -> bool {
        let got = self.push_some(list, demand);
        if got < demand {
            self.pop();
        }
        got == demand
    }

    /// Adds a need and gives it as many units as are to be had, up to `demand`; returns how many.
    pub fn push_some(&mut self, list: &'c [u16], demand: u32) -> u32 {
        let row = self.lists.len();
        self.lists.push(list);
        self.given.resize(self.given.len() + self.capacity.entry.len(), 0);
        self.fixed.resize(self.given.len(), 0);
        self.seen_row.push(0);
        for got in 0..demand {
            self.stamp += 1;
            if !self.free_for_row(row) {
                return got;
            }
        }
        demand
    }

    /// Takes the newest need away.
    pub fn pop(&mut self) {
        let Some(list) = self.lists.pop() else { return };
        let row = self.lists.len();
        for entry in list {
            let units = self.given[self.at(row, *entry)];
            self.entry_used[usize::from(*entry)] -= units;
            self.item_used[usize::from(self.capacity.item_of[usize::from(*entry)])] -= units;
        }
        self.given.truncate(row * self.capacity.entry.len());
        self.fixed.truncate(self.given.len());
        self.seen_row.pop();
    }

    /// Takes needs away until `rows` are left.
    pub fn pop_to(&mut self, rows: usize) {
        while self.lists.len() > rows {
            self.pop();
        }
    }

    /// Units given to a need, by entry.
    pub fn given(&self, row: usize) -> impl Iterator<Item = (u16, u32)> + '_ {
        let list = self.lists[row].iter();
        list.map(move |entry| (*entry, self.given[self.at(row, *entry)])).filter(|(_, units)| *units > 0)
    }

    fn free_for_row(&mut self, row: usize) -> bool {
        self.seen_row[row] = self.stamp;
        let list = self.lists[row];
        for entry in list {
            if self.seen_entry[usize::from(*entry)] != self.stamp && self.free_at_entry(*entry) {
                let at = self.at(row, *entry);
                self.given[at] += 1;
                return true;
            }
        }
        false
    }

    /// Frees one unit of an entry, or finds one free.
    fn free_at_entry(&mut self, entry: u16) -> bool {
        let e = usize::from(entry);
        self.seen_entry[e] = self.stamp;
        let item = usize::from(self.capacity.item_of[e]);
        if self.entry_used[e] < self.capacity.entry[e]
            && self.seen_item[item] != self.stamp
            && self.free_at_item(item)
        {
            self.entry_used[e] += 1;
            return true;
        }
        self.move_from(entry)
    }

    /// Moves a unit of the entry from some need to another entry.
    fn move_from(&mut self, entry: u16) -> bool {
        for row in 0..self.lists.len() {
            let at = self.at(row, entry);
            if self.given[at] > self.fixed[at] && self.seen_row[row] != self.stamp && self.free_for_row(row) {
                self.given[at] -= 1;
                return true;
            }
        }
        false
    }

    fn free_at_item(&mut self, item: usize) -> bool {
        self.seen_item[item] = self.stamp;
        if self.item_used[item] < self.capacity.item[item] {
            self.item_used[item] += 1;
            return true;
        }
        let entries = &self.capacity.entries_of[item];
        for entry in entries {
            let e = usize::from(*entry);
            if self.entry_used[e] > 0 && self.seen_entry[e] != self.stamp {
                self.seen_entry[e] = self.stamp;
                if self.move_from(*entry) {
                    self.entry_used[e] -= 1;
                    return true;
                }
            }
        }
        false
    }

    /// Rearranges the units so that each need in turn has the first entries of its list that leave every need with
    /// as many units as it has: the one assignment that does not depend on the order of the search.
    pub fn settle(&mut self) {
        for row in 0..self.lists.len() {
            let list = self.lists[row];
            let mut left: u32 = list.iter().map(|e| self.given[self.at(row, *e)]).sum();
            for (place, entry) in list.iter().enumerate() {
                while left > 0 && self.claim(row, *entry, &list[place + 1..]) {
                    let at = self.at(row, *entry);
                    self.fixed[at] += 1;
                    left -= 1;
                }
            }
        }
    }

    /// Makes sure that the need has one more unit of this entry than is fixed, by moving one from a later entry.
    fn claim(&mut self, row: usize, entry: u16, later: &[u16]) -> bool {
        let at = self.at(row, entry);
        if self.given[at] > self.fixed[at] {
            return true;
        }
        let Some(from) = later.iter().copied().find(|e| self.given[self.at(row, *e)] > 0) else {
            return false;
        };
        let (from_at, e) = (self.at(row, from), usize::from(from));
        let item = usize::from(self.capacity.item_of[e]);
        self.given[from_at] -= 1;
        self.entry_used[e] -= 1;
        self.item_used[item] -= 1;
        self.stamp += 1;
        if self.free_at_entry(entry) {
            self.given[at] += 1;
            return true;
        }
        self.given[from_at] += 1;
        self.entry_used[e] += 1;
        self.item_used[item] += 1;
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn push_a_unit_moves_to_make_room() {
        // Two entries of one item of which one unit exists, and a second item.
        let capacity = Capacity {
            entry: vec![1, 1, 1],
            item_of: vec![0, 0, 1],
            item: vec![1, 1],
            entries_of: vec![vec![0, 1], vec![2]],
        };
        let mut flow = Flow::new(&capacity);
        assert!(flow.push(&[0, 2], 1));
        assert!(flow.push(&[1], 1), "the first need moves to the second item");
        assert_eq!(flow.given(0).collect::<Vec<_>>(), [(2, 1)]);
        assert!(!flow.push(&[0, 1, 2], 1));
        flow.pop();
        flow.settle();
        assert_eq!(flow.given(0).collect::<Vec<_>>(), [(0, 1)]);
    }
}
