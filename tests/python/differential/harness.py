"""Asks the `calc` example and compares its answers with a reference, method by method."""

from __future__ import annotations

import json
import math
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np


class Refused(Exception):
    """Raised by a reference where the computation must give no estimate."""


class Incomparable(Exception):
    """Raised by a reference that cannot answer this case; another is made, so that the count of cases stays true."""


@dataclass(frozen=True)
class Tolerance:
    """|ours - theirs| <= absolute + relative * |theirs|."""

    relative: float = 0.0
    absolute: float = 0.0

    def allows(self, theirs: float) -> float:
        return self.absolute + self.relative * abs(theirs)


EXACT = Tolerance()


@dataclass(frozen=True)
class Method:
    """One method: how its cases are made, what the reference says, and how close each field must be."""

    name: str
    reference: str
    make: Callable[[np.random.Generator], dict]
    expect: Callable[[dict], dict]
    tolerance: dict[str, Tolerance]
    method: str | None = None  # the method asked, where it differs from `name`
    cases: int = 40  # half of it for references that are slow
    soak_cases: int = 200


@dataclass
class Outcome:
    method: Method
    cases: int = 0
    refusals: int = 0
    worst: float = 0.0
    worst_share: float = 0.0
    worst_field: str = ""
    seconds: float = 0.0
    failures: list[str] = field(default_factory=list)


class Calc:
    """The program under test, started once."""

    def __init__(self, path: str) -> None:
        self._process = subprocess.Popen([path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def ask(self, method: str, args: dict) -> dict:
        assert self._process.stdin and self._process.stdout
        self._process.stdin.write(json.dumps({"method": method, "args": _plain(args)}) + "\n")
        self._process.stdin.flush()
        line = self._process.stdout.readline()
        if not line:
            raise SystemExit(f"calc ended at {method}")
        return json.loads(line)

    def close(self) -> None:
        assert self._process.stdin
        self._process.stdin.close()
        self._process.wait(timeout=10)


def _plain(value):
    """Numbers and lists as JSON has them; NaN becomes null, which the other side reads as NaN."""
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, np.ndarray)):
        return [_plain(item) for item in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and math.isnan(value):
        return None
    return value


def _flatten(value) -> list:
    if isinstance(value, (list, tuple, np.ndarray)):
        return [leaf for item in value for leaf in _flatten(item)]
    return [value]


def _compare(outcome: Outcome, name: str, ours, theirs) -> str | None:
    ours, theirs = _flatten(ours), _flatten(theirs)
    if len(ours) != len(theirs):
        return f"{name}: {len(ours)} values, the reference has {len(theirs)}"
    tolerance = outcome.method.tolerance[name]
    for a, b in zip(ours, theirs):
        if b is None or isinstance(b, (str, bool)) or a is None or isinstance(a, (str, bool)):
            if a != b:
                return f"{name}: {a!r}, the reference says {b!r}"
            continue
        difference, allowed = abs(float(a) - float(b)), tolerance.allows(float(b))
        if not math.isfinite(difference) or difference > allowed:
            return f"{name}: {a!r}, the reference says {b!r}, allowed {allowed:.3g}"
        share = difference / allowed if allowed > 0 else 0.0
        if share >= outcome.worst_share:
            outcome.worst, outcome.worst_share, outcome.worst_field = difference, share, name
    return None


def run_method(calc: Calc, method: Method, soak: bool, seed: int) -> Outcome:
    outcome = Outcome(method)
    rng = np.random.default_rng([seed, *method.name.encode()])
    start = time.perf_counter()
    wanted, tries = (method.soak_cases if soak else method.cases), 0
    while outcome.cases < wanted:
        tries += 1
        if tries > 20 * wanted:
            outcome.failures.append("the reference can answer hardly any case")
            break
        args = method.make(rng)
        case = outcome.cases
        try:
            expected = method.expect(args)
        except Incomparable:
            continue
        except Refused as reason:
            outcome.cases += 1
            outcome.refusals += 1
            answer = calc.ask(method.method or method.name, args)
            if "no_estimate" not in answer:
                outcome.failures.append(f"case {case}: must refuse ({reason}) and says {answer}")
            continue
        outcome.cases += 1
        answer = calc.ask(method.method or method.name, args)
        if "ok" not in answer:
            outcome.failures.append(f"case {case}: {answer}, the reference says {expected}")
            continue
        for name, theirs in expected.items():
            problem = (
                _compare(outcome, name, answer["ok"][name], theirs)
                if name in answer["ok"]
                else f"{name}: missing from the answer"
            )
            if problem:
                outcome.failures.append(f"case {case}: {problem}")
    if outcome.refusals == outcome.cases:
        outcome.failures.append("every case is refused, so nothing was compared")
    outcome.seconds = time.perf_counter() - start
    return outcome
