//! Wear. Tests are lists `hours`, `washes`, `head_mm` and `relation` (0 exact, 1 at least, -1 below).

use domain::waterproofness::Relation;
use domain::wear::{Gaussian, HeadTest, Prior, UsePath, UsePoint, WearModel, fit_ols, fit_tobit, update};
use serde_json::{Value, json};

use crate::Answer;
use crate::args::{Args, Refusal};

/// Answers `wear_ols`, `wear_tobit` and `wear_prior`.
pub fn answer(method: &str, args: &Args) -> Option<Answer> {
    Some(match method {
        "wear_ols" => ols(args),
        "wear_tobit" => tobit(args),
        "wear_prior" => prior(args),
        _ => return None,
    })
}

fn tests(args: &Args) -> Result<Vec<HeadTest>, Refusal> {
    let (hours, washes, heads, relation) = (
        args.numbers("hours")?,
        args.numbers("washes")?,
        args.numbers("head_mm")?,
        args.numbers("relation")?,
    );
    Ok(hours
        .into_iter()
        .zip(washes)
        .zip(heads)
        .zip(relation)
        .map(|(((worn_h, washes), head_mm), relation)| HeadTest {
            at: UsePoint { worn_h, washes },
            head_mm,
            relation: if relation > 0.0 {
                Relation::AtLeast
            } else if relation < 0.0 {
                Relation::Below
            } else {
                Relation::Exact
            },
        })
        .collect())
}

fn at(args: &Args) -> Result<UsePoint, Refusal> {
    Ok(UsePoint { worn_h: args.number("at_hours")?, washes: args.number("at_washes")? })
}

fn life(model: &dyn WearModel, limit_mm: f64, level: f64) -> Value {
    let path = UsePath { from: UsePoint { worn_h: 0.0, washes: 0.0 }, washes_per_h: 0.0 };
    match model.life(&path, limit_mm, level) {
        Ok(life) if !life.already_below => json!(life.total_h),
        _ => Value::Null,
    }
}

fn ols(args: &Args) -> Answer {
    let model = fit_ols(&tests(args)?)?;
    let (at, limit, level) = (at(args)?, args.number("limit_mm")?, args.number("level")?);
    let head = model.forecast(at, level)?;
    Ok(json!({
        "intercept": model.intercept, "per_hour": model.per_hour, "per_wash": model.per_wash, "s": model.s,
        "se_per_hour": model.se_per_hour, "interval": [head.low_mm, head.median_mm, head.high_mm],
        "p_next": model.p_next_at_least(at, limit)?, "p_true": model.p_at_least(at, limit)?,
        "life": life(&model, limit, 0.5 + 0.5 * level),
    }))
}

fn tobit(args: &Args) -> Answer {
    // Absent: fitted.
    let sigma = args.number("sigma").ok();
    let model = fit_tobit(&tests(args)?, sigma)?;
    Ok(json!({
        "intercept": model.intercept, "per_hour": model.per_hour, "sigma": model.sigma,
        "se_per_hour": model.se_per_hour,
    }))
}

fn prior(args: &Args) -> Answer {
    let gaussian = |mean: &str, sd: &str| -> Result<Gaussian, Refusal> {
        Ok(Gaussian { mean: args.number(mean)?, sd: args.number(sd)? })
    };
    let prior = Prior {
        ln_head_new: gaussian("ln_mean", "ln_sd")?,
        loss_per_hour: gaussian("hour_mean", "hour_sd")?,
        loss_per_wash: gaussian("wash_mean", "wash_sd").ok(),
        sigma: args.number("sigma")?,
        losses_not_negative: args.number("cut")? == 1.0,
        ..Prior::from_label(1.0)?
    };
    let model = update(&prior, &tests(args)?)?;
    let (at, limit) = (at(args)?, args.number("limit_mm")?);
    let (mean, sd, _) = model.ln_head(at)?;
    Ok(json!({
        "mean": mean, "sd": sd, "p_true": model.p_at_least(at, limit)?, "p_next": model.p_next_at_least(at, limit)?,
    }))
}
