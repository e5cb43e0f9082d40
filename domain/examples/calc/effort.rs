//! Cost of moving and of carrying.

use domain::effort::{Gait, Gradient, Stretch, course_cost, lcda_walking, pandolf};
use serde_json::json;

use crate::Answer;
use crate::args::{Args, Refusal};

fn gait(args: &Args) -> Result<Gait, Refusal> {
    match args.text("gait")? {
        "running" => Ok(Gait::Running),
        "walking" => Ok(Gait::Walking),
        "cheaper" => Ok(Gait::Cheaper),
        other => Err(Refusal::Question(format!("no gait {other}"))),
    }
}

/// Answers `minetti`, `course_cost`, `pandolf` and `lcda_walking`.
pub fn answer(method: &str, args: &Args) -> Option<Answer> {
    Some(match method {
        "minetti" => minetti(args),
        "course_cost" => course(args),
        "pandolf" => load(args),
        "lcda_walking" => lcda(args),
        _ => return None,
    })
}

fn minetti(args: &Args) -> Answer {
    let gradient = Gradient::new(args.number("gradient")?)?;
    Ok(json!({ "j_kg_m": gait(args)?.cost_j_kg_m(gradient) }))
}

fn course(args: &Args) -> Answer {
    let (distance, gradient) = (args.numbers("distance_m")?, args.numbers("gradient")?);
    let stretches: Vec<Stretch> =
        distance.iter().zip(&gradient).map(|(&d, &i)| Stretch::new(d, i)).collect::<Result<_, _>>()?;
    let cost = course_cost(&stretches, gait(args)?, args.number("moving_mass_kg")?, args.number("hours")?)?;
    Ok(json!({
        "j_kg": cost.energy_j_kg,
        "kcal": cost.energy_kcal,
        "kcal_per_100_g": cost.per_100_g.kcal.central,
        "percent_per_100_g": cost.per_100_g.percent.central,
        "minutes_per_100_g": cost.per_100_g.minutes.central,
    }))
}

fn load(args: &Args) -> Answer {
    let watts = pandolf(
        args.number("body_kg")?,
        args.number("load_kg")?,
        args.number("speed_m_s")?,
        args.number("grade_percent")?,
        args.number("terrain")?,
    )?;
    Ok(json!({ "watts": watts }))
}

fn lcda(args: &Args) -> Answer {
    Ok(json!({ "w_kg": lcda_walking(args.number("speed_m_s")?, args.number("grade_percent")?)? }))
}
