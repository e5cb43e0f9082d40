"""Differential checks: seeded random cases of every method against independent libraries.

run.py --calc PATH [--soak] [--only NAME] [--seed N]

A new topic is one file with a list METHODS and one line in TOPICS. Exits 1 when any case is out of tolerance.
"""

from __future__ import annotations

import argparse
import sys
import warnings

sys.dont_write_bytecode = True  # the source tree stays as it was

import effort
import light
import pool_life
import provisions
import trends
import wear
import weighing
import wind_chill
from harness import Calc, run_method

TOPICS = [effort, light, pool_life, provisions, trends, wear, weighing, wind_chill]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--calc", required=True, help="the built example `calc` of the crate `domain`")
    parser.add_argument("--soak", action="store_true", help="200 cases a method instead of 40")
    parser.add_argument("--only", help="only methods whose name holds this text")
    parser.add_argument("--seed", type=int, default=20250829)
    options = parser.parse_args()
    warnings.simplefilter("ignore")  # the references warn about small samples, which are meant here

    calc = Calc(options.calc)
    methods = [m for topic in TOPICS for m in topic.METHODS if not options.only or options.only in m.name]
    if not methods:
        print(f"no method holds {options.only!r}")
        return 1
    print(f"{'method':<28} {'reference':<44} {'cases':>5} {'refused':>7} {'worst difference':>28} {'s':>6}")
    failed = 0
    for method in methods:
        outcome = run_method(calc, method, options.soak, options.seed)
        worst = f"{outcome.worst:.2e} ({outcome.worst_field})" if outcome.worst_field else "none"
        print(
            f"{method.name:<28} {method.reference:<44} {outcome.cases:>5} {outcome.refusals:>7} "
            f"{worst:>28} {outcome.seconds:>6.1f}"
        )
        for failure in outcome.failures[:5]:
            print(f"    FAILED {failure}")
        if len(outcome.failures) > 5:
            print(f"    and {len(outcome.failures) - 5} more")
        failed += bool(outcome.failures)
    calc.close()
    print(f"{len(methods)} methods, {failed} out of tolerance")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
