//! Pool life. Lives are three lists: `entry`, `exit`, `failed` (0 or 1); pools of the log-rank test are told apart by `group`.

use domain::pool_life::{ItemLife, fit_weibull, kaplan_meier, log_rank};
use serde_json::json;

use crate::Answer;
use crate::args::{Args, Refusal};

/// Answers `kaplan_meier`, `weibull` and `log_rank`.
pub fn answer(method: &str, args: &Args) -> Option<Answer> {
    Some(match method {
        "kaplan_meier" => curve(args),
        "weibull" => weibull(args),
        "log_rank" => pools(args),
        _ => return None,
    })
}

fn lives(args: &Args) -> Result<Vec<ItemLife>, Refusal> {
    let (entry, exit, failed) = (args.numbers("entry")?, args.numbers("exit")?, args.numbers("failed")?);
    if entry.len() != exit.len() || exit.len() != failed.len() {
        return Err(Refusal::Question("entry, exit and failed have different lengths".to_owned()));
    }
    Ok(entry
        .into_iter()
        .zip(exit)
        .zip(failed)
        .map(|((entry, exit), failed)| ItemLife { entry, exit, failed: failed == 1.0 })
        .collect())
}

fn curve(args: &Args) -> Answer {
    let curve = kaplan_meier(&lives(args)?, args.number("level")?)?;
    let column =
        |of: fn(&domain::pool_life::KaplanMeierStep) -> f64| curve.steps.iter().map(of).collect::<Vec<f64>>();
    Ok(json!({
        "age": column(|step| step.age), "survival": column(|step| step.survival), "se": column(|step| step.se),
        "low": column(|step| step.low), "high": column(|step| step.high), "median": curve.median,
        "median_low": curve.median_low, "median_high": curve.median_high,
    }))
}

fn weibull(args: &Args) -> Answer {
    let fitted = fit_weibull(&lives(args)?)?;
    Ok(json!({
        "scale": fitted.curve.scale, "shape": fitted.curve.shape, "se_scale": fitted.se_scale,
        "se_shape": fitted.se_shape, "log_likelihood": fitted.log_likelihood, "mean": fitted.curve.mean()?,
    }))
}

fn pools(args: &Args) -> Answer {
    let (lives, group) = (lives(args)?, args.numbers("group")?);
    let most = group.iter().fold(0.0, |most: f64, g| most.max(*g)) as usize;
    let pools: Vec<Vec<ItemLife>> = (0..=most)
        .map(|k| lives.iter().zip(&group).filter(|(_, g)| **g == k as f64).map(|(life, _)| *life).collect())
        .collect();
    let pools: Vec<&[ItemLife]> = pools.iter().map(Vec::as_slice).collect();
    let test = log_rank(&pools)?;
    Ok(json!({ "chi2": test.chi2, "p": test.p, "dof": test.dof }))
}
