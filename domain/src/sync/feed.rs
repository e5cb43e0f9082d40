//! How far a reader has come in a kitroom's feed, and which deletions it therefore knows of. The service pages by it, and
//! so does its model in the tests.

/// A place in the feed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// The last change that was delivered; 0 before the first.
    pub seq: i64,
    /// The last change that the kitroom had when it was: at `seq`, or beyond it when there was more. A service that has
    /// lost it since may have put records back to before `seq`, which the reader has not been given, since they stood
    /// behind it.
    pub seen: i64,
    /// While a kitroom is read from its beginning: the last change when that began.
    pub began_at: Option<i64>,
}

impl Place {
    /// Before the first change of a kitroom whose last one is `head`.
    #[must_use]
    pub fn start(head: i64) -> Self {
        Self { seq: 0, seen: 0, began_at: (head > 0).then_some(head) }
    }

    /// The same reader at a later change of a kitroom whose last one is `head`.
    #[must_use]
    pub fn moved_to(self, seq: i64, head: i64) -> Self {
        Self { seq, seen: head.max(seq), began_at: self.began_at.filter(|began_at| *began_at > seq) }
    }

    /// The change from which on the reader must be told of deletions. One that reads from the beginning holds nothing
    /// that was deleted before it began, however little of the feed it has read.
    #[must_use]
    pub fn deletions_after(self) -> i64 {
        self.began_at.map_or(self.seq, |began_at| began_at.max(self.seq))
    }

    /// Whether deletions that the reader was not told of may be forgotten, where those up to `floor` are: then it has to
    /// read from the beginning. A reader that began at or after the floor never has to, so that reading comes to an end
    /// however often the floor rises up to where the reader began.
    #[must_use]
    pub fn has_expired(self, floor: i64) -> bool {
        self.deletions_after() < floor
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn place_moved_past_where_it_began_forgets_that() {
        let start = Place::start(20);
        assert_eq!(start, Place { seq: 0, seen: 0, began_at: Some(20) });
        assert_eq!(start.moved_to(19, 21), Place { seq: 19, seen: 21, began_at: Some(20) });
        assert_eq!(start.moved_to(20, 21).began_at, None);
        assert_eq!(Place::start(0).began_at, None);
    }

    #[test]
    fn has_expired_compares_with_what_the_reader_knows_of_deletions() {
        // Has read everything up to 5: the deletions up to 6 are gone, those at 6 were never told.
        let follower = Place { seq: 5, seen: 5, began_at: None };
        assert!(!follower.has_expired(5) && follower.has_expired(6));
        // Under way from the beginning, which was when 20 was the last change.
        let reader = Place::start(20).moved_to(5, 20);
        assert!(!reader.has_expired(20) && reader.has_expired(21));
        // It has come past where it began, and follows like any other.
        assert!(reader.moved_to(20, 21).has_expired(21) && !reader.moved_to(21, 21).has_expired(21));
        assert!(!Place::start(0).has_expired(0));
    }

    #[test]
    fn deletions_after_is_never_before_what_was_delivered() {
        for seq in 0..=30 {
            let place = Place::start(20).moved_to(seq, 30);
            assert_eq!(place.deletions_after(), seq.max(20), "{seq}");
        }
    }
}
