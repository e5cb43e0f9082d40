"""Weighing: weighted mean, outliers, calibration lines and the joint adjustment against numpy, scipy and statsmodels."""

from __future__ import annotations

import numpy as np
import statsmodels.api as sm
from scipy import stats

from harness import EXACT, Method, Refused, Tolerance

TIGHT = Tolerance(relative=1e-9, absolute=1e-9)


def make_mean(rng):
    n = int(rng.integers(1, 12))
    return {"x": rng.normal(412, rng.choice([0.3, 3.0]), n), "u": rng.uniform(0.05, 2.0, n)}


def expect_mean(args):
    x, u = np.array(args["x"]), np.array(args["u"])
    fit = sm.WLS(x, np.ones_like(x), weights=u**-2.0).fit()
    mean, internal = float(fit.params[0]), float(np.sum(u**-2.0) ** -0.5)
    chi2, n = float(np.sum(((x - mean) / u) ** 2)), len(x)
    if n == 1:
        return {"mean": mean, "u_internal": internal, "u": internal, "p": None, "birge": None, "u_external": None}
    external = float(fit.bse[0])  # statsmodels scales by the residuals: the Birge ratio
    p = float(stats.chi2.sf(chi2, n - 1))
    return {
        "mean": mean,
        "u_internal": internal,
        "u_external": external,
        "u": external if p < 0.05 else internal,
        "chi2": chi2,
        "p": p,
        "birge": external / internal,
    }


def make_grubbs(rng):
    n = int(rng.integers(2, 40))
    x = rng.normal(412, 0.5, n)
    if rng.random() < 0.5:
        x[rng.integers(0, n)] += rng.choice([-1, 1]) * rng.uniform(1, 8)
    if rng.random() < 0.05:
        x[:] = x[0]
    return {"x": x, "alpha": float(rng.choice([0.01, 0.05, 0.1])), "side": str(rng.choice(["both", "upper", "lower"]))}


def expect_grubbs(args):
    x, n = np.array(args["x"]), len(args["x"])
    if n < 3 or np.ptp(x) == 0:
        raise Refused("too few or all equal")
    z = stats.zscore(x, ddof=1)
    z = {"both": np.abs(z), "upper": z, "lower": -z}[args["side"]]
    tail = args["alpha"] / n / (2 if args["side"] == "both" else 1)
    t2 = stats.t.isf(tail, n - 2) ** 2
    critical = (n - 1) / np.sqrt(n) * np.sqrt(t2 / (n - 2 + t2))
    return {
        "g": z.max(),
        "sd": x.std(ddof=1),
        "index": int(z.argmax()),
        "critical": critical,
        "outlier": bool(z.max() > critical),
    }


def make_modified(rng):
    n = int(rng.integers(2, 40))
    x = rng.normal(412, 0.6, n)
    d = float(rng.choice([0.0, 0.1, 1.0]))
    return {"x": np.round(x / d) * d if d else x, "d": d}


def expect_modified(args):
    x = np.array(args["x"])
    if len(x) < 3:
        raise Refused("too few")
    median, mad = np.median(x), stats.median_abs_deviation(x)
    scale = max(mad / 0.6745, args["d"] / np.sqrt(12))
    if scale == 0:
        raise Refused("no spread")
    z = (x - median) / scale
    return {"median": median, "mad": mad, "z": z}


def make_line(rng):
    n = int(rng.integers(2, 25))
    x = rng.uniform(15, 35, n)
    if rng.random() < 0.05:
        x[:] = 20
    return {"x": x, "y": -0.17 + 0.002 * x + rng.normal(0, 0.004, n), "x0": 20.0, "at": rng.uniform(0, 50)}


def expect_line(args):
    x, y = np.array(args["x"]) - args["x0"], np.array(args["y"])
    if len(x) < 3 or np.ptp(x) == 0:
        raise Refused("too few or no spread")
    fit = sm.OLS(y, sm.add_constant(x)).fit()
    at = fit.get_prediction([[1, args["at"] - args["x0"]]])
    covariance = fit.cov_params()
    return {
        "intercept": fit.params[0],
        "slope": fit.params[1],
        "u_intercept": fit.bse[0],
        "u_slope": fit.bse[1],
        "r": covariance[0, 1] / (fit.bse[0] * fit.bse[1]),
        "s": np.sqrt(fit.scale),
        "value": at.predicted_mean[0],
        "u": at.se_mean[0],
    }


def make_two_way(rng):
    items, sittings = int(rng.integers(1, 12)), int(rng.integers(2, 15))
    masses, offsets = rng.uniform(20, 900, items), rng.normal(0, 1.5, sittings)
    drifting = [0] if rng.random() < 0.4 and sittings >= 4 else []
    rows = []
    for j in range(sittings):
        rows.append((j, -1, 500.0, 500.0 + offsets[j]))
        for i in range(items):
            if i == 0 or j == 0 or rng.random() < 0.6:
                drift = -0.4 * j if i in drifting else 0.0
                rows.append((j, i, 0.0, masses[i] + offsets[j] + drift))
    order = rng.permutation(len(rows))
    table = np.array(rows)[order]
    reading = table[:, 3] + rng.normal(0, 0.2, len(rows))
    columns = {"sitting": table[:, 0], "item": table[:, 1], "known": table[:, 2], "reading": reading, "time": table[:, 0]}
    return columns | {"drifting": drifting}


def expect_two_way(args):
    sitting, item = np.array(args["sitting"]), np.array(args["item"])
    items, sittings = np.unique(item[item >= 0]), np.unique(sitting)
    columns = [item == i for i in items] + [sitting == j for j in sittings]
    columns += [(item == i) * np.array(args["time"]) for i in args["drifting"]]
    design = np.column_stack(columns).astype(float)
    if len(design) <= design.shape[1]:
        raise Refused("no degrees of freedom")
    fit = sm.OLS(np.array(args["reading"]) - np.array(args["known"]), design).fit()
    a, b = len(items), len(items) + len(sittings)
    return {
        "mass": fit.params[:a],
        "offset": fit.params[a:b],
        "drift": fit.params[b:],
        "u": fit.bse[:a],
        "u_drift": fit.bse[b:],
        "s": np.sqrt(fit.scale),
        "dof": int(fit.df_resid),
    }


def fields(names, tolerance=TIGHT):
    return dict.fromkeys(names, tolerance)


METHODS = [
    Method(
        "weighted_mean",
        "statsmodels WLS, scipy.stats.chi2",
        make_mean,
        expect_mean,
        fields(["mean", "u_internal", "u_external", "u", "chi2", "p", "birge"]),
    ),
    Method(
        "grubbs",
        "scipy.stats.zscore, t",
        make_grubbs,
        expect_grubbs,
        fields(["g", "sd", "critical"]) | {"index": EXACT, "outlier": EXACT},
    ),
    Method("modified_z", "scipy.stats.median_abs_deviation", make_modified, expect_modified, fields(["median", "mad", "z"])),
    Method(
        "calibration_line",
        "statsmodels OLS",
        make_line,
        expect_line,
        fields(["intercept", "slope", "u_intercept", "u_slope", "r", "s", "value", "u"]),
    ),
    Method(
        "two_way",
        "statsmodels OLS, dense design",
        make_two_way,
        expect_two_way,
        fields(["mass", "offset", "drift", "u", "u_drift", "s"]) | {"dof": EXACT},
    ),
]
