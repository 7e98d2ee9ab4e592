"""Slopes against exact fractions of the quantised samples, and against scipy."""

from fractions import Fraction

import numpy
from scipy import stats

from comparison import Comparison, rows


def exact(t_ms, y_centi):
    """Least-squares slope of whole milliseconds and hundredths, in units a second: exact until it is rounded once."""
    n = len(t_ms)
    st, sy = sum(t_ms), sum(y_centi)
    stt = sum(t * t for t in t_ms)
    sty = sum(t * y for t, y in zip(t_ms, y_centi, strict=True))
    return float(Fraction((n * sty - st * sy) * 1000, (n * stt - st * st) * 100))


def samples(random, count):
    """Irregular samples at 10 ms and 0.01 K: noise on a drift, from a start of up to a month."""
    for _ in range(count):
        n = int(random.integers(3, 61))
        start = int(random.integers(0, 30 * 86_400)) * 1000
        t = start + numpy.cumsum(random.integers(60, 140, n)) * 10
        drift = random.uniform(0.05, 60.0) * random.choice((-1.0, 1.0))
        y = numpy.rint(2500 + drift * (t - t[0]) / 1000 + random.normal(0.0, 3.0, n)).astype(int)
        yield t.tolist(), y.tolist()


def given(all_samples):
    return [{"t_s": [t / 1000 for t in ts], "y": [y / 100 for y in ys]} for ts, ys in all_samples]


def slopes(random, count):
    drawn = list(samples(random, count))
    reference = [exact(t, y) for t, y in drawn]
    # A slope of nothing has no relative error.
    kept = [at for at, slope in enumerate(reference) if slope != 0.0]
    drawn = [drawn[at] for at in kept]
    asked, reference = given(drawn), [reference[at] for at in kept]
    yield Comparison("ls_slope", asked, reference, "exact fractions", 1e-9, relative=True)
    # scipy loses digits to the month before the first sample unless it is taken off.
    tenth = max(100, count // 10)
    errors = [stats.linregress([t - s["t_s"][0] for t in s["t_s"]], s["y"]).stderr for s in asked[:tenth]]
    yield Comparison("ls_slope_se", asked[:tenth], errors, "scipy linregress", 1e-7, unit="K/s")
    theil = [stats.theilslopes(s["y"], [t - s["t_s"][0] for t in s["t_s"]]).slope for s in asked[:tenth]]
    yield Comparison("theil_sen", asked[:tenth], theil, "scipy theilslopes", 1e-7, unit="K/s")


def spread(random, count):
    sigma, n = random.uniform(0.001, 1.0, count), random.integers(2, 1000, count)
    dt = random.uniform(0.1, 60.0, count)
    sums = numpy.array([((numpy.arange(k) - (k - 1) / 2) ** 2).sum() for k in n.tolist()])
    reference = sigma / numpy.sqrt(sums * dt * dt)
    yield Comparison("slope_sd", rows(sigma=sigma, n=n, dt_s=dt), reference, "numpy sums", 1e-9, relative=True)


FAMILIES = {"slope": slopes, "slope-spread": spread}
