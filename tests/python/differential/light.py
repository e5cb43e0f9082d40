"""Sun and darkness against pvlib, which computes the NREL solar position algorithm (SPA)."""

from __future__ import annotations

import numpy as np
import pandas
import pvlib
from pvlib import spa

from harness import EXACT, Incomparable, Method, Refused, Tolerance

DAY = 86400
FROM, TO = 946684800, 2208988800  # 2000 to 2040
DELTA_T = 67.0


def elevations(unix, lat, lon):
    """Elevation of the centre without refraction, degrees, by SPA, elementwise."""
    unix = np.asarray(unix, float)
    lat, lon = np.broadcast_to(lat, unix.shape), np.broadcast_to(lon, unix.shape)
    # Rows: apparent zenith, zenith, apparent elevation, elevation, azimuth, equation of time.
    return spa.solar_position_numpy(unix, lat, lon, 0, 1013.25, 12, DELTA_T, 0.5667, 1)[3]


def place(rng, most=90):
    return {"lat": float(rng.uniform(-most, most)), "lon": float(rng.uniform(-180, 180))}


def make_position(rng):
    args = place(rng, 95) | {"unix_s": float(rng.integers(FROM, TO))}
    return args


def expect_position(args):
    if abs(args["lat"]) > 90:
        raise Refused("latitude beyond 90")
    time = pandas.DatetimeIndex([pandas.Timestamp(args["unix_s"], unit="s", tz="UTC")])
    sun = pvlib.solarposition.spa_python(time, args["lat"], args["lon"]).iloc[0]
    ours = {"elevation": sun["elevation"], "equation_of_time": sun["equation_of_time"]}
    if abs(sun["elevation"]) < 80 and abs(args["lat"]) < 80:  # near the zenith and the poles azimuth says little
        if 1 < sun["azimuth"] < 359:
            ours["azimuth"] = sun["azimuth"]
    return ours


def make_events(rng):
    return place(rng, 64) | {
        "unix_s": float(rng.integers(FROM, TO)),
        "elevation": float(rng.choice([-0.8333, -6.0])),
    }


def crossings(lat, lon, start, end, h):
    """Sign changes of SPA on a minute grid, the grid interval then refined in steps of half a second."""
    unix = np.append(np.arange(start, end, 60.0), end)
    below = elevations(unix, lat, lon) < h
    rises, sets = [], []
    for i in np.flatnonzero(below[1:] != below[:-1]):
        fine = np.arange(unix[i], unix[i + 1] + 0.5, 0.5)
        at = fine[np.flatnonzero((elevations(fine, lat, lon) < h) != below[i])[0]]
        (rises if below[i] else sets).append(float(at))
    state = "crosses" if rises or sets else "always below" if below[0] else "always above"
    return state, rises, sets


def grazes(lat, lon, start, end, h):
    """Whether the two models may differ on a crossing at all: near an extreme, or at the ends of the day."""
    unix = np.arange(start, end + 1, 300.0)
    e = elevations(unix, lat, lon) - h
    inside = np.abs(e[1:-1]) < 0.15
    extreme = (np.diff(e)[1:] * np.diff(e)[:-1] <= 0) & inside
    return extreme.any() or abs(e[0]) < 0.3 or abs(e[-1]) < 0.3


def expect_events(args):
    start = args["unix_s"] // DAY * DAY
    if grazes(args["lat"], args["lon"], start, start + DAY, args["elevation"]):
        raise Incomparable
    state, rises, sets = crossings(args["lat"], args["lon"], start, start + DAY, args["elevation"])
    return {"state": state, "rises": rises, "sets": sets}


def make_polar(rng):
    return make_events(rng) | {"lat": float(rng.choice([-1, 1]) * rng.uniform(64, 89.5))}


def make_rise_set(rng):
    # Its rise and set are those of a day at Greenwich, so that far from there they may be the neighbouring day's by minutes.
    return {"lat": float(rng.uniform(-55, 55)), "lon": float(rng.uniform(-50, 50))} | {
        "unix_s": float(rng.integers(FROM, TO)),
        "elevation": -0.8333,
    }


def expect_rise_set(args):
    day = pandas.Timestamp(args["unix_s"] // DAY * DAY, unit="s", tz="UTC")
    found = pvlib.solarposition.sun_rise_set_transit_spa(
        pandas.DatetimeIndex([day - pandas.Timedelta(days=1), day, day + pandas.Timedelta(days=1)]),
        args["lat"],
        args["lon"],
    )
    seconds = {
        kind: [t.timestamp() for t in found[kind] if day <= t < day + pandas.Timedelta(days=1)]
        for kind in ["sunrise", "sunset"]
    }
    if any(abs((s % DAY) - edge) < 120 for kind in seconds.values() for s in kind for edge in (0, DAY)):
        raise Incomparable
    return {"rises": seconds["sunrise"], "sets": seconds["sunset"]}


def make_course(rng):
    n = int(rng.integers(2, 8))
    hours = rng.uniform(4, 100)
    times = np.sort(rng.uniform(0, hours * 3600, n - 2))
    times = np.r_[0.0, times, hours * 3600] + float(rng.integers(FROM, TO))
    if n > 3 and rng.random() < 0.05:
        times[1], times[2] = times[2] + 1, times[1]
    lat, lon = rng.uniform(-70, 70), rng.uniform(-180, 180)
    points = []
    for time in times:
        points.append([round(float(time)), float(lat), float((lon + 180) % 360 - 180)])
        lat = float(np.clip(lat + rng.normal(0, 1), -72, 72))
        lon += rng.normal(0, 3)
    return {"points": points}


def expect_course(args):
    times, lats, lons = (np.array(column, float) for column in zip(*args["points"]))
    if (np.diff(times) <= 0).any():
        raise Refused("times out of order")
    # The middle of each half minute, moving linearly, the short way round.
    lons = np.unwrap(lons, period=360)
    unix = np.arange(times[0] + 15, times[-1], 30.0)
    e = elevations(unix, np.interp(unix, times, lats), np.interp(unix, times, lons))

    def hours(dark):
        return float(dark.sum()) * 30 / 3600

    lamp = e < -6
    # Half an hour more on both sides of every spell that is there.
    reach = 60
    widened = np.convolve(lamp, np.ones(2 * reach + 1), mode="same") > 0
    return {"lamp_h": hours(lamp), "sun_down_h": hours(e < -0.8333), "with_margin_h": hours(widened)}


def make_burn(rng):
    return {
        "volts": float(rng.choice([1.2, 3.7, 7.4])),
        "amp_hours": rng.uniform(0.5, 10),
        "age_factor": rng.uniform(0.5, 1.02),
        "cell_c": rng.uniform(-65, 40),
        "efficiency": rng.uniform(0.7, 0.95),
        "load_w": rng.uniform(0.1, 8),
    }


def expect_burn(args):
    cold = float(np.interp(args["cell_c"], [-63, 27], [0, 1]))
    if args["age_factor"] > 1 or args["cell_c"] < -60 or cold == 0:
        raise Refused("no such cell or too cold")
    warm = args["volts"] * args["amp_hours"] * args["age_factor"] * args["efficiency"] / args["load_w"]
    return {"energy_wh": args["volts"] * args["amp_hours"], "cold": cold, "warm_h": warm, "hours": warm * cold}


def make_swaps(rng):
    burn = int(rng.integers(1, 12))
    return {"dark_h": float(rng.choice([0, burn * rng.integers(0, 5), rng.uniform(0, 60)])), "margin": 0, "burn_h": burn}


def expect_swaps(args):
    cells, count = 0.0, 0
    while cells < args["dark_h"] - 1e-6:
        cells, count = cells + args["burn_h"], count + 1
    return {"swaps": max(0, count - 1)}


CLOSE = Tolerance(relative=1e-12)

METHODS = [
    Method(
        "sun_position",
        "pvlib spa_python",
        make_position,
        expect_position,
        # NOAA's equations claim 0.01 degrees.
        {
            "elevation": Tolerance(absolute=0.015),
            "azimuth": Tolerance(absolute=0.15),
            "equation_of_time": Tolerance(absolute=0.1),
        },
    ),
    Method(
        "sun_events",
        "pvlib SPA, sign changes",
        make_events,
        expect_events,
        {"state": EXACT, "rises": Tolerance(absolute=60), "sets": Tolerance(absolute=60)},
    ),
    Method(
        "sun_events beyond 64 degrees",
        "pvlib SPA, sign changes",
        make_polar,
        expect_events,
        {"state": EXACT, "rises": Tolerance(absolute=120), "sets": Tolerance(absolute=120)},
        method="sun_events",
    ),
    Method(
        "sun_events, rise and set",
        "pvlib sun_rise_set_transit_spa",
        make_rise_set,
        expect_rise_set,
        {"rises": Tolerance(absolute=60), "sets": Tolerance(absolute=60)},
        method="sun_events",
    ),
    Method(
        "dark_hours, moving",
        "pvlib SPA, 30 s grid",
        make_course,
        expect_course,
        dict.fromkeys(["lamp_h", "sun_down_h", "with_margin_h"], Tolerance(absolute=0.05)),
        method="dark_hours",
    ),
    Method(
        "burn_time", "numpy.interp", make_burn, expect_burn, dict.fromkeys(["energy_wh", "warm_h"], CLOSE) | {
            "cold": Tolerance(absolute=1e-12), "hours": Tolerance(1e-9, 1e-12)}
    ),
    Method("swaps", "counting cells", make_swaps, expect_swaps, {"swaps": EXACT}),
]
