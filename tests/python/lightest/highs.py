"""A kit-like instance as one 0/1 model for HiGHS (Huangfu and Hall, Mathematical Programming Computation 10, 2018)."""

import time

import highspy

REACH = {"moving": 0, "at_stop": 1, "vest_off": 2}


def eligible(item, rule):
    if item["kind"] not in rule["kinds"]:
        return False
    for name, op, limit in rule.get("where", []):
        value = item["attrs"].get(name)
        if value is None:
            return False
        if not {">=": value >= limit, "<=": value <= limit, "=": value == limit}[op]:
            return False
    return True


def solve(instance, limit_s=10.0):
    """-> {status: proven|infeasible|unproven, mass_g, lower_g, seconds}; one thread, zero gap."""
    h = highspy.Highs()
    h.setOptionValue("output_flag", False)
    h.setOptionValue("threads", 1)
    h.setOptionValue("mip_rel_gap", 0.0)
    h.setOptionValue("mip_abs_gap", 0.0)
    h.setOptionValue("time_limit", limit_s)
    items, rules, pockets = instance["items"], instance["rules"], instance["pockets"]
    x = [h.addBinary(obj=i["mass_g"]) for i in items]
    uses = [[] for _ in items]
    for rule in rules:
        able = [k for k, item in enumerate(items) if eligible(item, rule)]
        if rule["need"] == "total":
            terms = [(k, items[k]["attrs"].get(rule["measure"], 0)) for k in able]
            h.addConstr(sum((a * x[k] for k, a in terms), 0 * x[0]) >= rule["at_least"])
        elif rule.get("shareable"):
            h.addConstr(sum((x[k] for k in able), 0 * x[0]) >= rule["count"])
        else:
            y = {k: h.addBinary() for k in able}
            for k, use in y.items():
                uses[k].append(use)
            h.addConstr(sum(y.values(), 0 * x[0]) >= rule["count"])
    for k, used in enumerate(uses):
        if used:
            h.addConstr(sum(used) <= x[k])
    if pockets:
        inside = [[] for _ in pockets]
        for k, item in enumerate(items):
            places = []
            for p, pocket in enumerate(pockets):
                if REACH[pocket["reach"]] <= REACH[item["reach_needed"]]:
                    z = h.addBinary()
                    places.append(z)
                    inside[p].append(item["volume_ml"] * z)
            h.addConstr(sum(places, 0 * x[0]) == x[k])
        for p, pocket in enumerate(pockets):
            if inside[p]:
                h.addConstr(sum(inside[p]) <= pocket["volume_ml"])
    start = time.perf_counter()
    h.run()
    seconds = time.perf_counter() - start
    status = h.getModelStatus()
    info = h.getInfo()
    if status == highspy.HighsModelStatus.kOptimal:
        return {"status": "proven", "mass_g": round(info.objective_function_value), "seconds": seconds}
    if status == highspy.HighsModelStatus.kInfeasible:
        return {"status": "infeasible", "mass_g": None, "seconds": seconds}
    mass = round(info.objective_function_value) if info.primal_solution_status == 2 else None
    return {"status": "unproven", "mass_g": mass, "lower_g": info.mip_dual_bound, "seconds": seconds}
