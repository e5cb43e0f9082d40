//! A race as the rules, the light and the provisions read it.

use chrono::NaiveDate;

use crate::light::{self, DarkHours, Place, Track};
use crate::provisions;
use crate::rules::{Bounded, Need, Race, Rule, RuleSheet, Scope};
use crate::time::Timestamp;
use crate::time_zone::day;
use crate::wire::race::{Leg, Position, RaceBody};

/// A race's times and legs.
#[derive(Debug, Clone)]
pub(super) struct Course<'a> {
    pub body: &'a RaceBody,
    pub legs: &'a [Leg],
    /// Hours of each leg; none when one leg does not say it.
    pub hours: Option<Vec<f64>>,
    /// Hours of all.
    pub expected_h: Option<f64>,
}

/// Dark hours with what was assumed for them.
#[derive(Debug, Clone)]
pub(super) struct Dark {
    pub hours: DarkHours,
    pub assumed: Option<String>,
}

impl<'a> Course<'a> {
    pub fn of(body: &'a RaceBody) -> Self {
        let legs = body.legs.as_deref().unwrap_or_default();
        let hours: Option<Vec<f64>> =
            legs.iter().map(|leg| leg.expected_h.map(|hours| hours.value())).collect();
        let hours = hours.filter(|hours| !hours.is_empty());
        // The sum of the legs goes before the race's own figure.
        let sum = hours.as_ref().map(|hours| hours.iter().sum::<f64>());
        Self { body, legs, hours, expected_h: sum.or(body.expected_h.map(|hours| hours.value())) }
    }

    pub fn zone(&self) -> Option<&str> {
        self.body.time_zone.as_ref().map(|zone| zone.as_str())
    }

    fn after(&self, hours: f64) -> Option<Timestamp> {
        let start = self.body.starts_at?;
        Timestamp::from_millis(start.millis() + (hours * 3_600_000.0).round() as i64).ok()
    }

    pub fn finish_at(&self) -> Option<Timestamp> {
        self.after(self.expected_h?)
    }

    pub fn starts_on(&self) -> Option<NaiveDate> {
        self.body.starts_at.map(|at| day(at, self.zone()))
    }

    pub fn finish_on(&self) -> Option<NaiveDate> {
        self.finish_at().map(|at| day(at, self.zone()))
    }

    /// The legs as the provisions take them, or why not.
    pub fn timed_legs(&self) -> Result<Vec<provisions::Leg>, &'static str> {
        if self.legs.is_empty() {
            return Err("the race has no legs");
        }
        let Some(_) = &self.hours else { return Err("not every leg of the race has an expected time") };
        Ok(self.legs.iter().filter_map(provisions_leg).collect())
    }

    /// Dark hours along the course, or why there are none.
    ///
    /// The runner moves evenly from checkpoint to checkpoint where all legs are timed, else evenly between the places
    /// that are known; with one place he stays there.
    pub fn dark(&self) -> Result<Dark, String> {
        if self.body.starts_at.is_none() {
            return Err("the race does not say when it starts".into());
        }
        let expected = self.expected_h.ok_or("the race does not say how long the runner expects to take")?;
        let finish = self.after(expected).ok_or("the finish is beyond the calendar")?;
        let mut points = self.points(expected);
        let mut assumed = (self.hours.is_none() && points.len() > 1)
            .then(|| "the legs have no times: the pace is taken as even over the distance".to_owned());
        if points.is_empty() {
            return Err("no leg of the race says where it is".into());
        }
        if points.len() == 1 {
            assumed = Some("only one place on the course is known: the sun is taken as it is there".into());
        }
        // Up to the first known place and from the last one on the runner is taken to be there.
        if points[0].0 > 0.0 {
            points.insert(0, (0.0, points[0].1));
        }
        let last = points[points.len() - 1];
        if last.0 < expected {
            points.push((expected, last.1));
        }
        let mut track = Vec::with_capacity(points.len());
        for (hours, at) in points {
            let when = if hours >= expected { Some(finish) } else { self.after(hours) };
            let when = when.ok_or("the course is beyond the calendar")?;
            let place = Place::new(at.lat, at.lon).map_err(|why| why.to_string())?;
            if track.last().is_none_or(|(before, _)| *before < when.utc()) {
                track.push((when.utc(), place));
            }
        }
        if track.len() == 1 {
            return Err("the race takes no time".into());
        }
        let hours = Track::new(&track).and_then(|track| light::dark_hours(&track));
        Ok(Dark { hours: hours.map_err(|why| why.to_string())?, assumed })
    }

    /// Known places with the hours after the start at which the runner is there, in order.
    fn points(&self, expected: f64) -> Vec<(f64, Position)> {
        let km: f64 = self.legs.iter().map(|leg| leg.distance_km.value()).sum();
        let share = |leg: usize, leg_km: f64| match &self.hours {
            Some(hours) => hours[leg],
            None if km > 0.0 => expected * leg_km / km,
            None => 0.0,
        };
        let mut points: Vec<(f64, Position)> = Vec::new();
        let mut at = 0.0;
        for (index, leg) in self.legs.iter().enumerate() {
            let mut add = |hours: f64, place: Option<Position>| {
                if let Some(place) = place
                    && points.last().is_none_or(|(before, _)| *before < hours)
                {
                    points.push((hours, place));
                }
            };
            add(at, leg.from);
            at += share(index, leg.distance_km.value());
            add(at, leg.to);
        }
        points
    }

    /// Whether each leg has darkness; not known without times.
    fn legs_dark(&self, dark: Option<&Dark>) -> Vec<Option<bool>> {
        let (Some(hours), Some(dark), Some(start)) = (&self.hours, dark, self.body.starts_at) else {
            return vec![None; self.legs.len()];
        };
        let ms = |hours: f64| (hours * 3_600_000.0).round() as i64;
        let mut from = 0.0;
        let mut out = Vec::with_capacity(hours.len());
        for leg in hours {
            let (begin, end) = (start.millis() + ms(from), start.millis() + ms(from + leg));
            let overlaps = |spell: &light::DarkSpell| {
                spell.from.timestamp_millis() < end && spell.to.timestamp_millis() > begin
            };
            out.push(Some(dark.hours.lamp.spells.iter().any(overlaps)));
            from += leg;
        }
        out
    }

    /// The race as the rules read it.
    pub fn for_rules(&self, as_of: Timestamp, dark: Option<&Dark>) -> Race {
        let bounded = |dark: &Dark| {
            let lamp = &dark.hours.lamp;
            let (low, high) = ((lamp.hours - lamp.bound_h).max(0.0), lamp.hours + lamp.bound_h);
            Bounded { value: lamp.hours, low, high }
        };
        let sets = self.body.active_sets.as_deref().unwrap_or_default();
        Race {
            as_of: day(as_of, self.zone()),
            starts_on: self.starts_on(),
            finish_on: self.finish_on(),
            active_sets: sets.iter().map(|set| set.as_str().to_owned()).collect(),
            dark_h: dark.map(bounded),
            days: self.body.days,
            legs_dark: self.legs_dark(dark),
            mates_known: false,
        }
    }
}

fn provisions_leg(leg: &Leg) -> Option<provisions::Leg> {
    let refill = leg.refill.unwrap_or_default();
    Some(provisions::Leg {
        hours: leg.expected_h?,
        refill: provisions::Refill { water: refill.water, food: refill.food, drop_bag: refill.drop_bag },
    })
}

/// Whether a sheet looks at the dark at all, so that nobody computes it in vain.
pub(super) fn asks_for_the_dark(sheet: &RuleSheet) -> bool {
    fn asks(rule: &Rule) -> bool {
        rule.scope == Some(Scope::Night)
            || match &rule.need {
                Need::Burn { .. } => true,
                Need::AnyOf { options } => options.iter().flatten().any(asks),
                _ => false,
            }
    }
    sheet.rules.iter().any(asks)
}
