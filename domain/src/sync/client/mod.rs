//! The client's side of sync as a state machine: no clock, no chance, no I/O. [`Replica`] holds what a device has to
//! remember about its kitrooms and its outbox; [`Replica::step`] takes one [`Event`] and answers what is to be written
//! and what is to be done next. `tare` and the simulator drive the same machine.
//!
//! The contract of whoever drives it:
//!
//! 1. **All writes of one step are one transaction**, durable before any of its effects is carried out. A machine whose
//!    writes could not be stored is thrown away.
//! 2. Effects are carried out in their order. Each [`Effect::Poll`], [`Effect::Push`], [`Effect::Pull`] and
//!    [`Effect::Compare`] is answered by one event with its ticket; an answer with another ticket is ignored, so late
//!    and doubled answers do no harm.
//! 3. After a crash the machine is made anew from what was stored ([`Replica::restore`]). Nothing else is remembered: a
//!    request that was under way counts as one whose answer was lost.
//! 4. Everything that is not computed comes in from outside: time as a delay asked for, chance and new ids as [`Luck`].
//!
//! What a person sees is `base` (what the service last told) with the outbox replayed on top. The machine decides when
//! an op leaves the outbox: only when `base` holds its effect.
//!
//! ```text
//! Begin ──> Poll ──> Polled ──> (Learn, Export, Ended: Absent)
//! Sync{room} ──> Push ... ──> Pull ... ──> Ended
//!                  │             │
//!                  │             └─ epoch-changed, cursor-expired ─> replace: Pull ... ─> Compare ─> Push ... ─> Ended
//!                  ├─ replica-forked: a new id, unsent ops numbered anew, Push
//!                  ├─ op-gap: what the service has lost is sent again, else Pull, else Ended: Gap
//!                  └─ no answer: Wait ─> Waited ─> the same again, until the patience is used up
//! ```

mod backoff;
mod effect;
mod event;
mod failure;
mod outbox;
mod pull;
mod push;
pub mod recovery;
mod replace;
mod state;
mod step;

#[cfg(test)]
mod tests;

pub use backoff::{Patience, backoff};
pub use effect::{Effect, End, Layer, Step, Write};
pub use event::{Event, Failure, Luck, NewOp, PageHead, PolledRoom};
pub use outbox::{Entry, Stage, too_large};
pub use state::{Cause, Kept, Limits, Replace, Replica};
