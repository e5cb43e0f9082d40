//! How much the search may do.

/// What the caller allows: nodes of the search, and a way to stop it. Nothing here reads a clock, so a time limit is
/// the caller's closure.
pub struct Limits<'a> {
    nodes: u64,
    stop: Option<&'a mut dyn FnMut() -> bool>,
    stopped: bool,
}

/// Far beyond what any kit needs, and some minutes of work.
const MOST_NODES: u64 = 2_000_000;

impl Default for Limits<'_> {
    fn default() -> Self {
        Self::nodes(MOST_NODES)
    }
}

impl<'a> Limits<'a> {
    /// At most so many nodes of the search tree in all: the same answer every time.
    #[must_use]
    pub fn nodes(nodes: u64) -> Self {
        Self { nodes, stop: None, stopped: false }
    }

    /// Also asks `stop` before each node; true ends the search with what is known.
    #[must_use]
    pub fn stop_when(mut self, stop: &'a mut dyn FnMut() -> bool) -> Self {
        self.stop = Some(stop);
        self
    }

    pub(super) fn spend(&mut self) -> bool {
        self.stopped = self.stopped || self.stop.as_mut().is_some_and(|stop| stop());
        if self.nodes == 0 || self.stopped {
            return false;
        }
        self.nodes -= 1;
        true
    }

    /// Runs a part of the work with at most so many nodes.
    pub(super) fn part<T>(&mut self, nodes: u64, run: impl FnOnce(&mut Self) -> T) -> T {
        let kept = self.nodes.saturating_sub(nodes);
        self.nodes = self.nodes.min(nodes);
        let out = run(self);
        self.nodes += kept;
        out
    }
}
