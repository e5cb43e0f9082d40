//! Count rules as flows of units, and the rows that a minimum cut shows violated.

use super::flow::Flow;
use super::lp::Row;
use super::model::{Group, Linear, Model, PairUse};

impl Model {
    /// The graph of a component at `x`: rule demands against units. Returns the cut row when the demands cannot be met.
    pub fn separate(&self, component: &[usize], x: &[f64], tolerance: f64) -> Option<Row> {
        let net = self.network(component, x);
        if net.flow >= net.demand - tolerance {
            return None;
        }
        let reached = net.graph.source_side(0);
        let mut row = Linear::default();
        for (k, cap) in &net.capacities {
            let (from, to) = (net.graph_from(*k), net.graph_to(*k));
            if reached[from] && !reached[to] && to != 1 {
                row.add(cap, 1);
            }
        }
        for (k, &leaf) in component.iter().enumerate() {
            if !reached[net.leaf_node[k]] {
                row.add(&self.demand(leaf), -1);
            }
        }
        Some(Row::at_least(row.coefs.into_iter().filter(|c| c.1 != 0).collect(), -row.constant))
    }

    /// Which units serve which count rule, when `x` meets them: (leaf, item, units).
    pub fn assignment(&self, x: &[i64]) -> Vec<(usize, usize, i64)> {
        let x: Vec<f64> = x.iter().map(|&v| v as f64).collect();
        let mut served = Vec::new();
        for component in &self.components {
            let net = self.network(component, &x);
            for &(leaf, item, arc) in &net.serving {
                let units = net.graph.on(arc).round() as i64;
                if units > 0 {
                    served.push((leaf, item, units));
                }
            }
        }
        served.sort_unstable();
        served
    }

    /// How many units the count rules need beyond what `x` can serve; all of them are switched on in `x`.
    pub fn lacking(&self, leaves: &[usize], x: &[f64]) -> i64 {
        let net = self.network(leaves, x);
        (net.demand - net.flow - 1e-6).ceil() as i64
    }

    fn demand(&self, leaf: usize) -> Linear {
        let leaf = &self.leaves[leaf];
        match leaf.on {
            Some(w) => Linear { constant: 0, coefs: vec![(w, leaf.units)] },
            None => Linear { constant: leaf.units, coefs: Vec::new() },
        }
    }

    fn network(&self, component: &[usize], x: &[f64]) -> Network {
        let mut items: Vec<usize> =
            component.iter().flat_map(|&k| &self.leaves[k].eligible).copied().collect();
        items.sort_unstable();
        items.dedup();
        let first_leaf = 2 + items.len();
        let nodes = first_leaf + component.len();
        let mut net = Network {
            graph: Flow::new(nodes + self.pair_nodes(component)),
            capacities: Vec::new(),
            ends: Vec::new(),
            serving: Vec::new(),
            leaf_node: (0..component.len()).map(|k| first_leaf + k).collect(),
            demand: 0.0,
            flow: 0.0,
        };
        for (k, &i) in items.iter().enumerate() {
            net.arc(0, 2 + k, x, Linear { constant: 0, coefs: vec![(i, 1)] });
        }
        let node_of = |i: usize| 2 + items.binary_search(&i).unwrap_or(0);
        let mut next = nodes;
        for (k, &leaf_index) in component.iter().enumerate() {
            let leaf = &self.leaves[leaf_index];
            let node = first_leaf + k;
            // Items by the tuple of their groups, one node chain per tuple, each link as wide as its group allows.
            let mut chains: Vec<(Vec<Option<usize>>, usize)> = Vec::new();
            for &i in &leaf.eligible {
                let entry = if leaf.pairs.is_empty() {
                    node
                } else {
                    let key: Vec<Option<usize>> = leaf
                        .pairs
                        .iter()
                        .map(|p| p.groups.iter().position(|g| g.items.contains(&i)))
                        .collect();
                    match chains.iter().find(|c| c.0 == key) {
                        Some(c) => c.1,
                        None => {
                            let first = next;
                            for (p, g) in leaf.pairs.iter().zip(&key) {
                                let to = next + 1;
                                net.arc(next, to, x, p.width(*g, leaf.units));
                                next = to;
                            }
                            net.plain_arc(next, node, f64::INFINITY);
                            next += 1;
                            chains.push((key, first));
                            first
                        }
                    }
                };
                let arc = net.plain_arc(node_of(i), entry, f64::INFINITY);
                net.serving.push((leaf_index, i, arc));
            }
            let demand = self.demand(leaf_index);
            net.demand += demand.at(x).max(0.0);
            net.arc(node, 1, x, demand);
        }
        net.flow = net.graph.maximise(0, 1);
        net
    }

    fn pair_nodes(&self, component: &[usize]) -> usize {
        component
            .iter()
            .map(|&k| &self.leaves[k])
            .filter(|l| !l.pairs.is_empty())
            .map(|l| l.eligible.len() * (l.pairs.len() + 1))
            .sum()
    }
}

impl PairUse {
    /// How many units of the group may serve: as many as `units` when a partner is there or the pair is off.
    fn width(&self, group: Option<usize>, units: i64) -> Linear {
        let mut width = match group.map(|g| &self.groups[g]) {
            None => Linear::default(),
            Some(Group { any: Some(any), .. }) => Linear { constant: 0, coefs: vec![(*any, units)] },
            Some(Group { partners, .. }) => {
                Linear { constant: 0, coefs: partners.iter().map(|&j| (j, 1)).collect() }
            }
        };
        if let Some(w) = self.on {
            width.add(&Linear { constant: units, coefs: vec![(w, -units)] }, 1);
        }
        width
    }
}

struct Network {
    graph: Flow,
    capacities: Vec<(usize, Linear)>,
    ends: Vec<(usize, usize)>,
    serving: Vec<(usize, usize, usize)>,
    leaf_node: Vec<usize>,
    demand: f64,
    flow: f64,
}

impl Network {
    fn plain_arc(&mut self, from: usize, to: usize, capacity: f64) -> usize {
        self.ends.push((from, to));
        self.graph.arc(from, to, capacity)
    }

    fn arc(&mut self, from: usize, to: usize, x: &[f64], capacity: Linear) {
        let k = self.plain_arc(from, to, capacity.at(x).max(0.0));
        self.capacities.push((k, capacity));
    }

    fn graph_from(&self, arc: usize) -> usize {
        self.ends[arc / 2].0
    }

    fn graph_to(&self, arc: usize) -> usize {
        self.ends[arc / 2].1
    }
}
