"""Sweeps the engineering functions over their working range against reference libraries.

    sweep.py --lapwing PATH [--points N] [FAMILY...]

Every point goes through `lapwing calc --jsonl`, the way a user asks. A line a comparison: how many points, the largest
error, where it is, and its bound. A comparison fails when the bound is missed or when the function refuses a point of
its range. The same seed draws the same points everywhere. Ends with `N passed, N failed`.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from dataclasses import replace

import numpy

import air
import coil
import power
import thermal
import trend
import water

FAMILIES = air.FAMILIES | water.FAMILIES | coil.FAMILIES | trend.FAMILIES | power.FAMILIES | thermal.FAMILIES


def ask(lapwing, function, inputs):
    """What the function answers to each set of inputs, by name: a list of numbers, words or objects."""
    with tempfile.TemporaryFile("w+") as requests:
        for number, given in enumerate(inputs):
            requests.write(json.dumps({"id": number, "function": function, "inputs": given}) + "\n")
        requests.seek(0)
        done = subprocess.run([lapwing, "calc", "--jsonl"], stdin=requests, capture_output=True, text=True, check=False)
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    if done.returncode != 0 or [answer["id"] for answer in answers] != list(range(len(inputs))):
        wrong = next((answer for answer in answers if "error" in answer), done.stderr)
        raise SystemExit(f"{function}: lapwing calc ended with {done.returncode}: {wrong}")
    return [answer["value"] for answer in answers]


def compare(lapwing, comparison):
    """One line of the report, and whether the bound holds."""
    begun = time.monotonic()
    answers = ask(lapwing, comparison.function, comparison.inputs)
    part = comparison.part
    numbers = [answer[part] if part and isinstance(answer, dict) else answer for answer in answers]
    refused = [at for at, number in enumerate(numbers) if not isinstance(number, (int, float))]
    if refused:
        at = refused[0]
        said = f"{len(refused)} points of its range refused, first {comparison.inputs[at]}: {answers[at]}"
        return f"{comparison.function:24} {said}", False
    wanted = numpy.asarray(comparison.reference, dtype=float)
    off = numpy.abs(numpy.asarray(numbers, dtype=float) - wanted)
    if comparison.relative:
        off = off / numpy.abs(wanted)
    if not numpy.isfinite(off).all():
        return f"{comparison.function:24} {comparison.against}: the reference has no number somewhere", False
    worst = int(off.argmax())
    holds = bool(off[worst] <= comparison.bound)
    shown = (lambda x: f"{x * 100:.2g} %") if comparison.relative else (lambda x: f"{x:.2g} {comparison.unit}")
    place = comparison.inputs[worst]
    place = place if len(str(place)) < 120 else f"point {worst}"
    line = (
        f"{comparison.function:24} {len(off):7} points  largest {shown(off[worst]):>10}  bound {shown(comparison.bound):>9}"
        f"  {'' if holds else 'MISSED '}against {comparison.against}; at {place}; {time.monotonic() - begun:.1f} s"
    )
    return line, holds


def control(lapwing):
    """A comparison that cannot fail proves nothing: against a reference a thousandth off the bound must be missed."""
    honest = next(air.saturation(numpy.random.default_rng(1), 100))
    _, holds = compare(lapwing, replace(honest, reference=honest.reference * 1.001, bound=5e-4))
    return not holds


def main():
    arguments = argparse.ArgumentParser(description="Sweeps the engineering functions against reference libraries.")
    arguments.add_argument("--lapwing", required=True, help="the binary")
    arguments.add_argument("--points", type=int, default=100_000, help="points a comparison")
    arguments.add_argument("families", nargs="*", metavar="FAMILY", help=f"only these of {', '.join(FAMILIES)}")
    given = arguments.parse_args()
    unknown = [name for name in given.families if name not in FAMILIES]
    if unknown:
        raise SystemExit(f"there is no family {unknown[0]}; there are {', '.join(FAMILIES)}")
    passed = failed = 0
    for name in given.families or FAMILIES:
        # Each family draws from its own seed, so that one alone sweeps the same points.
        for comparison in FAMILIES[name](numpy.random.default_rng(list(name.encode())), given.points):
            line, holds = compare(given.lapwing, comparison)
            print(line, flush=True)
            passed, failed = passed + holds, failed + (not holds)
    if control(given.lapwing):
        passed += 1
    else:
        print("the control holds although its reference is wrong: the comparison proves nothing")
        failed += 1
    print(f"{passed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
