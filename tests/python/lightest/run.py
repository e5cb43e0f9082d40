"""The lightest set against HiGHS on seeded kit-like instances: same status and optimum each time.

    run.py --solve PATH            60 mixed instances
    run.py --solve PATH --soak     300 mixed instances
    run.py --solve PATH --bench    100 instances of 120 items, 25 rules and 5 pockets: proven in under 100 ms in the
                                   median and 1 s at worst, and no slower than HiGHS with one thread in the same run

PATH is the example program `solve` of the crate `domain`, built in release.
"""

import argparse
import json
import statistics
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import highs
import kit


def ours(path, lot):
    text = "".join(json.dumps(i) + "\n" for i in lot)
    done = subprocess.run([path], input=text, capture_output=True, text=True, check=True)
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(answers) == len(lot), f"{len(lot)} instances, {len(answers)} answers"
    return answers


def disagreement(mine, other):
    """Why two answers cannot both be right; None when they agree."""
    if mine["status"] not in ("proven", "infeasible"):
        return f"not proven: {mine}"
    if other["status"] == "unproven":
        if mine["status"] == "infeasible":
            return None if other["mass_g"] is None else f"infeasible, but HiGHS has {other['mass_g']} g"
        if other["mass_g"] is not None and mine["mass_g"] > other["mass_g"]:
            return f"{mine['mass_g']} g, but HiGHS has {other['mass_g']} g"
        if mine["mass_g"] < other["lower_g"] - 1e-6 * max(1.0, abs(other["lower_g"])):
            return f"{mine['mass_g']} g, under the bound {other['lower_g']} g of HiGHS"
        return None
    if (mine["status"], mine["mass_g"]) != (other["status"], other["mass_g"]):
        return f"{mine['status']} {mine['mass_g']} g, HiGHS {other['status']} {other['mass_g']} g"
    return None


def compare(lot, path, workers, limit_s):
    with ThreadPoolExecutor(workers) as pool:
        theirs = list(pool.map(lambda i: highs.solve(i, limit_s), lot))
    mine = ours(path, lot)
    wrong = 0
    for instance, a, b in zip(lot, mine, theirs):
        why = disagreement(a, b)
        if why:
            wrong += 1
            print(f"  {instance['name']} ({len(instance['items'])} items): {why}")
    tally = {s: sum(b["status"] == s for b in theirs) for s in ("proven", "infeasible", "unproven")}
    print(f"{len(lot)} instances; HiGHS: {tally}; unproven within {limit_s:g} s: {tally['unproven']}; disagreements: {wrong}")
    return wrong, [a["seconds"] for a in mine], [b["seconds"] for b in theirs]


def spread(name, seconds):
    middle = statistics.median(seconds)
    print(f"{name}: median {middle * 1e3:.2f} ms, mean {statistics.mean(seconds) * 1e3:.2f} ms, worst {max(seconds) * 1e3:.2f} ms")
    return middle


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--solve", required=True)
    parser.add_argument("--soak", action="store_true")
    parser.add_argument("--bench", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int)
    args = parser.parse_args()
    if args.bench:
        # One at a time, so that the two are timed alike.
        lot = kit.full_size(args.count or 100, args.seed)
        wrong, mine, theirs = compare(lot, args.solve, 1, 10.0)
        middle, other = spread("tarebook", mine), spread("HiGHS, one thread", theirs)
        failed = wrong or middle > 0.1 or max(mine) > 1.0 or middle > other or sum(mine) > sum(theirs)
        return 1 if failed else 0
    lot = kit.differential(args.count or (300 if args.soak else 60), args.seed)
    wrong, mine, theirs = compare(lot, args.solve, 2, 10.0)
    spread("tarebook", mine)
    spread("HiGHS, one thread", theirs)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
