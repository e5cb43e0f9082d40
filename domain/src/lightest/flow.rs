//! Maximum flow on small graphs, and the cut that proves it maximal.

/// A directed graph with capacities; flows are kept on the arcs.
pub(super) struct Flow {
    head: Vec<Vec<usize>>,
    to: Vec<usize>,
    left: Vec<f64>,
}

const EPS: f64 = 1e-9;

impl Flow {
    pub fn new(nodes: usize) -> Self {
        Self { head: vec![Vec::new(); nodes], to: Vec::new(), left: Vec::new() }
    }

    /// Adds an arc and returns its number.
    pub fn arc(&mut self, from: usize, to: usize, capacity: f64) -> usize {
        let k = self.to.len();
        self.to.extend([to, from]);
        self.left.extend([capacity, 0.0]);
        self.head[from].push(k);
        self.head[to].push(k + 1);
        k
    }

    /// The flow on arc `k`.
    pub fn on(&self, k: usize) -> f64 {
        self.left[k + 1]
    }

    /// Sends as much as possible along shortest augmenting paths (Edmonds and Karp, 1972) and returns how much.
    pub fn maximise(&mut self, source: usize, sink: usize) -> f64 {
        let mut total = 0.0;
        loop {
            let via = self.search(source);
            if via[sink] == usize::MAX {
                return total;
            }
            let mut step = f64::INFINITY;
            let mut node = sink;
            while node != source {
                step = step.min(self.left[via[node]]);
                node = self.to[via[node] ^ 1];
            }
            node = sink;
            while node != source {
                self.left[via[node]] -= step;
                self.left[via[node] ^ 1] += step;
                node = self.to[via[node] ^ 1];
            }
            total += step;
        }
    }

    /// Which nodes the source still reaches: the source side of a minimum cut.
    pub fn source_side(&self, source: usize) -> Vec<bool> {
        let via = self.search(source);
        (0..via.len()).map(|v| v == source || via[v] != usize::MAX).collect()
    }

    fn search(&self, source: usize) -> Vec<usize> {
        let mut via = vec![usize::MAX; self.head.len()];
        let mut queue = std::collections::VecDeque::from([source]);
        while let Some(v) = queue.pop_front() {
            for &k in &self.head[v] {
                let w = self.to[k];
                if self.left[k] > EPS && via[w] == usize::MAX && w != source {
                    via[w] = k;
                    queue.push_back(w);
                }
            }
        }
        via
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn maximise_diamond_cut_equals_flow() {
        let mut g = Flow::new(4);
        g.arc(0, 1, 3.0);
        g.arc(0, 2, 2.0);
        let middle = g.arc(1, 2, 5.0);
        g.arc(1, 3, 2.0);
        g.arc(2, 3, 3.0);
        assert_eq!(g.maximise(0, 3), 5.0);
        assert_eq!(g.on(middle), 1.0);
        assert_eq!(g.source_side(0), vec![true, false, false, false]);
    }
}
