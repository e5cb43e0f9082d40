//! The one checker of recorded histories: what must hold once everything has healed and every replica has pulled to the
//! end. It knows nothing of how a history came about, and trusts neither the service nor the client: only what people
//! asked for, what they were told, and what is stored.

mod facts;
mod fields;
mod outbox;
mod replicas;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;
use std::fmt;

use domain::kinds;
use uuid::Uuid;

use super::history::{Line, Moment, What, Write};
use super::truth::{Final, Truth};

/// At most so many rounds of everybody may it take until nothing waits any more.
pub const ROUNDS: usize = 12;

/// A history with its end.
#[derive(Debug, Clone, Default)]
pub struct Case {
    /// What was recorded.
    pub lines: Vec<Line>,
    /// What the database holds.
    pub truth: Truth,
    /// What every replica holds, a fresh one included.
    pub finals: Vec<Final>,
    /// How many rounds it took until nothing waited any more.
    pub rounds: usize,
    /// Whether the service was put back to an older state, and people said yes to bringing back what it had lost: then
    /// the numbers of before mean nothing, and what was taken may be there under another op.
    pub was_restored: bool,
}

/// Which promise is broken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Rule {
    /// A fact that was acknowledged is not there.
    FactLost,
    /// A fact is there twice.
    FactDoubled,
    /// A fact is not as it was given.
    FactChanged,
    /// A fact is there that nobody asked for.
    FactInvented,
    /// A fact is there that was refused.
    FactRefused,
    /// A value that was acknowledged is neither there, nor replaced by somebody who had seen it, nor in a conflict.
    ValueLost,
    /// A replica holds something else than the service.
    Differs,
    /// A digest is not that of the records.
    Digest,
    /// A replica was past a change that it had not got.
    Skipped,
    /// A replica went back.
    WentBack,
    /// A replica did not show its person's own work.
    Unseen,
    /// Numbers were skipped or given twice.
    Gap,
    /// An op is nowhere.
    OpLost,
    /// An op that was acknowledged is not among those that were decided.
    OpForgotten,
    /// An op was answered in two ways.
    TwoAnswers,
    /// Something still waits, or it took too long.
    Undrained,
}

/// A broken promise.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Violation {
    /// Which one.
    pub rule: Rule,
    /// How.
    pub words: String,
}

impl fmt::Display for Violation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}: {}", self.rule, self.words)
    }
}

fn broken(rule: Rule, words: impl Into<String>) -> Violation {
    Violation { rule, words: words.into() }
}

/// How an op ended, by all that was recorded of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Ended {
    Ok,
    Failed,
    Unknown,
}

/// An op with its end.
struct Op<'a> {
    replica: usize,
    /// The op as it was made.
    made: &'a Write,
    /// The op as it was acknowledged, if it was.
    acked: Option<&'a Write>,
    ended: Ended,
    at: u64,
}

impl Op<'_> {
    /// The change that it became: as the replica heard it, else as the service remembers it.
    fn seq(&self, truth: &Truth) -> Option<i64> {
        let heard = self.acked.and_then(|write| write.seq);
        heard.or_else(|| truth.decided.get(&self.made.op_id).and_then(|decided| decided.seq))
    }

    /// The last change that its author had seen, as it was sent in the end.
    fn base(&self) -> i64 {
        self.acked.map_or(self.made.base_seq, |write| write.base_seq)
    }

    fn is_fact(&self) -> bool {
        kinds::kind(&self.made.kind).is_some_and(kinds::Kind::is_fact)
    }
}

/// Every op, in the order in which they were made.
fn ops(lines: &[Line]) -> Vec<Op<'_>> {
    let mut ops: Vec<Op<'_>> = Vec::new();
    let mut at: BTreeMap<Uuid, usize> = BTreeMap::new();
    for line in lines {
        let What::Write(write) = &line.op else { continue };
        match line.moment {
            Moment::Invoke => {
                // A device that was put back may tell of its op a second time.
                at.entry(write.op_id).or_insert_with(|| {
                    let op = Op {
                        replica: line.replica,
                        made: write,
                        acked: None,
                        ended: Ended::Unknown,
                        at: line.t,
                    };
                    ops.push(op);
                    ops.len() - 1
                });
            }
            moment => {
                let Some(op) = at.get(&write.op_id).map(|at| &mut ops[*at]) else { continue };
                match moment {
                    Moment::Ok => (op.ended, op.acked) = (Ended::Ok, op.acked.or(Some(write))),
                    Moment::Fail if op.ended == Ended::Unknown => op.ended = Ended::Failed,
                    _ => {}
                }
            }
        }
    }
    ops
}

/// Everything that does not hold; empty when all is well.
#[must_use]
pub fn check(case: &Case) -> Vec<Violation> {
    let ops = ops(&case.lines);
    let mut found = Vec::new();
    facts::check(case, &ops, &mut found);
    fields::check(case, &ops, &mut found);
    replicas::check(case, &ops, &mut found);
    outbox::check(case, &ops, &mut found);
    found
}
