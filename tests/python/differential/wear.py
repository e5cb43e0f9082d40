"""Wear of waterproofness: statsmodels for the line, scipy's optimiser for the likelihood, a plain grid for the prior."""

from __future__ import annotations

import numpy as np
import statsmodels.api as sm
from scipy import optimize, stats

from harness import Method, Refused, Tolerance

TIGHT = Tolerance(relative=1e-8, absolute=1e-10)


def tests(rng, n, censored=0.0):
    hours = np.sort(rng.uniform(0, 300, n)).round(1)
    washes = np.zeros(n)
    ln = np.log(20000) - rng.uniform(0.001, 0.005) * hours + rng.normal(0, 0.07, n)
    relation = np.zeros(n)
    held = rng.random(n) < censored
    relation[held] = rng.choice([1, -1], held.sum(), p=[0.8, 0.2])
    ln[held] -= relation[held] * np.abs(rng.normal(0, 0.1, held.sum()))
    return {"hours": hours, "washes": washes, "head_mm": np.exp(ln), "relation": relation}


def make_ols(rng):
    n = int(rng.integers(4, 25))
    args = tests(rng, n)
    if rng.random() < 0.5 and n >= 7:
        args["washes"] = np.sort(rng.integers(0, 12, n)).astype(float)
        args["washes"][-1] = args["washes"][0] + 13
    return args | {"at_hours": rng.uniform(0, 500), "at_washes": 3.0, "limit_mm": 10000.0, "level": 0.9}


def expect_ols(args):
    hours, washes, y = (np.array(args[k]) for k in ["hours", "washes", "head_mm"])
    if len(y) < 5:
        raise Refused("fewer than five tests")
    y = np.log(y)
    columns = [np.ones_like(hours), hours] + ([washes] if np.ptp(washes) > 0 else [])
    fit = sm.OLS(y, np.column_stack(columns)).fit()

    def row(t, w):
        return [[1.0, t, w][: len(columns)]]

    at = fit.get_prediction(row(args["at_hours"], args["at_washes"]))
    interval = at.conf_int(obs=True, alpha=1 - args["level"])[0]
    limit = np.log(args["limit_mm"])
    tail = 0.5 * (1 - args["level"])

    def lower(t):
        return fit.get_prediction(row(t, 0.0)).conf_int(obs=True, alpha=2 * tail)[0][0] - limit

    life = None
    horizon = 5 * hours.max()
    if fit.params[1] < 0 and lower(0) >= 0 > lower(horizon):
        life = optimize.brentq(lower, 0, horizon, xtol=1e-10)
    z = (limit - at.predicted_mean[0]) / np.array([at.se_obs[0], at.se_mean[0]])
    p = stats.t.sf(z, fit.df_resid)
    return {
        "intercept": fit.params[0],
        "per_hour": fit.params[1],
        "per_wash": fit.params[2] if len(columns) == 3 else None,
        "se_per_hour": fit.bse[1],
        "s": np.sqrt(fit.scale),
        "interval": np.exp([interval[0], at.predicted_mean[0], interval[1]]),
        "p_next": p[0],
        "p_true": p[1],
        "life": life,
    }


def make_tobit(rng):
    args = tests(rng, int(rng.integers(5, 25)), 0.4)
    return args | ({"sigma": 0.1} if rng.random() < 0.5 else {})


def expect_tobit(args):
    hours, relation = np.array(args["hours"]), np.array(args["relation"])
    y = np.log(args["head_mm"])
    if np.sum(relation == 0) < (2 if "sigma" in args else 3):
        raise Refused("too few exact tests")

    def loss(theta):
        sigma = args.get("sigma", np.exp(theta[-1]))
        z = (y - theta[0] - theta[1] * hours / 100) / sigma
        exact = stats.norm.logpdf(z) - np.log(sigma)
        return -np.sum(np.select([relation == 0, relation > 0], [exact, stats.norm.logsf(z)], stats.norm.logcdf(z)))

    start = [np.log(20000), -0.3] + ([] if "sigma" in args else [np.log(0.1)])
    best = optimize.minimize(loss, start, method="Nelder-Mead", options={"xatol": 1e-11, "fatol": 1e-14, "maxiter": 20000, "maxfev": 20000})
    best = optimize.minimize(loss, best.x, method="Nelder-Mead", options={"xatol": 1e-11, "fatol": 1e-14, "maxiter": 20000, "maxfev": 20000})
    return {
        "intercept": best.x[0],
        "per_hour": best.x[1] / 100,
        "sigma": args.get("sigma", float(np.exp(best.x[-1]))),
    }


def make_prior(rng):
    args = tests(rng, int(rng.integers(0, 5)), 0.5)
    rate = np.log(2) / rng.uniform(150, 500)
    return args | {
        "ln_mean": np.log(20000),
        "ln_sd": 0.15,
        "hour_mean": rate,
        "hour_sd": rate / 2,
        "sigma": rng.uniform(0.06, 0.2),
        "cut": float(rng.integers(0, 2)),
        "at_hours": rng.uniform(0, 400),
        "at_washes": 0.0,
        "limit_mm": 10000.0,
    }


def expect_prior(args):
    a = args["ln_mean"] + np.linspace(-7, 7, 1601) * args["ln_sd"]
    low = 0.0 if args["cut"] else args["hour_mean"] - 7 * args["hour_sd"]
    b = np.linspace(low, args["hour_mean"] + 7 * args["hour_sd"], 1601)
    grid_a, grid_b = np.meshgrid(a, b, indexing="ij")
    log = -0.5 * ((grid_a - args["ln_mean"]) / args["ln_sd"]) ** 2
    log -= 0.5 * ((grid_b - args["hour_mean"]) / args["hour_sd"]) ** 2
    for hours, head, relation in zip(args["hours"], args["head_mm"], args["relation"]):
        z = (np.log(head) - grid_a + grid_b * hours) / args["sigma"]
        log += -0.5 * z**2 if relation == 0 else stats.norm.logsf(z * relation)
    weight = np.exp(log - log.max())
    # The trapezium rule: half weight at the ends, which matters where the loss is cut off at zero.
    weight[:, 0] *= 0.5
    weight[:, -1] *= 0.5
    weight /= weight.sum()
    ln = grid_a - grid_b * args["at_hours"]
    mean = np.sum(weight * ln)
    limit = np.log(args["limit_mm"])
    step = np.sqrt((a[1] - a[0]) ** 2 / 12)  # a grid's indicator, smoothed over its cell
    return {
        "mean": mean,
        "sd": np.sqrt(np.sum(weight * (ln - mean) ** 2)),
        "p_true": np.sum(weight * stats.norm.cdf((ln - limit) / step)),
        "p_next": np.sum(weight * stats.norm.cdf((ln - limit) / args["sigma"])),
    }


METHODS = [
    Method(
        "wear_ols",
        "statsmodels get_prediction, scipy brentq",
        make_ols,
        expect_ols,
        dict.fromkeys(["intercept", "per_hour", "per_wash", "se_per_hour", "s", "interval"], TIGHT)
        | {"p_next": Tolerance(1e-7, 1e-9), "p_true": Tolerance(1e-7, 1e-9), "life": Tolerance(1e-7)},
    ),
    Method(
        "wear_tobit",
        "scipy Nelder-Mead on norm.logsf",
        make_tobit,
        expect_tobit,
        {
            "intercept": Tolerance(absolute=1e-6),
            "per_hour": Tolerance(absolute=1e-8),
            "sigma": Tolerance(absolute=1e-6),
        },
    ),
    Method(
        "wear_prior",
        "numpy grid 1601 x 1601",
        make_prior,
        expect_prior,
        {
            "mean": Tolerance(absolute=2e-6),
            "sd": Tolerance(absolute=2e-6),
            "p_true": Tolerance(absolute=1e-4),  # the grid's own step at the limit
            "p_next": Tolerance(absolute=2e-6),
        },
    ),
]
