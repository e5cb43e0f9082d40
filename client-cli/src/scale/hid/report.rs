//! One report from a scale.

use domain::mass_unit::{Decimal, MassUnit};
use domain::units::ReadingMg;

use super::descriptor::{Bits, Choice, Layout, ReportLayout};
use super::usages::{self, Status};
use crate::scale::line::LineReading;

/// Why a report is no reading.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ReportFault {
    /// Fewer bytes than the descriptor says.
    #[error("a report of {got} bytes where the device announced {needed}")]
    Short {
        /// How many are needed.
        needed: usize,
        /// How many came.
        got: usize,
    },
    /// The scale reports a fault.
    #[error("the scale reports a fault")]
    Fault,
    /// The scale wants to be calibrated.
    #[error("the scale asks to be calibrated")]
    RequiresCalibration,
    /// The scale wants to be zeroed.
    #[error("the scale asks to be set to zero")]
    RequiresRezeroing,
    /// No unit, or one whose mass is not the same everywhere.
    #[error("the report names no unit of mass that can be relied on: set the scale to g")]
    NoUnit,
    /// More than a tonne.
    #[error("more than any kitchen scale shows")]
    OutOfRange,
}

/// The value of some bits, which lie from the lowest bit of the first byte on; `None` past the end.
pub(super) fn extract(bytes: &[u8], bits: Bits) -> Option<i64> {
    let size = bits.size as usize;
    if size == 0 || size > 32 {
        return None;
    }
    let (first, last) = (bits.at / 8, (bits.at + size - 1) / 8);
    let word = bytes.get(first..=last)?.iter().rev().fold(0_u64, |value, byte| value << 8 | u64::from(*byte));
    let value = (word >> (bits.at % 8) & ((1 << size) - 1)) as i64;
    Some(if bits.signed && value >= 1 << (size - 1) { value - (1 << size) } else { value })
}

/// The chosen usage; `Some(None)` when none is chosen.
fn chosen(bytes: &[u8], choice: &Choice) -> Option<Option<u16>> {
    Some(match choice {
        Choice::Number { bits, first, usages } => {
            let index = extract(bytes, *bits)?.checked_sub(*first);
            index.and_then(|index| usages.get(usize::try_from(index).ok()?).copied())
        }
        Choice::Flags(flags) => {
            let mut chosen = None;
            for (bits, usage) in flags {
                if extract(bytes, *bits)? != 0 && chosen.is_none() {
                    chosen = Some(*usage);
                }
            }
            chosen
        }
    })
}

/// Reads one report; `Ok(None)` is a report without a weight, which scales send too. A device that tells no unit at
/// all is read in `assumed`.
///
/// A number that cannot be negative is taken as below zero when the status says "under zero" (from memory of common
/// practice; the tables only define the status).
///
/// # Errors
/// [`ReportFault`], whose `Display` says in words what is wrong.
pub fn decode(layout: &Layout, bytes: &[u8], assumed: MassUnit) -> Result<Option<LineReading>, ReportFault> {
    let Some((report, data)) = layout.find(bytes) else { return Ok(None) };
    let short = || ReportFault::Short { needed: report.bits.div_ceil(8), got: data.len() };
    let Some(weight) = report.weight else { return Ok(None) };
    let status = match &report.status {
        Some(choice) => chosen(data, choice).ok_or_else(short)?.and_then(usages::status),
        None => None,
    };
    let mantissa = extract(data, weight).ok_or_else(short)?;
    let exponent = match report.scaling {
        Some(bits) => extract(data, bits).ok_or_else(short)?,
        None => 0,
    };
    let unit = match &report.unit {
        Some(choice) => chosen(data, choice).ok_or_else(short)?,
        None => Some(0),
    };
    let stable = match status {
        Some(Status::Fault) => return Err(ReportFault::Fault),
        Some(Status::RequiresCalibration) => return Err(ReportFault::RequiresCalibration),
        Some(Status::RequiresRezeroing) => return Err(ReportFault::RequiresRezeroing),
        Some(Status::OverLimit) => return Ok(Some(LineReading::Overload)),
        Some(Status::StableAtZero | Status::Stable) => Some(true),
        Some(Status::InMotion) => Some(false),
        Some(Status::UnderZero) | None => None,
    };
    value(report, mantissa, exponent, unit, assumed, status, stable).map(Some)
}

fn value(
    report: &ReportLayout,
    mantissa: i64,
    exponent: i64,
    unit: Option<u16>,
    assumed: MassUnit,
    status: Option<Status>,
    stable: Option<bool>,
) -> Result<LineReading, ReportFault> {
    let exponent = i32::try_from(exponent).map_err(|_| ReportFault::OutOfRange)?;
    // At zero many scales send no unit.
    let unit = match unit {
        _ if report.unit.is_none() => assumed,
        Some(usage) => usages::unit(usage).ok_or(ReportFault::NoUnit)?,
        None if mantissa == 0 => assumed,
        None => return Err(ReportFault::NoUnit),
    };
    let decimal = Decimal { mantissa, exponent };
    let below = status == Some(Status::UnderZero) && mantissa > 0;
    let signed = if below { decimal.negated() } else { decimal };
    let reading: ReadingMg = signed.to_reading(unit).ok_or(ReportFault::OutOfRange)?;
    let step_mg = decimal.last_digit_mg(unit).ok_or(ReportFault::OutOfRange)?;
    Ok(LineReading::Value { reading, unit, step_mg, stable, net: None })
}

#[cfg(test)]
mod tests;
