//! Weighing.

use domain::metrology::{
    AdjustmentModel, Load, Side, SittingReading, adjust, calibration_line, grubbs, grubbs_critical,
    modified_z, weighted_mean,
};
use serde_json::json;

use crate::Answer;
use crate::args::{Args, Refusal};

/// Answers `weighted_mean`, `grubbs`, `modified_z`, `calibration_line` and `two_way`.
pub fn answer(method: &str, args: &Args) -> Option<Answer> {
    Some(match method {
        "weighted_mean" => mean(args),
        "grubbs" => outlier(args),
        "modified_z" => distances(args),
        "calibration_line" => line(args),
        "two_way" => two_way(args),
        _ => return None,
    })
}

fn mean(args: &Args) -> Answer {
    let values: Vec<(f64, f64)> = args.numbers("x")?.into_iter().zip(args.numbers("u")?).collect();
    let mean = weighted_mean(&values)?;
    Ok(json!({
        "mean": mean.mean, "u_internal": mean.u_internal, "u_external": mean.u_external, "u": mean.u,
        "chi2": mean.chi2, "p": mean.p, "birge": mean.birge,
    }))
}

fn outlier(args: &Args) -> Answer {
    let side = match args.text("side")? {
        "both" => Side::Both,
        "upper" => Side::Upper,
        "lower" => Side::Lower,
        other => return Err(Refusal::Question(format!("no side {other}"))),
    };
    let (values, alpha) = (args.numbers("x")?, args.number("alpha")?);
    let test = grubbs(&values, alpha, side)?;
    Ok(json!({
        "g": test.g, "sd": test.sd, "index": test.index, "critical": test.critical, "outlier": test.outlier,
        "critical_again": grubbs_critical(values.len(), alpha, side)?,
    }))
}

fn distances(args: &Args) -> Answer {
    let found = modified_z(&args.numbers("x")?, args.number("d")?)?;
    Ok(json!({ "z": found.z, "median": found.median, "mad": found.mad, "flagged": found.flagged }))
}

fn line(args: &Args) -> Answer {
    let line = calibration_line(&args.numbers("x")?, &args.numbers("y")?, args.number("x0")?)?;
    let at = line.at(args.number("at")?)?;
    Ok(json!({
        "intercept": line.intercept, "slope": line.slope, "u_intercept": line.u_intercept, "u_slope": line.u_slope,
        "r": line.r, "s": line.s, "value": at.value, "u": at.u,
    }))
}

/// Readings are lists `sitting`, `item` (-1 for the check weight), `known` and `reading`; `drifting` lists items.
fn two_way(args: &Args) -> Answer {
    let (sitting, item, known, reading, time) = (
        args.numbers("sitting")?,
        args.numbers("item")?,
        args.numbers("known")?,
        args.numbers("reading")?,
        args.numbers("time")?,
    );
    let readings: Vec<SittingReading<i64, i64>> = (0..reading.len())
        .map(|i| SittingReading {
            sitting: sitting[i] as i64,
            load: if item[i] < 0.0 {
                Load::Weight { name: item[i] as i64, mass_g: known[i], u_g: 0.0 }
            } else {
                Load::Item(item[i] as i64)
            },
            reading_g: reading[i],
            time: time[i],
        })
        .collect();
    let drifting = args.numbers("drifting")?.into_iter().map(|item| item as i64).collect();
    let adjusted = adjust(&readings, &AdjustmentModel { resolution_g: None, drifting })?;
    let masses: Vec<f64> = adjusted.items.iter().map(|item| item.mass_g).collect();
    let errors: Vec<f64> = adjusted.items.iter().map(|item| item.u_g).collect();
    let drifts: Vec<f64> = adjusted.items.iter().filter_map(|item| item.drift_g).collect();
    let drift_errors: Vec<f64> = adjusted.items.iter().filter_map(|item| item.u_drift_g).collect();
    let offsets: Vec<f64> = adjusted.sittings.iter().map(|sitting| sitting.offset_g).collect();
    Ok(json!({
        "mass": masses, "u": errors, "drift": drifts, "u_drift": drift_errors, "offset": offsets,
        "s": adjusted.s_g, "dof": adjusted.dof,
    }))
}
