"""Pool life against lifelines."""

from __future__ import annotations

import numpy as np
from lifelines import KaplanMeierFitter, WeibullFitter
from lifelines.statistics import multivariate_logrank_test
from lifelines.utils import median_survival_times

from harness import EXACT, Method, Refused, Tolerance

# lifelines stops its optimiser at a gradient of 1e-6 or so.
FITTED = Tolerance(relative=2e-4)


def lives(rng, low=4, high=80, late=0.3, ties=0.5):
    n = int(rng.integers(low, high))
    life = rng.weibull(rng.uniform(0.8, 3.5), n) * rng.uniform(20, 400) + 1
    watched = rng.uniform(5, 500, n)
    failed = (life <= watched).astype(float)
    exit_ = np.minimum(life, watched)
    if rng.random() < ties:
        exit_ = np.ceil(exit_)
    entry = np.zeros(n)
    if rng.random() < late:
        # Off the whole numbers, so that no entry falls on a failure: there the conventions differ.
        used = rng.random(n) < 0.4
        entry[used] = np.floor(exit_[used] * rng.uniform(0, 0.9, used.sum())) + 0.37
        entry[entry >= exit_] = 0
    return {"entry": entry, "exit": exit_, "failed": failed}


def make_curve(rng):
    return lives(rng) | {"level": float(rng.choice([0.9, 0.95]))}


def expect_curve(args):
    late = np.any(np.array(args["entry"]) > 0)
    fit = KaplanMeierFitter(alpha=1 - args["level"])
    fit.fit(args["exit"], args["failed"], entry=args["entry"] if late else None)
    table = fit.event_table
    ages = table.index[table["observed"] > 0]
    bounds = fit.confidence_interval_survival_function_
    at = lambda frame: frame.loc[ages].to_numpy(float)  # noqa: E731
    survival = at(fit.survival_function_.iloc[:, 0])
    greenwood = table.loc[ages, "observed"] / (
        table.loc[ages, "at_risk"] * (table.loc[ages, "at_risk"] - table.loc[ages, "observed"])
    )
    se = np.where(survival > 0, survival * np.sqrt(np.where(survival > 0, greenwood.to_numpy(), 0).cumsum()), 0)
    finite = lambda value: float(value) if np.isfinite(value) else None  # noqa: E731
    ends = [finite(value) for value in median_survival_times(bounds).iloc[0]]
    # A product of fractions that is one half may be a rounding error above it; lifelines then takes the next age.
    halved = ages[survival <= 0.5 * (1 + 1e-12)]
    alive = survival > 0
    low, high = at(bounds.iloc[:, 0]), at(bounds.iloc[:, 1])
    return {
        "age": ages.to_numpy(float),
        "survival": survival,
        "se": se,
        # Once nobody is left the interval has no width; lifelines prints 0 to 0 or carries no number.
        "low": np.where(alive, low, 0),
        "high": np.where(alive, high, 0),
        "median": float(halved[0]) if len(halved) else None,
        "median_low": ends[0],
        "median_high": ends[1],
    }


def make_weibull(rng):
    return lives(rng, 6, 100, late=0.25)


def expect_weibull(args):
    if sum(args["failed"]) < 5:
        raise Refused("fewer than five events")
    fit = WeibullFitter().fit(args["exit"], args["failed"], entry=args["entry"])
    return {
        "scale": fit.lambda_,
        "shape": fit.rho_,
        "se_scale": fit.summary.loc["lambda_", "se(coef)"],
        "se_shape": fit.summary.loc["rho_", "se(coef)"],
        "log_likelihood": fit.log_likelihood_,
    }


def make_pools(rng):
    args = lives(rng, 12, 100, late=0)
    return args | {"group": rng.integers(0, rng.integers(2, 5), len(args["exit"])).astype(float)}


def expect_pools(args):
    groups = np.unique(args["group"])
    if sum(args["failed"]) < 5 or len(groups) != max(args["group"]) + 1:
        raise Refused("fewer than five events or an empty pool")
    test = multivariate_logrank_test(args["exit"], args["group"], args["failed"])
    return {"chi2": test.test_statistic, "p": test.p_value, "dof": len(groups) - 1}


CURVE = Tolerance(absolute=1e-9)

METHODS = [
    Method(
        "kaplan_meier",
        "lifelines KaplanMeierFitter",
        make_curve,
        expect_curve,
        dict.fromkeys(["survival", "se", "low", "high"], CURVE)
        | dict.fromkeys(["age", "median", "median_low", "median_high"], EXACT),
    ),
    Method(
        "weibull",
        "lifelines WeibullFitter",
        make_weibull,
        expect_weibull,
        dict.fromkeys(["scale", "shape"], FITTED)
        | dict.fromkeys(["se_scale", "se_shape"], Tolerance(relative=5e-3))
        | {"log_likelihood": Tolerance(relative=1e-7)},
    ),
    Method(
        "log_rank",
        "lifelines multivariate_logrank_test",
        make_pools,
        expect_pools,
        {"chi2": Tolerance(1e-7, 1e-9), "p": Tolerance(1e-6, 1e-12), "dof": EXACT},
    ),
]
