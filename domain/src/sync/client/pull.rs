//! A page of changes.

use uuid::Uuid;

use super::effect::{End, Layer, Step, Write};
use super::event::PageHead;
use super::outbox::Stage;
use super::state::{Cause, Replica};
use crate::wire::problem::{ErrorCode, Problem};

impl Replica {
    pub(super) fn pulled(&mut self, kitroom: Uuid, page: PageHead, step: &mut Step) {
        let Some(room) = self.rooms.get_mut(&kitroom) else { return };
        room.turn.failures = 0;
        if room.kept.replace.is_some() {
            return self.pulled_anew(kitroom, page, step);
        }
        if room.kept.epoch.is_some_and(|known| known != page.epoch) {
            return self.replace(kitroom, Cause::EpochChanged, step);
        }
        if page.has_more && room.kept.cursor.as_deref() == Some(&page.next_cursor) {
            return self.end(kitroom, End::Refused(same_page_twice()), step);
        }
        let last = page.rows.last().map_or(room.kept.base_seq, |(_, seq)| *seq);
        let reached = if page.has_more { last } else { page.head_seq };
        room.kept.epoch = Some(page.epoch);
        room.kept.cursor = Some(page.next_cursor);
        room.kept.ack = None;
        room.kept.base_seq = room.kept.base_seq.max(reached);
        step.writes.push(Write::Page { kitroom, into: Layer::Base });
        step.writes.push(Write::Room(kitroom, room.kept.clone()));
        step.writes.extend(room.settle(kitroom, &page.rows));
        if !page.has_more {
            room.turn.pulled = true;
            room.turn.laps += 1;
            // Taken, and not in what the service has now: it was restored to before, with a cursor that still fits.
            let reached = room.kept.base_seq;
            step.writes.extend(room.send_again(
                kitroom,
                |entry| matches!(entry.stage, Stage::Acked { version, .. } if version > 0 && version <= reached),
            ));
        }
        self.go_on(kitroom, step);
    }
}

pub(super) fn same_page_twice() -> Problem {
    Problem::new(ErrorCode::Internal, "the service answered the same page twice")
}
