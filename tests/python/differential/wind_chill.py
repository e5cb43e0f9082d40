"""Wind chill: the 2001 formulas, evaluated apart from ours."""

from __future__ import annotations

from harness import Method, Refused, Tolerance


def make_celsius(rng):
    return {"air_c": rng.uniform(-50, 12), "wind_km_h": rng.uniform(3, 120)}


def expect_celsius(args):
    t, v = args["air_c"], args["wind_km_h"]
    if t >= 10 or v < 4.8:
        raise Refused("not applicable")
    return {"index": 13.12 + 0.6215 * t + (0.3965 * t - 11.37) * v**0.16}


def make_fahrenheit(rng):
    return {"air_f": rng.uniform(-50, 54), "wind_mph": rng.uniform(2, 80)}


def expect_fahrenheit(args):
    t, v = args["air_f"], args["wind_mph"]
    if t >= 50 or v < 3:
        raise Refused("not applicable")
    return {"index": 35.74 + 0.6215 * t + (0.4275 * t - 35.75) * v**0.16}


METHODS = [
    Method("wind_chill_c", "the 2001 formula", make_celsius, expect_celsius, {"index": Tolerance(absolute=1e-10)}),
    Method("wind_chill_f", "the 2001 formula", make_fahrenheit, expect_fahrenheit, {"index": Tolerance(absolute=1e-10)}),
]
