//! What a scale was off by, sitting after sitting, and what that means.

use domain::kinds;
use domain::mass::{CheckFact, Evidence, ScaleEvidence, ScaleOffset, scale_offset};
use domain::metrology::environment::moved_scale_reading_g;
use domain::metrology::gain_offset::{CheckReading, gain_offset};
use domain::metrology::mpe::{AccuracyClass, Verification, mpe_r76_g};
use domain::metrology::outliers::modified_z;
use domain::metrology::resolution::reading_pair_u;
use domain::metrology::two_weighings::{Comparison, Measured, two_weighings};
use domain::time::Timestamp;
use domain::wire::shape;
use domain::wire::sitting::SittingBody;
use uuid::Uuid;

use crate::error::Result;
use crate::local::Store;
use crate::render;

/// Two-sided level of every comparison.
const LEVEL: f64 = 0.95;

/// The offset of a scale in one sitting.
#[derive(Debug, Clone, PartialEq)]
pub struct SittingOffset {
    /// The sitting.
    pub sitting: Uuid,
    /// When it began.
    pub at: Timestamp,
    /// What the scale was off by.
    pub offset: ScaleOffset,
    /// The check readings that it comes from.
    pub checks: Vec<CheckFact>,
}

impl SittingOffset {
    /// "+1.0 +- 0.4 g".
    #[must_use]
    pub fn words(&self) -> String {
        signed(self.offset.offset_g, self.offset.u_g)
    }
}

/// A difference with its sign.
#[must_use]
pub fn signed(value_g: f64, u_g: f64) -> String {
    let words = render::with_uncertainty(value_g, u_g);
    if words.starts_with('-') { words } else { format!("+{words}") }
}

/// A scale's history.
#[derive(Debug, Clone, PartialEq)]
pub struct History {
    /// Its step and how well it repeats.
    pub scale: ScaleEvidence,
    /// Its checked sittings, the oldest first.
    pub sittings: Vec<SittingOffset>,
}

/// The checked sittings of a scale; none when the scale is not known.
///
/// # Errors
/// When the store cannot be read.
pub fn history(store: &Store, room: Uuid, scale: Uuid) -> Result<Option<History>> {
    let sittings = store.records(room, &kinds::sitting::KIND)?;
    let evidence = Evidence::of_kitroom(
        &store.records(room, &kinds::scale::KIND)?,
        &sittings,
        &store.records(room, &kinds::check_reading::KIND)?,
        &store.records(room, &kinds::weighing::KIND)?,
    );
    let Some(known) = evidence.scales.get(&scale).copied() else { return Ok(None) };
    let mut offsets = Vec::new();
    for record in &sittings {
        let Some(sitting) = evidence.sittings.get(&record.id).filter(|sitting| sitting.scale_id == scale)
        else {
            continue;
        };
        let body = shape::read::<SittingBody>(&record.body).ok();
        if let (Some(body), Some(offset)) = (body, scale_offset(&sitting.checks, known)) {
            let checks = sitting.checks.clone();
            offsets.push(SittingOffset { sitting: record.id, at: body.started_at, offset, checks });
        }
    }
    offsets.sort_by_key(|offset| (offset.at, offset.sitting));
    Ok(Some(History { scale: known, sittings: offsets }))
}

/// How the offset changed from one sitting to a later one; what both owe to the same weight cancels.
#[must_use]
pub fn compare(earlier: &SittingOffset, later: &SittingOffset) -> Option<Comparison> {
    let measured = |of: &SittingOffset| Measured::new(of.offset.offset_g, of.offset.u_g);
    let common = earlier.offset.u_common_g(&later.offset);
    two_weighings(measured(earlier), measured(later), common, LEVEL).ok()
}

impl History {
    /// The sitting of this id and the checked one before it.
    #[must_use]
    pub fn at(&self, sitting: Uuid) -> Option<(&SittingOffset, Option<&SittingOffset>)> {
        let at = self.sittings.iter().position(|offset| offset.sitting == sitting)?;
        Some((&self.sittings[at], at.checked_sub(1).map(|before| &self.sittings[before])))
    }

    /// Which sittings stand apart from the rest, by position; none of fewer than three.
    #[must_use]
    pub fn apart(&self) -> Vec<usize> {
        let offsets: Vec<f64> = self.sittings.iter().map(|offset| offset.offset.offset_g).collect();
        modified_z(&offsets, self.scale.resolution_g).map(|judged| judged.flagged).unwrap_or_default()
    }

    /// What a sitting's check readings say of the scale, a sentence each: whether it has drifted, whether it is off by
    /// more than is plausible, and whether its error grows with the load.
    #[must_use]
    pub fn sentences(&self, name: &str, sitting: Uuid) -> Vec<String> {
        let Some((now, before)) = self.at(sitting) else { return Vec::new() };
        let readings = render::count(now.checks.len() as i64, "check reading");
        let mut sentences = vec![match before.and_then(|before| Some((before, compare(before, now)?))) {
            None => format!("{name} is off by {} (from {readings}); that is taken off", now.words()),
            Some((before, change)) => drift(name, before, now, &change),
        }];
        sentences.extend(now.checks.iter().filter_map(|check| implausible(check, self.scale.resolution_g)));
        sentences.extend(self.gain(name, now));
        sentences
    }

    /// With two or more different weights: reading = gain x mass + offset.
    fn gain(&self, name: &str, now: &SittingOffset) -> Option<String> {
        let first = now.checks.first()?;
        if now.checks.iter().all(|check| (check.known_g - first.known_g).abs() < 1e-6) {
            return None;
        }
        let readings: Vec<CheckReading> = now
            .checks
            .iter()
            .map(|check| CheckReading {
                known_g: check.known_g,
                u_known_g: check.known_u_g,
                reading_g: check.reading_g,
            })
            .collect();
        let u = reading_pair_u(self.scale.resolution_g).ok()?.hypot(self.scale.repeats.variance().sqrt());
        let line = gain_offset(&readings, u).ok()?;
        let per_kg = (line.gain - 1.0) * 1000.0;
        let grows = (line.gain - 1.0).abs() > 1.96 * line.u_gain;
        let words = if grows {
            "its error grows with the load, and only the mean is taken off: have it adjusted"
        } else {
            "no more than its readings explain"
        };
        Some(format!(
            "{name} reads {} more for each kilogram ({} readings of different weights): {words}",
            signed(per_kg, line.u_gain * 1000.0),
            line.n
        ))
    }
}

fn drift(name: &str, before: &SittingOffset, now: &SittingOffset, change: &Comparison) -> String {
    let (then, day) = (before.words(), render::long_day(before.at));
    if !change.significant {
        return format!(
            "{name} is off by {}, and was by {then} on {day}: no drift beyond what its readings explain; it is taken off",
            now.words()
        );
    }
    let moved = moving(&now.checks, change.difference);
    format!(
        "{name} has drifted or was moved: it is off by {} and was by {then} on {day}, a change of {}, more than its \
         readings explain. This sitting is corrected by its own check weight; read it at every sitting.{moved}",
        now.words(),
        signed(change.difference, change.u)
    )
}

/// Whether another place can have done it: from the pole at the sea to the equator at 4000 m gravity falls by more than
/// between any two places where people weigh kit.
fn moving(checks: &[CheckFact], difference: f64) -> String {
    let heaviest = checks.iter().map(|check| check.known_g).fold(0.0, f64::max);
    let Ok(there) = moved_scale_reading_g(heaviest, (90.0, 0.0), (0.0, 4000.0)) else { return String::new() };
    let most = heaviest - there;
    if difference.abs() > most {
        return format!(
            " Another latitude or height alone cannot do that (at most {most:.1} g at {}).",
            render::grams(heaviest)
        );
    }
    format!(" Another latitude or height can do that (up to {most:.1} g at {}).", render::grams(heaviest))
}

/// When a check reading is off by more than a verified scale in service may be.
fn implausible(check: &CheckFact, step_g: f64) -> Option<String> {
    let band = mpe_r76_g(check.known_g, step_g, AccuracyClass::III, Verification::InService).ok()?;
    let off = check.reading_g - check.known_g;
    (off.abs() > band + 1e-9).then(|| {
        format!(
            "{} reads {}: {:+} g, beyond the {band} g that a class III scale in service may be off there (OIML R 76). \
             No kitchen scale has to keep that; still, is it level, warm, zeroed, and the weight the right one?",
            render::grams(check.known_g),
            render::grams(check.reading_g),
            (off * 1000.0).round() / 1000.0
        )
    })
}
