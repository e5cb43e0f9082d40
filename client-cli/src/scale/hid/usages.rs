//! The numbers of usage page 0x8D that a reading needs.
//!
//! From memory and checked in the tests against an independent rendering of the "HID Usage Tables" of the USB
//! Implementers' Forum (a general-purpose library); the document itself was not opened.

use domain::mass_unit::MassUnit;

/// The weighing page.
pub const PAGE: u16 = 0x8d;
/// The collection of a report on the most that the scale takes.
pub const WEIGHT_LIMIT_REPORT: u16 = 0x34;
/// The number, to be multiplied by the power of ten.
pub const DATA_WEIGHT: u16 = 0x40;
/// The power of ten.
pub const DATA_SCALING: u16 = 0x41;
/// The first unit (milligram); the units follow one another.
pub const FIRST_UNIT: u16 = 0x51;
/// The last unit (pound).
pub const LAST_UNIT: u16 = 0x5c;
/// The first status (fault); the statuses follow one another.
pub const FIRST_STATUS: u16 = 0x71;
/// The last status (requires re-zeroing).
pub const LAST_STATUS: u16 = 0x78;

/// The unit of a usage; `None` for the tael, whose mass differs between countries, and for what is no unit.
#[must_use]
pub fn unit(usage: u16) -> Option<MassUnit> {
    Some(match usage {
        0x51 => MassUnit::Milligram,
        0x52 => MassUnit::Gram,
        0x53 => MassUnit::Kilogram,
        0x54 => MassUnit::Carat,
        0x56 => MassUnit::Grain,
        0x57 => MassUnit::Pennyweight,
        0x58 => MassUnit::Tonne,
        0x59 => MassUnit::ShortTon,
        0x5a => MassUnit::TroyOunce,
        0x5b => MassUnit::Ounce,
        0x5c => MassUnit::Pound,
        _ => return None,
    })
}

/// What a scale says of itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Status {
    /// Something is wrong with it.
    Fault,
    /// Stable, and at the centre of zero.
    StableAtZero,
    /// Moving.
    InMotion,
    /// Stable.
    Stable,
    /// Below zero.
    UnderZero,
    /// Too much on the pan.
    OverLimit,
    /// It wants to be calibrated.
    RequiresCalibration,
    /// It wants to be zeroed.
    RequiresRezeroing,
}

/// The status of a usage.
#[must_use]
pub fn status(usage: u16) -> Option<Status> {
    Some(match usage {
        0x71 => Status::Fault,
        0x72 => Status::StableAtZero,
        0x73 => Status::InMotion,
        0x74 => Status::Stable,
        0x75 => Status::UnderZero,
        0x76 => Status::OverLimit,
        0x77 => Status::RequiresCalibration,
        0x78 => Status::RequiresRezeroing,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The names as the "HID Usage Tables" give them, in the rendering of the `hut` library.
    fn name(usage: u16) -> String {
        hut::Usage::new_from_page_and_id(PAGE, usage).unwrap().name()
    }

    #[test]
    fn usages_carry_the_names_of_the_published_tables() {
        assert_eq!(hut::UsagePage::try_from(PAGE).unwrap().name(), "Scales");
        assert_eq!(name(WEIGHT_LIMIT_REPORT), "Scale Weight Limit Report");
        assert_eq!(name(DATA_WEIGHT), "Data Weight");
        assert_eq!(name(DATA_SCALING), "Data Scaling");
        let units = [
            (0x51, "Milligram"),
            (0x52, "Gram"),
            (0x53, "Kilogram"),
            (0x54, "Carats"),
            (0x55, "Taels"),
            (0x56, "Grains"),
            (0x57, "Pennyweights"),
            (0x58, "Metric Ton"),
            (0x59, "Avoir Ton"),
            (0x5a, "Troy Ounce"),
            (0x5b, "Ounce"),
            (0x5c, "Pound"),
        ];
        assert_eq!((units[0].0, units[11].0), (FIRST_UNIT, LAST_UNIT));
        for (usage, expected) in units {
            assert_eq!(name(usage), format!("Weight Unit {expected}"));
            let symbol = unit(usage).map_or("tael", MassUnit::symbol);
            let ours = match symbol {
                "mg" => "Milligram",
                "g" => "Gram",
                "kg" => "Kilogram",
                "ct" => "Carats",
                "tael" => "Taels",
                "grain" => "Grains",
                "dwt" => "Pennyweights",
                "t" => "Metric Ton",
                "short ton" => "Avoir Ton",
                "oz t" => "Troy Ounce",
                "oz" => "Ounce",
                _ => "Pound",
            };
            assert_eq!(ours, expected);
        }
        let statuses = [
            (Status::Fault, "Fault"),
            (Status::StableAtZero, "Stable at Center of Zero"),
            (Status::InMotion, "In Motion"),
            (Status::Stable, "Weight Stable"),
            (Status::UnderZero, "Under Zero"),
            (Status::OverLimit, "Over Weight Limit"),
            (Status::RequiresCalibration, "Requires Calibration"),
            (Status::RequiresRezeroing, "Requires Rezeroing"),
        ];
        for (offset, (ours, expected)) in (0..).zip(statuses) {
            assert_eq!(status(FIRST_STATUS + offset), Some(ours));
            assert_eq!(name(FIRST_STATUS + offset), format!("Scale Status {expected}"));
        }
        assert_eq!(LAST_STATUS, FIRST_STATUS + 7);
    }
}
