"""Trends, change points and comparisons against scipy, statsmodels, pymannkendall and ruptures."""

from __future__ import annotations

import numpy as np
import pymannkendall
import ruptures
import scipy.special
import statsmodels.api as sm
from scipy import stats

from harness import EXACT, Incomparable, Method, Refused, Tolerance

TIGHT = Tolerance(relative=1e-9, absolute=1e-12)


def series(rng, low=3, high=200):
    """Sometimes smooth, sometimes coarse with many ties, sometimes with a large origin of time or too short."""
    n = int(rng.integers(low, high))
    kind = rng.integers(0, 4)
    if kind == 0:
        x = np.sort(rng.uniform(0, 1000, n))
    elif kind == 1:
        x = np.cumsum(rng.integers(1, 9, n)).astype(float)
    elif kind == 2:
        x = 1.7e9 + np.cumsum(rng.integers(1, 9, n)) * 86400.0
    else:
        x = np.arange(n, dtype=float)
    y = rng.normal(400, 5, n) + rng.normal(0, 8) * np.linspace(0, 1, n)
    if rng.random() < 0.3:
        y[n // 3 :] += rng.normal(0, 12)
    if rng.random() < 0.4:
        y = np.round(y)
    if rng.random() < 0.05:
        y[:] = y[0]
    return x, y


def refuse_poor(args, needed=3):
    x, y = np.array(args["x"]), np.array(args["y"])
    if len(y) < needed or np.ptp(x) == 0 or np.ptp(y) == 0:
        raise Refused("too few points or no spread")
    return x, y


def make_sen(rng):
    x, y = series(rng, 2, 400 if rng.random() < 0.3 else 60)
    if rng.random() < 0.3:  # several values at one time
        x = np.floor(x / 3)
    order = rng.permutation(len(x))
    return {"x": x[order], "y": y[order], "level": float(rng.choice([0.8, 0.9, 0.95, 0.99]))}


def expect_sen(args):
    x, y = refuse_poor(args)
    separate = stats.theilslopes(y, x, args["level"], method="separate")
    joint = stats.theilslopes(y, x, args["level"], method="joint")
    return {
        "slope": separate.slope,
        "interval": [separate.low_slope, separate.high_slope],
        "separate": separate.intercept,
        "joint": joint.intercept,
    }


def make_long_sen(rng):
    n = int(rng.integers(1500, 3000))
    x = np.sort(rng.integers(0, 4000, n)).astype(float) if rng.random() < 0.5 else np.sort(rng.uniform(0, 4000, n))
    y = 400 + rng.normal(0, 1e-3) * x + rng.normal(0, 3, n)
    return {"x": x, "y": np.round(y, int(rng.choice([0, 1, 9]))), "level": 0.95}


def make_series(rng):
    x, y = series(rng, 2)
    return {"x": x, "y": y}


def make_short(rng):
    x, y = series(rng, 2, 14)
    return {"x": x, "y": y}


def expect_kendall(args):
    x, y = refuse_poor(args)
    test = pymannkendall.original_test(y)
    exact = len(y) <= 10 and len(set(y)) == len(y)
    return {
        "s": test.s,
        "var_s": test.var_s,
        "z": test.z,
        "p": test.p,
        "tau_a": test.Tau,
        "tau_b": stats.kendalltau(x, y).statistic,
        "p_exact": stats.kendalltau(x, y, method="exact").pvalue if exact else None,
    }


def make_line(rng):
    x, y = series(rng, 2)
    order = rng.permutation(len(x))
    at = x.min() + rng.uniform(-0.5, 2) * (np.ptp(x) + 1)
    return {"x": x[order], "y": y[order], "at": float(at), "level": float(rng.choice([0.8, 0.9, 0.95, 0.99]))}


def expect_line(args):
    x, y = refuse_poor(args)
    # About the middle: a design of ones and seconds since 1970 would cost the reference half of its digits.
    centre = float(np.mean(x))
    fit = sm.OLS(y, np.column_stack([np.ones_like(x), x - centre])).fit()
    frame = fit.get_prediction([[1.0, args["at"] - centre]]).summary_frame(alpha=1 - args["level"]).iloc[0]
    zero = fit.get_prediction([[1.0, -centre]])
    return {
        "intercept": zero.predicted_mean[0],
        "intercept_se": zero.se_mean[0],
        "slope": fit.params[1],
        "slope_se": fit.bse[1],
        "slope_interval": fit.conf_int(1 - args["level"])[1],
        "r_squared": fit.rsquared,
        "s": np.sqrt(fit.scale),
        "value": frame["mean"],
        "mean": [frame["mean_ci_lower"], frame["mean_ci_upper"]],
        "observation": [frame["obs_ci_lower"], frame["obs_ci_upper"]],
    }


def make_model(rng):
    n, p = int(rng.integers(4, 60)), int(rng.integers(1, 5))
    columns = [np.ones(n)] + [rng.normal(0, 10.0 ** rng.integers(-2, 4), n) for _ in range(p - 1)]
    if rng.random() < 0.1 and p > 1:
        columns[-1] = 3 * columns[0]  # cannot be told apart
    y = sum(rng.normal() * c for c in columns) + rng.normal(0, 1, n)
    row = [1.0] + [float(rng.normal()) for _ in range(p - 1)]
    return {"columns": columns, "y": y, "row": row, "level": 0.95}


def expect_model(args):
    x, y = np.column_stack(args["columns"]), np.array(args["y"])
    if len(y) <= x.shape[1] or np.linalg.matrix_rank(x) < x.shape[1]:
        raise Refused("too few observations or singular")
    fit = sm.OLS(y, x).fit()
    frame = fit.get_prediction([args["row"]]).summary_frame(alpha=0.05).iloc[0]
    return {
        "coefficients": fit.params,
        "standard_errors": fit.bse,
        "s": np.sqrt(fit.scale),
        "value": frame["mean"],
        "observation": [frame["obs_ci_lower"], frame["obs_ci_upper"]],
    }


def make_change(rng):
    x, y = series(rng, 6)
    return {"x": x, "y": y}


def expect_pettitt(args):
    _, y = refuse_poor(args, 10)
    n = len(y)
    # From the definition by signs of differences, not by ranks.
    signs = np.sign(y[:, None] - y[None, :])
    u = np.abs([signs[:t, t:].sum() for t in range(1, n)])
    k = u.max()
    return {"k": k, "t": int(u.argmax()) + 1, "p": min(1.0, 2 * np.exp(-6 * k * k / (n**3 + n**2)))}


def expect_cusum(args):
    _, y = refuse_poor(args, 10)
    s = np.abs(np.cumsum(y - y.mean()))
    scaled = s.max() / (y.std(ddof=1) * np.sqrt(len(y)))
    return {"max_abs": s.max(), "scaled": scaled, "p": scipy.special.kolmogorov(scaled)}


def make_pelt(rng):
    x, y = series(rng, 8, 120)
    for _ in range(int(rng.integers(0, 4))):
        y = y + np.where(np.arange(len(y)) > rng.integers(0, len(y)), rng.normal(0, 15), 0.0)
    y = y + rng.normal(0, 1e-3, len(y))  # no two segmentations of one cost
    penalty = float(rng.uniform(1, 3) * np.var(y, ddof=1) * np.log(len(y)))
    return {"x": x, "y": y, "penalty": penalty, "min_size": int(rng.integers(1, 5))}


def least_cost(y, penalty, min_size):
    """Exact optimal partitioning, every start for every end."""
    n = len(y)
    sums, squares = np.r_[0, np.cumsum(y - y.mean())], np.r_[0, np.cumsum((y - y.mean()) ** 2)]
    best, start = np.full(n + 1, np.inf), np.zeros(n + 1, int)
    best[0] = -penalty
    for end in range(min_size, n + 1):
        begins = np.arange(0, end - min_size + 1)
        cost = best[begins] + squares[end] - squares[begins] - (sums[end] - sums[begins]) ** 2 / (end - begins)
        start[end] = begins[cost.argmin()]
        best[end] = cost.min() + penalty
    ends = [n]
    while start[ends[-1]]:
        ends.append(int(start[ends[-1]]))
    return ends[::-1], best[n]


def expect_pelt(args):
    _, y = refuse_poor(args)
    ends, cost = least_cost(y, args["penalty"], args["min_size"])
    return {"ends": ends, "cost": cost}


def expect_ruptures(args):
    _, y = refuse_poor(args)
    # Its pruning is exact for segments of any length, which are asked here.
    found = ruptures.Pelt(model="l2", min_size=1, jump=1).fit(y).predict(pen=args["penalty"])
    return {"ends": [int(end) for end in found]}


def make_ruptures(rng):
    return make_pelt(rng) | {"min_size": 1}


def make_groups(rng):
    a = rng.normal(4800, 150, int(rng.integers(2, 25)))
    b = rng.normal(4600, 60, int(rng.integers(2, 25)))
    if rng.random() < 0.1:
        a[:], b[:] = 4800, 4600
    return {"a": np.round(a), "b": np.round(b), "level": float(rng.choice([0.9, 0.95, 0.99]))}


def expect_welch(args):
    a, b = np.array(args["a"]), np.array(args["b"])
    if min(len(a), len(b)) < 3 or np.ptp(a) == np.ptp(b) == 0:
        raise Refused("too few values or no spread")
    test = stats.ttest_ind(a, b, equal_var=False)
    low, high = test.confidence_interval(args["level"])
    return {
        "difference": a.mean() - b.mean(),
        "t": test.statistic,
        "dof": test.df,
        "p": test.pvalue,
        "interval": [low, high],
    }


def make_pairs(rng):
    n = int(rng.integers(2, 70))
    a = rng.integers(3000, 4000, n) / 10
    b = a + rng.integers(-8, 12, n) / (10 if rng.random() < 0.7 else 1)
    if rng.random() < 0.05:
        b = a + 0.1
    return {"a": a, "b": b, "level": 0.95}


def tenths(args):
    """Differences as they are on paper: in whole tenths."""
    return np.round((np.array(args["a"]) - np.array(args["b"])) * 10)


def expect_paired(args):
    d = tenths(args)
    if len(d) < 3 or np.ptp(d) == 0:
        raise Refused("too few pairs or no spread")
    test = stats.ttest_rel(args["a"], args["b"])
    low, high = test.confidence_interval(args["level"])
    return {"t": test.statistic, "p": test.pvalue, "interval": [low, high]}


def make_untied_pairs(rng):
    n = int(rng.integers(2, 100))
    a = rng.normal(400, 20, n)
    return {"a": a, "b": a + rng.normal(0.5, 2, n)}


def expect_untied(args):
    d = np.array(args["a"]) - np.array(args["b"])
    if len(d) < 3:
        raise Refused("too few pairs")
    exact = len(d) <= 50
    test = stats.wilcoxon(d, method="exact" if exact else "asymptotic")
    return {"w": test.statistic, "p": test.pvalue, "exact": exact}


def make_tied_pairs(rng):
    n = int(rng.integers(3, 13)) if rng.random() < 0.5 else int(rng.integers(80, 150))
    a = rng.integers(3000, 4000, n) / 10
    return {"a": a, "b": a + rng.integers(-6, 9, n) / 10}


def expect_tied(args):
    d = tenths(args)
    d = d[d != 0]
    if len(d) == 0:
        raise Refused("no pair differs")
    if len(d) > 13:
        if len(d) <= 50:  # scipy is exact for no more than 13 with ties, and normal beyond
            raise Incomparable
        test = stats.wilcoxon(d, method="asymptotic")
        return {"w": test.statistic, "p": test.pvalue, "exact": False}
    test = stats.wilcoxon(d, method=stats.PermutationMethod(n_resamples=2**14))
    return {"w": test.statistic, "p": test.pvalue, "exact": True}


def make_bootstrap(rng):
    n = int(rng.integers(8, 40))
    y = rng.normal(0, 1, n) if rng.random() < 0.5 else rng.exponential(1, n)
    return {"y": (y - y.mean()) / y.std() + 3, "level": 0.95, "resamples": 20000, "seed": int(rng.integers(1 << 30))}


def expect_bootstrap(args):
    def interval(method):
        found = stats.bootstrap(
            (np.array(args["y"]),),
            np.mean,
            n_resamples=20000,
            confidence_level=args["level"],
            method=method,
            rng=args["seed"],
        )
        return found.confidence_interval, found.standard_error

    (percentile, se), (bca, _) = interval("percentile"), interval("BCa")
    return {"percentile": list(percentile), "bca": list(bca), "se": se}


def make_distribution(rng):
    name = str(rng.choice(["normal_sf", "normal_log_sf", "normal_quantile", "t_sf", "t_quantile", "chi2_sf", "gamma"]))
    x = {
        "normal_sf": rng.uniform(-8, 30),
        "normal_log_sf": rng.uniform(-8, 300),
        "normal_quantile": 10.0 ** rng.uniform(-12, -0.01),
        "t_sf": rng.uniform(-20, 60),
        "t_quantile": rng.uniform(1e-4, 1 - 1e-4),
        "chi2_sf": rng.uniform(0, 80),
        "gamma": rng.uniform(0.05, 60),
    }[name]
    return {"name": name, "x": float(x), "dof": float(rng.choice([rng.uniform(0.8, 10), rng.uniform(10, 2000)]))}


def expect_distribution(args):
    x, dof = args["x"], args["dof"]
    value = {
        "normal_sf": lambda: stats.norm.sf(x),
        "normal_log_sf": lambda: stats.norm.logsf(x),
        "normal_quantile": lambda: stats.norm.ppf(x),
        "t_sf": lambda: stats.t.sf(x, dof),
        "t_quantile": lambda: stats.t.ppf(x, dof),
        "chi2_sf": lambda: stats.chi2.sf(x, dof),
        "gamma": lambda: scipy.special.gamma(x),
    }[args["name"]]()
    return {"value": value}


# Bounds of two bootstraps of 20 000 resamples each, in units of the sample's standard deviation: six of their own errors.
# The BCa bound of a skewed sample lies farther out in the tail, where resamples are rarer.
RESAMPLING = Tolerance(absolute=0.05)
RESAMPLING_BCA = Tolerance(absolute=0.12)

METHODS = [
    Method(
        "theil_sen",
        "scipy.stats.theilslopes",
        make_sen,
        expect_sen,
        {"slope": EXACT, "interval": EXACT, "separate": Tolerance(1e-12, 1e-9), "joint": Tolerance(1e-12, 1e-9)},
    ),
    Method(
        "theil_sen, long",
        "scipy.stats.theilslopes",
        make_long_sen,
        expect_sen,
        {"slope": EXACT, "interval": EXACT, "separate": Tolerance(1e-12, 1e-9), "joint": Tolerance(1e-12, 1e-9)},
        method="theil_sen",
        cases=5,
        soak_cases=40,
    ),
    Method(
        "mann_kendall",
        "pymannkendall, scipy kendalltau",
        make_series,
        expect_kendall,
        {"s": EXACT, "var_s": TIGHT, "z": TIGHT, "p": TIGHT, "tau_a": TIGHT, "tau_b": TIGHT, "p_exact": TIGHT},
    ),
    Method(
        "mann_kendall, short",
        "pymannkendall, scipy kendalltau",
        make_short,
        expect_kendall,
        {"s": EXACT, "var_s": TIGHT, "z": TIGHT, "p": TIGHT, "tau_a": TIGHT, "tau_b": TIGHT, "p_exact": TIGHT},
        method="mann_kendall",
    ),
    Method(
        "ols_line",
        "statsmodels OLS",
        make_line,
        expect_line,
        dict.fromkeys(
            ["intercept", "intercept_se", "slope", "slope_se", "slope_interval", "s", "value", "mean", "observation"],
            Tolerance(relative=1e-8, absolute=1e-9),
        )
        | {"r_squared": Tolerance(absolute=1e-9)},
    ),
    Method(
        "least_squares",
        "statsmodels OLS",
        make_model,
        expect_model,
        dict.fromkeys(
            ["coefficients", "standard_errors", "s", "value", "observation"], Tolerance(relative=1e-8, absolute=1e-9)
        ),
    ),
    Method("pettitt", "numpy, from the definition", make_change, expect_pettitt, {"k": EXACT, "t": EXACT, "p": TIGHT}),
    Method(
        "cusum",
        "numpy, scipy.special.kolmogorov",
        make_change,
        expect_cusum,
        {"max_abs": Tolerance(1e-9, 1e-9), "scaled": TIGHT, "p": Tolerance(absolute=1e-9)},
    ),
    Method(
        "pelt, any segment length",
        "ruptures Pelt l2",
        make_ruptures,
        expect_ruptures,
        {"ends": EXACT},
        method="pelt",
    ),
    Method(
        "pelt",
        "numpy, optimal partitioning",
        make_pelt,
        expect_pelt,
        {"ends": EXACT, "cost": Tolerance(1e-9, 1e-6)},
    ),
    Method(
        "welch",
        "scipy.stats.ttest_ind",
        make_groups,
        expect_welch,
        dict.fromkeys(["difference", "t", "dof", "p", "interval"], TIGHT),
    ),
    Method(
        "paired_t", "scipy.stats.ttest_rel", make_pairs, expect_paired, dict.fromkeys(["t", "p", "interval"], TIGHT)
    ),
    Method(
        "signed_rank, no ties",
        "scipy.stats.wilcoxon exact, asymptotic",
        make_untied_pairs,
        expect_untied,
        {"w": EXACT, "p": TIGHT, "exact": EXACT},
        method="signed_rank",
    ),
    Method(
        "signed_rank, ties",
        "scipy.stats.wilcoxon permutation, asymptotic",
        make_tied_pairs,
        expect_tied,
        {"w": EXACT, "p": TIGHT, "exact": EXACT},
        method="signed_rank",
    ),
    Method(
        "bootstrap_mean",
        "scipy.stats.bootstrap",
        make_bootstrap,
        expect_bootstrap,
        {"percentile": RESAMPLING, "bca": RESAMPLING_BCA, "se": Tolerance(relative=0.05)},
    ),
    Method(
        "distribution", "scipy.stats, scipy.special", make_distribution, expect_distribution, {"value": Tolerance(1e-9, 1e-14)}
    ),
]
