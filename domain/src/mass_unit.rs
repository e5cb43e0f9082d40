//! Units of mass that scales show, and the exact step from a decimal in such a unit to whole milligrams.
//!
//! Factors: the international avoirdupois pound is exactly 0.453 592 37 kg (agreement of 1959), as published in NIST
//! Special Publication 811 (2008), appendix B.8, where the ounce, the short ton and the grain (1/7000 lb) follow from
//! it, the troy ounce is 480 grains and the pennyweight 24. The metric carat is exactly 200 mg (same table).

use crate::units::ReadingMg;

/// A unit of mass.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum MassUnit {
    /// mg
    Milligram,
    /// g
    Gram,
    /// kg
    Kilogram,
    /// t, 1000 kg
    Tonne,
    /// ct, the metric carat of 200 mg
    Carat,
    /// 64.798 91 mg
    Grain,
    /// dwt, 24 grains
    Pennyweight,
    /// oz t, 480 grains
    TroyOunce,
    /// oz, 1/16 lb
    Ounce,
    /// lb, 0.453 592 37 kg
    Pound,
    /// 2000 lb
    ShortTon,
}

impl MassUnit {
    /// Milligrams in one of this unit, as an exact fraction (numerator, denominator).
    #[must_use]
    pub fn mg(self) -> (i128, i128) {
        match self {
            Self::Milligram => (1, 1),
            Self::Gram => (1_000, 1),
            Self::Kilogram => (1_000_000, 1),
            Self::Tonne => (1_000_000_000, 1),
            Self::Carat => (200, 1),
            Self::Grain => (6_479_891, 100_000),
            Self::Pennyweight => (24 * 6_479_891, 100_000),
            Self::TroyOunce => (480 * 6_479_891, 100_000),
            Self::Ounce => (45_359_237, 1_600),
            Self::Pound => (45_359_237, 100),
            Self::ShortTon => (907_184_740, 1),
        }
    }

    /// The symbol that is stored and shown.
    #[must_use]
    pub fn symbol(self) -> &'static str {
        match self {
            Self::Milligram => "mg",
            Self::Gram => "g",
            Self::Kilogram => "kg",
            Self::Tonne => "t",
            Self::Carat => "ct",
            Self::Grain => "grain",
            Self::Pennyweight => "dwt",
            Self::TroyOunce => "oz t",
            Self::Ounce => "oz",
            Self::Pound => "lb",
            Self::ShortTon => "short ton",
        }
    }

    /// The unit that a word means, in any case; `None` for a word that is not a unit of mass or that means different
    /// masses to different people ("gr": gram to some, grain to others; "tael": differs between countries).
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        const WORDS: [(&str, MassUnit); 27] = [
            ("mg", MassUnit::Milligram),
            ("milligram", MassUnit::Milligram),
            ("milligrams", MassUnit::Milligram),
            ("g", MassUnit::Gram),
            ("gram", MassUnit::Gram),
            ("grams", MassUnit::Gram),
            ("kg", MassUnit::Kilogram),
            ("kilo", MassUnit::Kilogram),
            ("kilogram", MassUnit::Kilogram),
            ("kilograms", MassUnit::Kilogram),
            ("ct", MassUnit::Carat),
            ("carat", MassUnit::Carat),
            ("carats", MassUnit::Carat),
            ("gn", MassUnit::Grain),
            ("grain", MassUnit::Grain),
            ("grains", MassUnit::Grain),
            ("dwt", MassUnit::Pennyweight),
            ("ozt", MassUnit::TroyOunce),
            ("oz", MassUnit::Ounce),
            ("ozs", MassUnit::Ounce),
            ("ounce", MassUnit::Ounce),
            ("ounces", MassUnit::Ounce),
            ("lb", MassUnit::Pound),
            ("lbs", MassUnit::Pound),
            ("pound", MassUnit::Pound),
            ("pounds", MassUnit::Pound),
            ("tonne", MassUnit::Tonne),
        ];
        WORDS.iter().find(|(known, _)| known.eq_ignore_ascii_case(word)).map(|(_, unit)| *unit)
    }
}

impl std::fmt::Display for MassUnit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.symbol())
    }
}

/// `mantissa * 10^exponent`: a decimal as it was written, before any rounding.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Decimal {
    /// The digits without the point, with the sign.
    pub mantissa: i64,
    /// The power of ten; minus the number of decimals written.
    pub exponent: i32,
}

/// Why a run of characters is not a decimal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum DecimalError {
    /// There is no digit.
    #[error("there is no digit")]
    NoDigit,
    /// There are more digits than any scale shows.
    #[error("there are more than {MAX_DIGITS} digits")]
    TooManyDigits,
    /// There is a character that is neither a digit nor the one decimal mark.
    #[error("a character is neither a digit nor the one decimal mark")]
    NotANumber,
}

/// The most digits, leading zeros apart, that [`Decimal::from_digits`] takes.
pub const MAX_DIGITS: usize = 15;

impl Decimal {
    /// Reads unsigned digits with at most one decimal mark, `.` or `,`.
    ///
    /// # Errors
    /// [`DecimalError`].
    pub fn from_digits(text: &str) -> Result<Self, DecimalError> {
        let (mut mantissa, mut exponent, mut digits, mut significant, mut mark) = (0_i64, 0_i32, 0, 0, false);
        for byte in text.bytes() {
            match byte {
                b'0'..=b'9' => {
                    digits += 1;
                    significant += usize::from(mantissa != 0 || byte != b'0');
                    if significant > MAX_DIGITS || digits > 4 * MAX_DIGITS {
                        return Err(DecimalError::TooManyDigits);
                    }
                    mantissa = mantissa * 10 + i64::from(byte - b'0');
                    exponent -= i32::from(mark);
                }
                b'.' | b',' if !mark => mark = true,
                _ => return Err(DecimalError::NotANumber),
            }
        }
        if digits == 0 { Err(DecimalError::NoDigit) } else { Ok(Self { mantissa, exponent }) }
    }

    /// With the opposite sign; zero stays zero, so there is no negative zero.
    #[must_use]
    pub fn negated(self) -> Self {
        Self { mantissa: self.mantissa.saturating_neg(), ..self }
    }

    /// With `whole` units added; `None` beyond what a mantissa holds.
    #[must_use]
    pub fn plus_whole(self, whole: i64) -> Option<Self> {
        let scale =
            if self.exponent > 0 { return None } else { 10_i64.checked_pow(self.exponent.unsigned_abs())? };
        let mantissa = whole.checked_mul(scale)?.checked_add(self.mantissa)?;
        Some(Self { mantissa, ..self })
    }

    /// As a whole number of milligrams, and whether nothing was rounded; `None` beyond what a 64-bit number of
    /// milligrams holds. A half rounds to the even neighbour (NIST SP 811, appendix B.7).
    #[must_use]
    pub fn to_mg(self, unit: MassUnit) -> Option<(i64, bool)> {
        if self.mantissa == 0 {
            return Some((0, true));
        }
        // Below 10^-29 even the greatest mantissa in the greatest unit is less than half a milligram.
        if self.exponent < -29 {
            return Some((0, false));
        }
        let (mut numerator, mut denominator) = unit.mg();
        numerator = numerator.checked_mul(i128::from(self.mantissa))?;
        let power = 10_i128.checked_pow(self.exponent.unsigned_abs())?;
        if self.exponent < 0 {
            denominator = denominator.checked_mul(power)?;
        } else {
            numerator = numerator.checked_mul(power)?;
        }
        let (whole, rest) = (numerator.div_euclid(denominator), numerator.rem_euclid(denominator));
        let up = match rest.cmp(&(denominator - rest)) {
            std::cmp::Ordering::Less => false,
            std::cmp::Ordering::Equal => whole % 2 != 0,
            std::cmp::Ordering::Greater => true,
        };
        Some((i64::try_from(whole + i128::from(up)).ok()?, rest == 0))
    }

    /// As a reading rounded to 1 mg; `None` outside a reading's range (a tonne either way).
    #[must_use]
    pub fn to_reading(self, unit: MassUnit) -> Option<ReadingMg> {
        ReadingMg::from_scaled(self.to_mg(unit)?.0).ok()
    }

    /// Milligrams that one step of the last written digit is worth: how finely it was read. Rounded up to at least 1.
    #[must_use]
    pub fn last_digit_mg(self, unit: MassUnit) -> Option<i64> {
        Some(Self { mantissa: 1, ..self }.to_mg(unit)?.0.max(1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn mg(text: &str, unit: MassUnit) -> Option<i64> {
        Decimal::from_digits(text).unwrap().to_mg(unit).map(|(mg, _)| mg)
    }

    /// NIST SP 811 (2008), appendix B.8, exact factors: ounce (avoirdupois) 2.834 952 E-02 kg, ounce (troy)
    /// 3.110 348 E-02 kg, pennyweight 1.555 174 E-03 kg, grain 6.479 891 E-05 kg (exact), pound 4.535 923 7 E-01 kg
    /// (exact), ton, short 9.071 847 E+02 kg, carat, metric 2.0 E-04 kg (exact). Values from memory.
    #[test]
    fn to_mg_one_of_each_unit_is_the_published_factor() {
        let published = [
            (MassUnit::Ounce, 2.834_952e-2, 7),
            (MassUnit::TroyOunce, 3.110_348e-2, 7),
            (MassUnit::Pennyweight, 1.555_174e-3, 7),
            (MassUnit::Grain, 6.479_891e-5, 9),
            (MassUnit::Pound, 4.535_923_7e-1, 9),
            (MassUnit::ShortTon, 9.071_847e2, 7),
            (MassUnit::Carat, 2.0e-4, 9),
        ];
        for (unit, kg, figures) in published {
            let (numerator, denominator) = unit.mg();
            let ours = numerator as f64 / denominator as f64 / 1e6;
            assert!((ours / kg - 1.0).abs() < 0.6 * 10f64.powi(1 - figures), "{unit}: {ours} against {kg}");
        }
    }

    #[test]
    fn to_mg_pound_and_its_parts_agree_exactly() {
        assert_eq!(mg("16", MassUnit::Ounce), mg("1", MassUnit::Pound));
        assert_eq!(mg("700000", MassUnit::Grain), Some(45_359_237));
        assert_eq!(mg("100", MassUnit::Pound), Some(45_359_237));
        assert_eq!(mg("20", MassUnit::Pennyweight), mg("1", MassUnit::TroyOunce));
        assert_eq!(mg("1", MassUnit::ShortTon), mg("2000", MassUnit::Pound));
    }

    #[test]
    fn to_mg_half_a_milligram_rounds_to_even() {
        assert_eq!(mg("0.0005", MassUnit::Gram), Some(0));
        assert_eq!(mg("0.0015", MassUnit::Gram), Some(2));
        assert_eq!(mg("0.0025", MassUnit::Gram), Some(2));
        assert_eq!(Decimal { mantissa: -15, exponent: -4 }.to_mg(MassUnit::Gram), Some((-2, false)));
    }

    #[test]
    fn to_mg_extreme_exponents_neither_overflow_nor_panic() {
        assert_eq!(Decimal { mantissa: 1, exponent: i32::MAX }.to_mg(MassUnit::Gram), None);
        assert_eq!(
            Decimal { mantissa: i64::MIN, exponent: i32::MIN }.to_mg(MassUnit::Tonne),
            Some((0, false))
        );
        for exponent in -40..-28 {
            let far_below = Decimal { mantissa: i64::MAX, exponent };
            assert_eq!(far_below.to_mg(MassUnit::Tonne), Some((0, false)), "10^{exponent}");
            assert_eq!(far_below.to_mg(MassUnit::TroyOunce), Some((0, false)), "10^{exponent}");
        }
        assert_eq!(Decimal { mantissa: 0, exponent: i32::MAX }.to_mg(MassUnit::Gram), Some((0, true)));
        assert_eq!(Decimal { mantissa: i64::MIN, exponent: 0 }.negated().mantissa, i64::MAX);
    }

    proptest! {
        #[test]
        fn to_mg_any_decimal_in_grams_equals_the_text_moved_three_places(whole in 0_u32..100_000, thousandths in 0_u32..1000) {
            let text = format!("{whole}.{thousandths:03}");
            prop_assert_eq!(mg(&text, MassUnit::Gram), Some(i64::from(whole) * 1000 + i64::from(thousandths)));
        }

        #[test]
        fn to_mg_any_input_never_panics(mantissa: i64, exponent: i32) {
            for unit in [MassUnit::Milligram, MassUnit::Ounce, MassUnit::Tonne, MassUnit::TroyOunce] {
                let _ = Decimal { mantissa, exponent }.to_mg(unit);
                let _ = Decimal { mantissa, exponent: exponent % 40 }.to_mg(unit);
            }
        }
    }
}
