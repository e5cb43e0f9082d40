//! What must hold for any course: light and dark add up, margins only lengthen, and turning the earth turns the clock.

use chrono::{DateTime, TimeDelta, Utc};
use domain::light::*;
use proptest::prelude::*;

fn start() -> impl Strategy<Value = DateTime<Utc>> {
    (946_684_800i64..2_208_988_800).prop_map(|s| DateTime::from_timestamp(s, 0).unwrap())
}

/// Degrees of a great circle in an hour, 44 km/h: nobody runs so fast. The search is made for people on foot; on board of
/// something that outruns the sun there may be a dawn between two points of its grid.
const FASTEST_DEG_H: f64 = 0.4;

/// A course that begins anywhere and goes on at any pace on foot.
fn course() -> impl Strategy<Value = Track> {
    let from = (-88.0f64..88.0, -180.0f64..180.0);
    let legs = prop::collection::vec((1i64..1000, -1.0f64..1.0, -1.0f64..1.0), 1..5);
    (start(), from, legs).prop_map(|(start, (mut lat, mut lon), legs)| {
        let mut points = vec![(start, Place::new(lat, lon).unwrap())];
        let mut minutes = 0;
        for (gap, north, east) in legs {
            minutes += gap;
            let way = FASTEST_DEG_H / 2f64.sqrt() * gap as f64 / 60.0;
            lon = (lon + way * east / lat.to_radians().cos() + 540.0).rem_euclid(360.0) - 180.0;
            lat = (lat + way * north).clamp(-88.0, 88.0);
            points.push((start + TimeDelta::minutes(minutes), Place::new(lat, lon).unwrap()));
        }
        Track::new(&points).unwrap()
    })
}

/// Position along the course, and the true elevation there, without the search under test.
fn below(track: &Track, second: f64, h: f64) -> bool {
    let at = track.start() + TimeDelta::milliseconds((second * 1000.0) as i64);
    let here = track.place(second);
    let here = Place::new(here.lat_deg(), (here.lon_deg() + 540.0).rem_euclid(360.0) - 180.0).unwrap();
    sun_elevation_deg(at, here).unwrap() < h
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn dark_hours_any_course_equals_counting_minutes(track in course(), h in -18f64..10.0) {
        let minutes = (track.seconds() / 60.0) as usize;
        let dark = (0..minutes).filter(|m| below(&track, *m as f64 * 60.0 + 30.0, h)).count();
        let found = darkness(&track, h, 0.0).unwrap();
        // Each crossing costs the count at most a minute.
        let allowed = (found.crossings.len() + 1) as f64 / 60.0;
        prop_assert!((found.hours - dark as f64 / 60.0).abs() <= allowed, "{} and {}", found.hours, dark as f64 / 60.0);
    }

    #[test]
    fn darkness_lower_elevation_and_no_margin_are_shorter(track in course(), margin in 0f64..120.0) {
        let hours = dark_hours(&track).unwrap();
        prop_assert!(hours.lamp.hours <= hours.sun_down.hours);
        let widened = darkness(&track, CIVIL_DEG, margin).unwrap();
        prop_assert!(widened.hours >= hours.lamp.hours);
        let spells = hours.lamp.spells.len() as f64;
        prop_assert!(widened.hours <= hours.lamp.hours + 2.0 * margin / 60.0 * spells + 1e-9);
        prop_assert!(widened.hours <= track.seconds() / 3600.0 + 1e-9);
        prop_assert!(hours.lamp.spells.windows(2).all(|pair| pair[0].to < pair[1].from));
    }

    #[test]
    fn sun_events_turned_by_15_degrees_come_an_hour_later(start in start(), lat in -60.0f64..60.0, lon in -150.0f64..180.0) {
        let east = Track::fixed(Place::new(lat, lon).unwrap(), start, start + TimeDelta::hours(40)).unwrap();
        let later = start + TimeDelta::hours(1);
        let west = Track::fixed(Place::new(lat, lon - 15.0).unwrap(), later, later + TimeDelta::hours(40)).unwrap();
        let (a, b) = (crossings(&east, -0.8333).unwrap(), crossings(&west, -0.8333).unwrap());
        prop_assume!(a.len() == b.len()); // one at the very end may be in one of the two only
        for (a, b) in a.iter().zip(&b) {
            let seconds = (b.at - a.at).num_seconds() - 3600;
            prop_assert!(seconds.abs() <= 30 && a.rising == b.rising, "{seconds}");
        }
    }
}

#[test]
fn track_across_the_date_line_takes_the_short_way() {
    let start = DateTime::from_timestamp(1_760_000_000, 0).unwrap();
    let ends = [
        (start, Place::new(50.0, 179.0).unwrap()),
        (start + TimeDelta::hours(2), Place::new(50.0, -179.0).unwrap()),
    ];
    let track = Track::new(&ends).unwrap();
    assert!((track.place(3600.0).lon_deg() - 180.0).abs() < 1e-9);
    assert!(
        (track.place(-5.0).lon_deg() - 179.0).abs() < 1e-9
            && (track.place(9e9).lon_deg() + 179.0).abs() < 1e-9
    );
}
