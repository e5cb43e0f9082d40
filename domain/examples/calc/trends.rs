//! Trends, change points and comparisons.

use domain::distributions;
use domain::trends::{
    Interval, Series, bootstrap, cusum, exact_two_sided_p, fit_line, least_squares, mann_kendall, paired_t,
    pelt, pettitt, signed_rank, theil_sen, welch,
};
use serde_json::{Value, json};

use crate::Answer;
use crate::args::{Args, Refusal};

fn pair(interval: Interval) -> Value {
    json!([interval.low, interval.high])
}

/// Answers the methods named after the functions of `domain::trends`, and `distribution`.
pub fn answer(method: &str, args: &Args) -> Option<Answer> {
    Some(match method {
        "theil_sen" => sen(args),
        "mann_kendall" => kendall(args),
        "mann_kendall_exact" => kendall_exact(args),
        "ols_line" => line(args),
        "least_squares" => model(args),
        "pettitt" => change(args),
        "cusum" => sums(args),
        "pelt" => segments(args),
        "welch" => two_groups(args),
        "paired_t" => pairs(args),
        "signed_rank" => ranks(args),
        "bootstrap_mean" => resample(args),
        "distribution" => distribution(args),
        _ => return None,
    })
}

fn sen(args: &Args) -> Answer {
    let fit = theil_sen(&args.numbers("x")?, &args.numbers("y")?, args.number("level")?)?;
    Ok(json!({
        "slope": fit.slope, "interval": pair(fit.interval),
        "separate": fit.intercept_separate, "joint": fit.intercept_joint,
    }))
}

fn kendall(args: &Args) -> Answer {
    let values = args.numbers("y")?;
    let test = mann_kendall(&Series::new(&args.numbers("x")?, &values)?)?;
    Ok(json!({
        "s": test.s, "var_s": test.var_s, "z": test.z, "p": test.p_normal, "p_exact": test.p_exact,
        "tau_a": test.tau_a, "tau_b": test.tau_b,
    }))
}

fn kendall_exact(args: &Args) -> Answer {
    Ok(json!({ "p": exact_two_sided_p(args.whole("n")? as usize, args.number("s")? as i64)? }))
}

fn line(args: &Args) -> Answer {
    let fit = fit_line(&args.numbers("x")?, &args.numbers("y")?)?;
    let level = args.number("level")?;
    let at = fit.predict(args.number("at")?, level)?;
    Ok(json!({
        "intercept": fit.intercept, "intercept_se": fit.intercept_se, "slope": fit.slope,
        "slope_se": fit.slope_se, "slope_interval": pair(fit.slope_interval(level)?),
        "r_squared": fit.r_squared, "s": fit.residual_sd,
        "value": at.value, "mean": pair(at.mean), "observation": pair(at.observation),
    }))
}

fn model(args: &Args) -> Answer {
    let columns = args.rows("columns")?;
    let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    let fit = least_squares(&columns, &args.numbers("y")?)?;
    let at = fit.predict(&args.numbers("row")?, args.number("level")?)?;
    Ok(json!({
        "coefficients": fit.coefficients, "standard_errors": fit.standard_errors, "r_squared": fit.r_squared,
        "s": fit.residual_sd, "value": at.value, "observation": pair(at.observation),
    }))
}

fn change(args: &Args) -> Answer {
    let values = args.numbers("y")?;
    let test = pettitt(&Series::new(&args.numbers("x")?, &values)?)?;
    Ok(json!({ "k": test.k, "t": test.t, "p": test.p }))
}

fn sums(args: &Args) -> Answer {
    let values = args.numbers("y")?;
    let test = cusum(&Series::new(&args.numbers("x")?, &values)?)?;
    Ok(json!({ "max_abs": test.max_abs, "t": test.t, "scaled": test.scaled, "p": test.p }))
}

fn segments(args: &Args) -> Answer {
    let values = args.numbers("y")?;
    let series = Series::new(&args.numbers("x")?, &values)?;
    let found = pelt(&series, args.number("penalty")?, args.whole("min_size")? as usize)?;
    Ok(json!({ "ends": found.ends(), "cost": found.cost }))
}

fn two_groups(args: &Args) -> Answer {
    let test = welch(&args.numbers("a")?, &args.numbers("b")?, args.number("level")?)?;
    Ok(json!({
        "difference": test.difference, "t": test.t, "dof": test.dof, "p": test.p, "interval": pair(test.interval),
    }))
}

fn pairs(args: &Args) -> Answer {
    let test = paired_t(&args.numbers("a")?, &args.numbers("b")?, args.number("level")?)?;
    Ok(json!({ "t": test.t, "p": test.p, "interval": pair(test.interval) }))
}

fn ranks(args: &Args) -> Answer {
    let test = signed_rank(&args.numbers("a")?, &args.numbers("b")?)?;
    Ok(json!({ "w": test.w, "p": test.p, "exact": test.exact }))
}

fn resample(args: &Args) -> Answer {
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let found = bootstrap(
        &args.numbers("y")?,
        mean,
        args.number("level")?,
        args.whole("resamples")? as u32,
        args.whole("seed")?,
    )?;
    Ok(json!({ "percentile": pair(found.percentile), "bca": pair(found.bca), "se": found.standard_error }))
}

fn distribution(args: &Args) -> Answer {
    let dof = || args.number("dof");
    let x = args.number("x")?;
    let value = match args.text("name")? {
        "normal_sf" => distributions::normal_sf(x),
        "normal_log_sf" => distributions::normal_log_sf(x),
        "normal_quantile" => distributions::normal_quantile(x),
        "t_sf" => distributions::student_t_sf(x, dof()?),
        "t_quantile" => distributions::student_t_quantile(x, dof()?),
        "chi2_sf" => distributions::chi_squared_sf(x, dof()?),
        "gamma" => distributions::gamma(x),
        other => return Err(Refusal::Question(format!("no distribution {other}"))),
    };
    Ok(json!({ "value": value }))
}
