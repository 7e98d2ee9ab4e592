"""Electrical functions against phasors, which know nothing of the formulas in magnitudes."""

import numpy

from comparison import Comparison, draw, rows

TURN = numpy.exp(2j * numpy.pi / 3)


def lists(name, *columns):
    return [{name: list(values)} for values in zip(*(column.tolist() for column in columns), strict=True)]


def unbalance(random, count):
    # Line voltages as phasors of a positive and a negative sequence; a triangle of line voltages has no zero sequence.
    negative = draw(random, count, 0.002, 0.5) * numpy.exp(2j * numpy.pi * random.uniform(size=count))
    lines = [230.0 * numpy.abs(TURN**-k + negative * TURN**k) for k in range(3)]
    reference = numpy.abs(negative) * 100.0
    yield Comparison("unbalance_iec_u2", lists("v_ll", *lines), reference, "numpy, sequences", 1e-4, unit="%")
    mean = sum(lines) / 3
    reference = numpy.max([numpy.abs(v - mean) for v in lines], axis=0) / mean * 100.0
    yield Comparison("unbalance_nema", lists("v", *lines), reference, "numpy", 1e-9, unit="%")


def neutral(random, count):
    currents = [draw(random, count, 0.0, 250.0) for _ in range(3)]
    reference = numpy.abs(sum(i * TURN**k for k, i in enumerate(currents)))
    yield Comparison("neutral_current", lists("i", *currents), reference, "numpy, phasors", 1e-6, unit="A")


def three_phase(random, count):
    # Balanced: instantaneous power is constant, so that one instant of the three waves is the mean.
    v, i, pf = draw(random, count, 380.0, 480.0), draw(random, count, 0.0, 1250.0), draw(random, count, 0.5, 1.0)
    instant = random.uniform(0.0, 2 * numpy.pi, count)
    power = 0.0
    for phase in range(3):
        angle = instant - 2 * numpy.pi * phase / 3
        power = power + 2 * v / numpy.sqrt(3) * i * numpy.sin(angle) * numpy.sin(angle - numpy.arccos(pf))
    yield Comparison(
        "three_phase_kw", rows(v_ll=v, i_a=i, pf=pf), power / 1000.0, "numpy, one instant of the waves", 1e-6, unit="kW"
    )


FAMILIES = {"unbalance": unbalance, "neutral": neutral, "three-phase": three_phase}
