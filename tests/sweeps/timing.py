"""Nanoseconds an evaluation takes in the reference libraries: one JSON object, names as the benchmark's.

Vectorised where the library offers it (CoolProp takes whole arrays); PsychroLib is called point by point, because it takes
no arrays. The median of 9 passes.
"""

import json
import statistics
import time

import CoolProp.CoolProp as coolprop
import ht
import numpy
import psychrolib

psychrolib.SetUnitSystem(psychrolib.SI)
POINTS = 2000
random = numpy.random.default_rng(1)
T, RH = random.uniform(15.0, 40.0, POINTS), random.uniform(0.2, 0.9, POINTS)
PAIRS = list(zip(T.tolist(), RH.tolist(), strict=True))
KELVIN = T + 273.15

WORK = {
    "dew_point": ("PsychroLib, point by point", lambda: [psychrolib.GetTDewPointFromRelHum(t, rh) for t, rh in PAIRS]),
    "dew_point_array": (
        "CoolProp humid air, vectorised",
        lambda: coolprop.HAPropsSI("D", "T", KELVIN, "P", 101_325.0, "R", RH),
    ),
    "wet_bulb": (
        "PsychroLib, point by point",
        lambda: [psychrolib.GetTWetBulbFromRelHum(t, rh, 101_325.0) for t, rh in PAIRS],
    ),
    "wet_bulb_array": (
        "CoolProp humid air, vectorised",
        lambda: coolprop.HAPropsSI("B", "T", KELVIN, "P", 101_325.0, "R", RH),
    ),
    "water_density": (
        "CoolProp IAPWS-IF97, vectorised",
        lambda: coolprop.PropsSI("D", "T", KELVIN, "P", numpy.full(POINTS, 3e5), "IF97::Water"),
    ),
    "eff_from_ntu": (
        "ht, exact crossflow, point by point",
        lambda: [ht.effectiveness_from_NTU(0.1 * t, rh, subtype="crossflow") for t, rh in PAIRS[:100]],
    ),
}


def nanoseconds(work):
    taken = []
    for _ in range(9):
        begun = time.perf_counter_ns()
        done = len(work())
        taken.append((time.perf_counter_ns() - begun) / done)
    return statistics.median(taken)


print(json.dumps({name: {"peer": peer, "ns": nanoseconds(work)} for name, (peer, work) in WORK.items()}))
