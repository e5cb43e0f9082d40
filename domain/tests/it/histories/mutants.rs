//! Mistakes that a service or a client could make. The checker must find each; they exist in the model alone.

/// A mistake.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Mutant {
    /// Numbers are given before the commit, as a database sequence does: a page passes what commits later.
    LateCommit,
    /// The cursor's number is read after the rows.
    HeadAfterRows,
    /// The answer goes out before the commit, which may fail.
    AckBeforeCommit,
    /// Whether an op was decided before is not looked up.
    DropOpIdCheck,
    /// The state is read before the kitroom's lock is taken.
    DropLock,
    /// What the author had not seen is overwritten.
    WholeRecord,
    /// The later clock wins.
    LastWriterWins,
    /// Tombstones are forgotten after ten changes.
    ExpireTombstones,
    /// Neither epochs nor marks are compared.
    SkipEpochTest,
    /// The floor is not compared with cursors.
    SkipFloor,
    /// The client keeps the cursor before the rows.
    CursorBeforeRows,
    /// The client takes a refusal of the whole push as done.
    RefusedIsDone,
    /// The client passes over kinds that it does not know.
    IgnoreKind,
}

/// All of them.
pub const ALL: [Mutant; 13] = [
    Mutant::LateCommit,
    Mutant::HeadAfterRows,
    Mutant::AckBeforeCommit,
    Mutant::DropOpIdCheck,
    Mutant::DropLock,
    Mutant::WholeRecord,
    Mutant::LastWriterWins,
    Mutant::ExpireTombstones,
    Mutant::SkipEpochTest,
    Mutant::SkipFloor,
    Mutant::CursorBeforeRows,
    Mutant::RefusedIsDone,
    Mutant::IgnoreKind,
];
