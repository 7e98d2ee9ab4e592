"""Coils against ht (the exact integral), scipy's Bessel functions (Mason's form of the same) and the closed forms."""

import ht
import numpy
from scipy import special

from comparison import Comparison, draw, rows


def crossflow(ntu, cr):
    """Both sides unmixed, exact: Baclic's form with modified Bessel functions of all orders."""
    x = 2.0 * ntu * numpy.sqrt(cr)
    # ive() is scaled by exp(-x): what is left of the exponent is -ntu (1 - sqrt(cr))².
    scale = numpy.exp(-ntu * (1.0 - numpy.sqrt(cr)) ** 2)
    total = special.ive(0, x) + numpy.sqrt(cr) * special.ive(1, x)
    orders = numpy.zeros_like(x)
    for n in range(2, 200):
        orders += cr ** (n / 2.0) * special.ive(n, x)
    return 1.0 - scale * (total - (1.0 - cr) / cr * orders)


def effectiveness(random, count):
    ntu, cr = draw(random, count, 0.01, 12.0), draw(random, count, 0.05, 1.0)
    given = rows(ntu=ntu, cr=cr, type="crossflow_unmixed")
    reference = crossflow(ntu, cr)
    yield Comparison("eff_from_ntu", given, reference, "scipy, Bessel functions", 3e-3, relative=True)
    # The integral takes a while: a tenth of the points.
    tenth = max(100, count // 10)
    exact = [
        ht.effectiveness_from_NTU(n, c, subtype="crossflow")
        for n, c in zip(ntu[:tenth].tolist(), cr[:tenth].tolist(), strict=True)
    ]
    yield Comparison("eff_from_ntu", given[:tenth], exact, "ht, exact crossflow", 3e-3, relative=True)
    counter = [
        ht.effectiveness_from_NTU(n, c, subtype="counterflow") for n, c in zip(ntu.tolist(), cr.tolist(), strict=True)
    ]
    given = rows(ntu=ntu, cr=cr, type="counterflow")
    yield Comparison("eff_from_ntu", given, counter, "ht, counterflow", 1e-9, relative=True)


def differences(random, count):
    tc_in, rise = draw(random, count, 5.0, 30.0), draw(random, count, 0.5, 15.0)
    tc_out = tc_in + rise
    th_in, th_out = tc_out + draw(random, count, 0.2, 25.0), tc_in + draw(random, count, 0.2, 25.0)
    given = rows(th_in=th_in, th_out=th_out, tc_in=tc_in, tc_out=tc_out)
    reference = [
        ht.LMTD(*point) for point in zip(*(x.tolist() for x in (th_in, th_out, tc_in, tc_out)), strict=True)
    ]
    yield Comparison("lmtd", given, reference, "ht", 1e-9, relative=True)
    q = draw(random, count, 1.0, 600.0)
    given = [{**point, "q_kw": heat} for point, heat in zip(given, q.tolist(), strict=True)]
    yield Comparison("coil_ua_counterflow", given, q / numpy.asarray(reference), "ht", 1e-9, relative=True)


FAMILIES = {"effectiveness": effectiveness, "lmtd": differences}
