//! How long a lamp burns in the cold and with an aged cell, and how often its cell is changed.
//!
//! The hours on a lamp's label run until its output is a tenth of the first half minute's (ANSI/PLATO FL 1, as summarised
//! publicly), so they are not hours at the label's lumens. The owner's own discharge test is worth more than any
//! of this.

use crate::no_estimate::{NoEstimate, within};

/// Illuminance that ends a beam in FL 1, lx: about full moonlight.
const BEAM_END_LUX: f64 = 0.25;

/// A secondary cell or pack.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell {
    energy_wh: f64,
    age_factor: f64,
}

impl Cell {
    /// From nominal voltage in V and capacity in Ah; `age_factor` is the share of that capacity which the cell still has, 1
    /// when new, by the owner's test or estimate.
    ///
    /// # Errors
    /// [`NoEstimate::OutOfRange`] for voltages outside 0.5 to 60 V, capacities outside 0.01 to 1000 Ah, or an age factor
    /// outside 0.01 to 1.
    pub fn new(volts: f64, amp_hours: f64, age_factor: f64) -> Result<Self, NoEstimate> {
        let volts = within("voltage in V", volts, 0.5, 60.0)?;
        let amp_hours = within("capacity in Ah", amp_hours, 0.01, 1000.0)?;
        Ok(Self { energy_wh: volts * amp_hours, age_factor: within("age factor", age_factor, 0.01, 1.0)? })
    }

    /// Nominal energy when new, Wh.
    #[must_use]
    pub fn energy_wh(self) -> f64 {
        self.energy_wh
    }

    /// Hours at a steady load: `E eta k_age k_cold / P`, with the driver's efficiency, the power that reaches the light
    /// source in W, and the cell's own temperature in degrees Celsius (10 to 15 in a pocket).
    ///
    /// # Errors
    /// [`NoEstimate::OutOfRange`] for an efficiency outside 0.1 to 1, a load outside 0.001 to 1000 W, or a temperature outside
    /// -60 to 60; [`NoEstimate::Because`] where the cold factor is zero.
    pub fn burn_time(self, driver_efficiency: f64, load_w: f64, cell_c: f64) -> Result<BurnTime, NoEstimate> {
        let efficiency = within("driver efficiency", driver_efficiency, 0.1, 1.0)?;
        let load = within("load in W", load_w, 1e-3, 1000.0)?;
        let cold = cold_factor(cell_c)?;
        if cold == 0.0 {
            return Err(NoEstimate::Because("no cell is expected to work at this temperature"));
        }
        let warm_h = self.energy_wh * self.age_factor * efficiency / load;
        Ok(BurnTime { hours: warm_h * cold, warm_h })
    }
}

/// How long a lamp burns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BurnTime {
    /// With the cold taken off, h: what to plan with.
    pub hours: f64,
    /// Without it, h: an upper figure. The true loss lies between and depends on the chemistry and the current.
    pub warm_h: f64,
}

/// Share of a cell's capacity at its temperature in degrees Celsius: `1 - 0.5 (27 - T)/45`, within 0 to 1.
///
/// Through 100 % at 27 and 50 % at -18 degrees, which public notes on secondary cells state; the straight line between
/// (and beyond) is an assumption.
///
/// # Errors
/// [`NoEstimate::OutOfRange`] for temperatures outside -60 to 60.
pub fn cold_factor(cell_c: f64) -> Result<f64, NoEstimate> {
    let t = within("cell temperature in degrees Celsius", cell_c, -60.0, 60.0)?;
    Ok((1.0 - 0.5 * (27.0 - t) / 45.0).clamp(0.0, 1.0))
}

/// How many times a cell is changed to burn through the dark: `ceil(dark (1 + margin)/burn) - 1`, and not below zero.
/// `margin` is a share, 0.2 for 20 %.
///
/// # Errors
/// [`NoEstimate::OutOfRange`] for dark hours outside 0 to 10 000, a margin outside 0 to 10, or a burn time outside 0.01 to
/// 10 000 h.
pub fn swaps(dark_h: f64, margin: f64, burn_h: f64) -> Result<u32, NoEstimate> {
    let dark = within("dark hours", dark_h, 0.0, 10_000.0)?;
    let margin = within("margin", margin, 0.0, 10.0)?;
    let burn = within("burn time in h", burn_h, 0.01, 10_000.0)?;
    // Twelve hours are two cells of six hours, also after rounding.
    let cells = (dark * (1.0 + margin) / burn - 1e-9).ceil();
    Ok((cells - 1.0).max(0.0) as u32)
}

/// Distance in m at which a beam of a peak intensity in cd has faded to 0.25 lx: `sqrt(I/0.25)`, the definition of FL 1.
///
/// # Errors
/// [`NoEstimate::OutOfRange`] for intensities outside 0 to 10^9 cd.
pub fn beam_distance_m(peak_cd: f64) -> Result<f64, NoEstimate> {
    Ok((within("peak intensity in cd", peak_cd, 0.0, 1e9)? / BEAM_END_LUX).sqrt())
}

/// Lumens to expect from a power in W, low and high: 80 to 130 lm/W for a lamp's whole system (common practice, no
/// source).
///
/// # Errors
/// [`NoEstimate::OutOfRange`] for powers outside 0 to 1000 W.
pub fn lumens_range(power_w: f64) -> Result<(f64, f64), NoEstimate> {
    let power = within("power in W", power_w, 0.0, 1000.0)?;
    Ok((80.0 * power, 130.0 * power))
}
