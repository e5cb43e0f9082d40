"""Carried mass against a simulation in many small steps, and energy by the label factors."""

from __future__ import annotations

import numpy as np

from harness import EXACT, Method, Refused, Tolerance

STEPS = 4000


def make_carried(rng):
    n = int(rng.integers(1, 7))
    return {
        "base_g": rng.uniform(1000, 5000),
        "legs": [[float(rng.uniform(0.5, 9)), rng.uniform(0, 1200), rng.uniform(0, 2500)] for _ in range(n)],
        "food_g_per_h": rng.uniform(0, 120),
        "kcal_per_g": rng.uniform(2, 9.3),
        "water_ml_per_h": rng.uniform(0, 700),
        "required_kcal": 0,
        "required_ml": 0,
    }


def expect_carried(args):
    if args["kcal_per_g"] > 9.1:
        raise Refused("no food is that dense")
    weighted, arrivals, leaving = [], [], []
    for hours, food, water in args["legs"]:
        t = np.linspace(0, hours, STEPS + 1)
        left = np.maximum(food - args["food_g_per_h"] * t, 0) + np.maximum(water - args["water_ml_per_h"] * t, 0)
        weighted.append(hours * (args["base_g"] + np.trapezoid(left, t) / hours))
        arrivals.append(args["base_g"] + left[-1])
        leaving.append(args["base_g"] + food + water)
    return {
        "start": leaving[0],
        "mean": sum(weighted) / sum(leg[0] for leg in args["legs"]),
        "maximum": max(leaving),
        "maximum_leg": int(np.argmax(leaving)),
        "finish": arrivals[-1],
        "arrivals": arrivals,
    }


def tenth(x):
    return round(float(x), 1)


def make_loadout(rng):
    legs = [
        {"hours": tenth(rng.uniform(0.5, 8)), "water": bool(rng.random() < 0.5), "drop_bag": bool(rng.random() < 0.5)}
        for _ in range(int(rng.integers(1, 6)))
    ]
    entries = []
    for _ in range(int(rng.integers(3, 14))):
        entry = {
            "mass_g": tenth(rng.uniform(5, 400)),
            "u_g": tenth(rng.uniform(0.1, 2)),
            "quantity": int(rng.integers(1, 5)),
            "place": str(rng.choice(["on_body", "in_hand", "stowed", "drop_bag"])),
            "reserve": bool(rng.random() < 0.2),
            "from_leg": int(rng.integers(0, len(legs))) if rng.random() < 0.4 else 0,
        }
        if rng.random() < 0.4:
            entry |= {"food": True, "kcal": tenth(rng.uniform(50, 500))}
        elif rng.random() < 0.4:
            entry |= {"fill_ml": tenth(rng.uniform(150, 1000))}
        if rng.random() < 0.3:
            entry["to_leg"] = int(rng.integers(0, len(legs)))
        entries.append(entry)
    return {
        "entries": entries,
        "legs": legs,
        "eat_kcal_per_h": float(rng.uniform(0, 350)),
        "drink_ml_per_h": float(rng.uniform(0, 700)),
        "required_kcal": 0,
        "required_ml": 0,
    }


def simulate(args):
    """Steps each leg, taking from every eligible entry in proportion to what it holds."""
    entries, legs = args["entries"], args["legs"]
    q = np.array([e["quantity"] for e in entries], float)
    mass = np.array([e["mass_g"] for e in entries]) * q
    kcal = np.array([e.get("kcal", 0.0) for e in entries]) * q
    fill = np.array([e.get("fill_ml", 0.0) for e in entries]) * q
    free = np.array([not e["reserve"] for e in entries])
    carried = np.array([e["place"] != "on_body" for e in entries])
    begin = np.array([e["from_leg"] for e in entries])
    end = np.array([e.get("to_leg", len(legs)) for e in entries])
    if (end < begin).any():
        raise Refused("handed off before it is picked up")
    own, water = np.ones(len(entries)), np.ones(len(entries))
    record = {"leaving": [], "arriving": [], "area": np.zeros(2), "kcal": [], "water": []}

    def both(active):
        each = active * (own * mass + water * fill)
        return np.array([each[carried].sum(), each.sum()])

    for k, leg in enumerate(legs):
        active = (begin <= k) & (k <= end)
        if k and legs[k - 1]["water"]:
            water[active] = 1
        record["leaving"].append(both(active))
        step = leg["hours"] / STEPS
        for _ in range(STEPS):
            before = both(active)
            for share, stock, rate in [(own, kcal, "eat_kcal_per_h"), (water, fill, "drink_ml_per_h")]:
                eligible = active & free & (stock > 0)
                holds = (share * stock)[eligible].sum()
                if holds > 0:
                    share[eligible] *= max(0.0, 1 - args[rate] * step / holds)
            record["area"] += step * (before + both(active)) / 2
        record["arriving"].append(both(active))
        record["kcal"].append((active * own * kcal).sum())
        record["water"].append((active * water * fill).sum())
    return record


def expect_loadout(args):
    record = simulate(args)
    leaving, arriving = np.array(record["leaving"]), np.array(record["arriving"])
    mean = record["area"] / sum(leg["hours"] for leg in args["legs"])
    four = [[leaving[0][i], mean[i], leaving[:, i].max(), arriving[-1][i]] for i in (0, 1)]
    at_start = [e for e in args["entries"] if e["from_leg"] == 0 and e["place"] != "on_body"]
    return {
        "carried": four[0],
        "total": four[1],
        "arrivals": arriving[:, 0],
        "kcal": record["kcal"],
        "water": record["water"],
        "u_start": float(np.sqrt(sum((e["quantity"] * e["u_g"]) ** 2 for e in at_start))),
    }


def make_energy(rng):
    names = ["carbohydrate", "protein", "fat", "fibre", "alcohol", "polyols"]
    return {name: rng.uniform(-0.5, 90) for name in names}


def expect_energy(args):
    if min(args.values()) < 0:
        raise Refused("a negative mass")
    factors = {"carbohydrate": 4, "protein": 4, "fat": 9, "fibre": 2, "alcohol": 7, "polyols": 2.4}
    return {"kcal": sum(args[name] * factor for name, factor in factors.items())}


STEP = Tolerance(relative=1e-6, absolute=0.2)

METHODS = [
    Method(
        "carried_mass",
        "numpy, 4000 steps a leg",
        make_carried,
        expect_carried,
        {
            "start": Tolerance(1e-12),
            "mean": Tolerance(1e-6),
            "maximum": Tolerance(1e-12),
            "maximum_leg": EXACT,
            "finish": Tolerance(1e-9),
            "arrivals": Tolerance(1e-9),
        },
    ),
    Method(
        "loadout",
        "numpy, 4000 steps a leg",
        make_loadout,
        expect_loadout,
        dict.fromkeys(["carried", "total", "arrivals", "kcal", "water"], STEP) | {"u_start": Tolerance(1e-9, 1e-9)},
        cases=40,
    ),
    Method("energy", "the label factors", make_energy, expect_energy, {"kcal": Tolerance(1e-12)}),
]
