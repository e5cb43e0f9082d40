"""Cost of moving and carrying: the published polynomials evaluated by numpy."""

from __future__ import annotations

import numpy as np

from harness import Method, Refused, Tolerance

# Minetti et al. 2002, J Appl Physiol 93:1039, highest power first.
RUNNING = [155.4, -30.4, -43.3, 46.3, 19.5, 3.6]
WALKING = [280.5, -58.7, -76.8, 51.9, 19.6, 2.5]


def cost(gait: str, gradient):
    if np.any(np.abs(gradient) > 0.45):
        raise Refused("gradient beyond 0.45")
    running, walking = np.polyval(RUNNING, gradient), np.polyval(WALKING, gradient)
    return {"running": running, "walking": walking, "cheaper": np.minimum(running, walking)}[gait]


def make_minetti(rng):
    return {"gait": str(rng.choice(["running", "walking", "cheaper"])), "gradient": rng.uniform(-0.5, 0.5)}


def expect_minetti(args):
    return {"j_kg_m": float(cost(args["gait"], args["gradient"]))}


def make_course(rng):
    n = int(rng.integers(1, 40))
    return {
        "gait": str(rng.choice(["running", "walking", "cheaper"])),
        "distance_m": rng.uniform(50, 9000, n).tolist(),
        "gradient": rng.uniform(-0.45, 0.45, n).tolist(),
        "moving_mass_kg": rng.uniform(45, 110),
        "hours": rng.uniform(1, 100),
    }


def expect_course(args):
    per_kg = float(np.dot(cost(args["gait"], np.array(args["gradient"])), args["distance_m"]))
    return {
        "j_kg": per_kg,
        "kcal": per_kg * args["moving_mass_kg"] / 4184,
        "kcal_per_100_g": per_kg / 41840,
        "percent_per_100_g": 10 / args["moving_mass_kg"],
        "minutes_per_100_g": 6 * args["hours"] / args["moving_mass_kg"],
    }


def make_pandolf(rng):
    return {
        "body_kg": rng.uniform(40, 110),
        "load_kg": rng.uniform(0, 30),
        "speed_m_s": rng.uniform(0.6, 1.9),
        "grade_percent": rng.uniform(-2, 25),
        "terrain": rng.uniform(1, 2.1),
    }


def expect_pandolf(args):
    w, l, v, g, eta = (args[k] for k in ["body_kg", "load_kg", "speed_m_s", "grade_percent", "terrain"])
    if not 0.7 <= v <= 1.8 or not 0 <= g <= 25:
        raise Refused("outside the speeds or grades of the equation")
    return {"watts": 1.5 * w + 2 * (w + l) * (l / w) ** 2 + eta * (w + l) * (1.5 * v * v + 0.35 * v * g)}


CLOSE = Tolerance(relative=1e-12)

METHODS = [
    Method("minetti", "numpy.polyval", make_minetti, expect_minetti, {"j_kg_m": Tolerance(absolute=1e-12)}),
    Method(
        "course_cost",
        "numpy.polyval and dot",
        make_course,
        expect_course,
        dict.fromkeys(["j_kg", "kcal", "kcal_per_100_g", "percent_per_100_g", "minutes_per_100_g"], CLOSE),
    ),
    Method("pandolf", "numpy, the published equation", make_pandolf, expect_pandolf, {"watts": CLOSE}),
]
