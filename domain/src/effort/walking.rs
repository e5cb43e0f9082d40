//! Walking under a load, and what is known about mass on the feet and about being lightened. For comparing loads on
//! a walked stretch; none of it holds for running.

use crate::no_estimate::{NoEstimate, within};

/// Per cent of running energy for 100 g on each shoe: Hoogkamer, Kipp, Spiering and Kram 2016 (1.11 recalled, not looked
/// up; "about 1 %" is confirmed). A smaller study, Rodrigo-Carranza 2020, found 7 to 10 %: the disagreement stands.
pub const SHOE_MASS_ENERGY_PERCENT_PER_100_G: f64 = 1.11;
/// Per cent of 3000 m time for 100 g on each shoe, same paper (0.78 recalled, "about 1 %" confirmed).
pub const SHOE_MASS_TIME_PERCENT_PER_100_G: f64 = 0.78;

/// Metabolic rate in watts of walking under a load: Pandolf, Givoni and Goldman 1977, J Appl Physiol 43:577 (recalled),
/// `M = 1.5 W + 2 (W + L)(L/W)^2 + eta (W + L)(1.5 V^2 + 0.35 V G)`.
///
/// W body and L load in kg, V in m/s, G in per cent, eta the terrain factor (1 treadmill, about 1.2 light brush, 2.1
/// sand). It underestimates slow walking and standing, and knows no descent.
///
/// # Errors
/// [`NoEstimate::OutOfRange`] for speeds outside 0.7 to 1.8 m/s, grades outside 0 to 25 %, terrain factors outside
/// 1 to 5, a body outside 30 to 200 kg, or a load that is negative or heavier than the body.
pub fn pandolf(
    body_kg: f64,
    load_kg: f64,
    speed_m_s: f64,
    grade_percent: f64,
    terrain: f64,
) -> Result<f64, NoEstimate> {
    let w = within("body mass in kg", body_kg, 30.0, 200.0)?;
    let l = within("load in kg", load_kg, 0.0, w)?;
    let v = within("walking speed in m/s", speed_m_s, 0.7, 1.8)?;
    let g = within("grade in per cent", grade_percent, 0.0, 25.0)?;
    let eta = within("terrain factor", terrain, 1.0, 5.0)?;
    Ok(1.5 * w + 2.0 * (w + l) * (l / w).powi(2) + eta * (w + l) * (1.5 * v * v + 0.35 * v * g))
}

/// Metabolic rate of unloaded walking in W/kg: Looney and others 2019 (Load Carriage Decision Aid; coefficients
/// recalled, not looked up, hence not shown to users before someone has),
/// `1.44 + 1.94 S^0.43 + 0.24 S^4 + 0.34 S G (1 - 1.05^(1 - 1.11^(G + 32)))`, S in m/s, G in per cent.
///
/// # Errors
/// [`NoEstimate::OutOfRange`] for speeds outside 0 to 2 m/s or grades outside -40 to 45 % (the limits are a judgement).
pub fn lcda_walking(speed_m_s: f64, grade_percent: f64) -> Result<f64, NoEstimate> {
    let s = within("walking speed in m/s", speed_m_s, 0.0, 2.0)?;
    let g = within("grade in per cent", grade_percent, -40.0, 45.0)?;
    let slope = 0.34 * s * g * (1.0 - 1.05f64.powf(1.0 - 1.11f64.powf(g + 32.0)));
    Ok(1.44 + 1.94 * s.powf(0.43) + 0.24 * s.powi(4) + slope)
}

/// How weight was taken off in [`net_rate_at_body_weight`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WeightSupport {
    /// A trolley that rolls along above.
    RollingTrolley,
    /// A fixed pulley.
    FixedPulley,
}

/// Net metabolic rate of running at part of one's weight, in per cent of normal: the regression lines of Teunissen,
/// Grabowski and Kram 2007, J Exp Biol 210:4418, caption of fig. 2 (R2 0.88 and 0.84). A lighter pack does not save
/// what these lines say, because mass that is only held up must still be swung.
///
/// # Errors
/// [`NoEstimate::OutOfRange`] outside 25 to 100 per cent of body weight, which were measured.
pub fn net_rate_at_body_weight(percent: f64, support: WeightSupport) -> Result<f64, NoEstimate> {
    let percent = within("body weight in per cent", percent, 25.0, 100.0)?;
    Ok(match support {
        WeightSupport::RollingTrolley => 0.73 * percent + 26.18,
        WeightSupport::FixedPulley => 0.81 * percent + 19.36,
    })
}
