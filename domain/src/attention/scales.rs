//! Scales that no longer read what they did.

use super::kit::AttentionInput;
use crate::wire::attention::{AttentionLine, AttentionReason, AttentionSubject};

/// Two-sided 95 %.
const COVERAGE: f64 = 1.96;

/// The newest sitting with check weights against the one before; what both owe to the same weights cancels.
pub(super) fn scales(input: &AttentionInput, lines: &mut Vec<AttentionLine>) {
    for scale in &input.scales {
        let mut sittings: Vec<_> = scale.sittings.iter().collect();
        sittings.sort_by(|a, b| b.at.cmp(&a.at).then(a.offset.offset_g.total_cmp(&b.offset.offset_g)));
        let [newest, before, ..] = sittings.as_slice() else { continue };
        let common = newest.offset.u_common_g(&before.offset);
        let variance = newest.offset.u_g.powi(2) + before.offset.u_g.powi(2) - 2.0 * common.powi(2);
        let u = variance.max(0.0).sqrt();
        let moved = newest.offset.offset_g - before.offset.offset_g;
        if moved.abs() <= COVERAGE * u {
            continue;
        }
        lines.push(AttentionLine {
            reason: AttentionReason::ScaleMoved,
            about: AttentionSubject { kind: "scale".into(), id: scale.id, name: scale.name.clone() },
            by: None,
            race: None,
            text: format!(
                "Against its check weights it reads {moved:+.2} g otherwise than on {} (u {u:.2} g).",
                before.at.utc().date_naive()
            ),
            next: "Read the check weights again; sittings without them are in doubt.".to_owned(),
        });
    }
}
