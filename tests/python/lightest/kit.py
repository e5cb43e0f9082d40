"""Seeded kit-like instances: items of invented masses and volumes, rules as organisers write them, the pockets of a vest."""

import random

# kind: (least and most mass in g, least and most volume in ml, reach needed, most items)
KINDS = {
    "shell_jacket": ((140, 360), (380, 900), "at_stop", 9),
    "shell_trousers": ((80, 230), (250, 560), "at_stop", 6),
    "wind_jacket": ((70, 150), (150, 300), "moving", 5),
    "mid_layer": ((200, 390), (600, 1450), "at_stop", 9),
    "base_top": ((100, 210), (300, 760), "vest_off", 8),
    "base_bottom": ((130, 240), (320, 780), "vest_off", 6),
    "hat": ((30, 60), (100, 230), "at_stop", 5),
    "neck_tube": ((22, 50), (70, 130), "moving", 5),
    "gloves": ((30, 110), (80, 200), "moving", 6),
    "over_mitts": ((35, 90), (90, 210), "moving", 4),
    "head_lamp": ((40, 200), (80, 220), "at_stop", 8),
    "spare_cell": ((35, 80), (15, 90), "at_stop", 6),
    "foil_blanket": ((55, 150), (80, 230), "vest_off", 4),
    "first_aid": ((70, 150), (120, 400), "vest_off", 4),
    "whistle": ((4, 12), (5, 15), "moving", 3),
    "compass": ((15, 40), (30, 70), "moving", 3),
    "soft_flask": ((20, 70), (100, 620), "moving", 8),
    "cup": ((10, 55), (35, 140), "moving", 4),
    "phone": ((150, 230), (90, 150), "moving", 2),
    "power_bank": ((120, 220), (55, 140), "vest_off", 4),
    "food": ((20, 110), (20, 110), "moving", 28),
}
VEST = [
    ("rear", 4200, "vest_off"),
    ("rear-reach", 1500, "moving"),
    ("front-left", 900, "moving"),
    ("front-right", 900, "moving"),
    ("side", 700, "at_stop"),
]


def attributes(rng, kind):
    if kind in ("shell_jacket", "shell_trousers"):
        return {
            "head_mm": rng.choice([5000, 8000, 10000, 15000, 20000, 28000]),
            "seams_taped": int(rng.random() < 0.8),
            "hood": int(rng.random() < 0.85),
        }
    if kind in ("mid_layer", "base_top"):
        return {"gsm": rng.randint(80, 290)}
    if kind == "head_lamp":
        return {"lumens": rng.choice([40, 100, 200, 350, 500]), "burn_h": rng.choice([3, 4, 6, 8, 14, 20])}
    if kind == "foil_blanket":
        return {"area_dm2": rng.choice([210, 250, 280, 340])}
    if kind in ("soft_flask", "cup"):
        return {"capacity_ml": rng.choice([250, 500, 600] if kind == "soft_flask" else [100, 150, 200, 250])}
    if kind == "food":
        return {"energy_kcal": rng.choice([60, 90, 100, 110, 160, 200, 240, 300, 400])}
    return {}


def rules(rng):
    def count(name, kinds, where=(), n=1, shareable=False):
        return {"id": name, "need": "count", "kinds": kinds, "count": n, "where": list(where), "shareable": shareable}

    def total(name, kind, measure, least):
        return {"id": name, "need": "total", "kinds": [kind], "measure": measure, "at_least": least}

    head = rng.choice([8000, 10000, 15000])
    return [
        count("shell", ["shell_jacket"], [["head_mm", ">=", head], ["seams_taped", "=", 1], ["hood", "=", 1]]),
        count("legs-wet", ["shell_trousers"], [["head_mm", ">=", min(head, 10000)], ["seams_taped", "=", 1]]),
        count("warm", ["mid_layer"], [["gsm", ">=", rng.choice([120, 160, 200])]]),
        count("spare-top", ["base_top", "mid_layer"]),
        count("spare-legs", ["base_bottom"]),
        count("hat", ["hat", "neck_tube"]),
        count("tube", ["neck_tube"]),
        count("gloves", ["gloves"]),
        count("mitts", ["over_mitts", "gloves"]),
        count("lamp", ["head_lamp"], [["lumens", ">=", rng.choice([100, 200])]]),
        count("lamp2", ["head_lamp"]),
        count("cells", ["spare_cell"], n=rng.choice([1, 2])),
        count("blanket", ["foil_blanket"], [["area_dm2", ">=", rng.choice([250, 280])]]),
        count("aid", ["first_aid"]),
        count("whistle", ["whistle"]),
        count("compass", ["compass"]),
        count("phone", ["phone"]),
        count("cup", ["cup"], [["capacity_ml", ">=", 150]]),
        count("wind", ["wind_jacket", "shell_jacket"], shareable=True),
        count("power", ["power_bank"]),
        count("layers", ["base_top", "mid_layer", "wind_jacket"], n=rng.choice([1, 2, 3]), shareable=rng.random() < 0.5),
        count("hands", ["gloves", "over_mitts", "hat", "neck_tube"], n=rng.choice([2, 4]), shareable=rng.random() < 0.5),
        total("water", "soft_flask", "capacity_ml", rng.choice([500, 1000, 1500])),
        total("food", "food", "energy_kcal", rng.choice([800, 1200, 1600, 2000])),
        total("burn", "head_lamp", "burn_h", rng.choice([8, 12, 16])),
    ]


def instance(seed, items, rule_count, pockets, room):
    """One instance: about so many items and rules, so many pockets (0 asks for no fit), `room` times the usual vest."""
    rng = random.Random(seed)
    drawn = rules(rng)
    chosen = sorted(rng.sample(range(len(drawn)), min(rule_count, len(drawn))))
    chosen = [drawn[k] for k in chosen]
    kinds = sorted({kind for rule in chosen for kind in rule["kinds"]})
    bag = [kind for kind in kinds for _ in range(KINDS[kind][3])]
    rng.shuffle(bag)
    # Every kind asked for twice first, so that most instances can be met.
    bag = (kinds + kinds + bag)[:items]
    while len(bag) < items:
        bag.append(rng.choice(list(KINDS)))
    made = []
    for k, kind in enumerate(bag):
        mass, volume, reach, _ = KINDS[kind]
        made.append({
            "id": f"{kind}-{k}",
            "kind": kind,
            "mass_g": rng.randint(*mass),
            "volume_ml": rng.randint(*volume),
            "attrs": attributes(rng, kind),
            "reach_needed": reach,
        })
    vest = VEST if pockets == 5 else rng.sample(VEST, pockets)
    if pockets and not any(p[2] == "moving" for p in vest):
        vest = vest[1:] + [VEST[1]]
    scale = room * (9200 / max(1, sum(p[1] for p in vest)) if pockets < 5 and rng.random() < 0.7 else 1)
    return {
        "name": f"kit-{seed}",
        "items": made,
        "rules": chosen,
        "pockets": [{"id": n, "volume_ml": round(v * scale), "reach": r} for n, v, r in vest],
    }


def differential(count, first_seed=1):
    """A mixed lot: 20 to 120 items, 5 to 25 rules, 0 to 5 pockets, from hopelessly tight to loose."""
    lot = []
    for k in range(count):
        rng = random.Random(first_seed * 1_000_003 + k)
        large = k % 3 == 0
        items = rng.randint(90, 120) if large else rng.randint(20, 90)
        rule_count = rng.randint(18, 25) if large else rng.randint(5, min(25, items // 2))
        pockets = rng.choice([3, 4, 5, 5, 5]) if large else rng.randint(0, 5)
        room = rng.choice([0.6, 0.75, 0.85, 0.95, 1.1, 1.4]) * (0.45 + 0.55 * rule_count / 25)
        lot.append(instance(first_seed * 1_000_003 + k, items, rule_count, pockets, room))
    return lot


def full_size(count, first_seed=1):
    """120 items, 25 rules, 5 pockets."""
    return [
        instance(first_seed * 2_000_003 + k, 120, 25, 5, [0.8, 0.95, 1.1, 1.4][k % 4]) for k in range(count)
    ]
