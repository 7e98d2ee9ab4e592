"""Water against IAPWS-IF97 by two libraries and IAPWS-95; glycol against CoolProp's incompressible fluids."""

import CoolProp.CoolProp as coolprop
import numpy
from iapws.iapws97 import _Region1

from comparison import Comparison, draw, rows

KELVIN = 273.15
FLUIDS = {"propylene": "MPG", "ethylene": "MEG"}


def liquid(random, count):
    # A module's circuits: 0-95 °C at 1-16 bar.
    t, p = draw(random, count, 0.01, 95.0), draw(random, count, 1.0e5, 1.6e6)
    given, at = rows(t_c=t, p_pa=p), ("T", t + KELVIN, "P", p)
    for name, function, key, scale, bound in (
        ("density", "water_density", "D", 1.0, 1e-4),
        ("specific heat", "water_cp", "C", 1e-3, 1e-3),
    ):
        reference = coolprop.PropsSI(key, *at, "IF97::Water") * scale
        yield Comparison(function, given, reference, f"CoolProp IAPWS-IF97, {name}", bound, relative=True)
        # Another formulation altogether: how far the standard for industry is from that for science.
        reference = coolprop.PropsSI(key, *at, "HEOS::Water") * scale
        yield Comparison(function, given, reference, f"CoolProp IAPWS-95, {name}", bound, relative=True)
    region = [_Region1(t_k, p_mpa) for t_k, p_mpa in zip(t + KELVIN, p / 1e6, strict=True)]
    yield Comparison("water_density", given, [1 / state["v"] for state in region], "iapws", 1e-9, relative=True)
    yield Comparison("water_cp", given, [state["cp"] for state in region], "iapws", 1e-9, relative=True)


def far(random, count):
    # All of region 1 above the vapour pressure.
    t, p = draw(random, count, 0.01, 350.0), draw(random, count, 16.6e6, 100.0e6)
    given, at = rows(t_c=t, p_pa=p), ("T", t + KELVIN, "P", p)
    reference = coolprop.PropsSI("D", *at, "IF97::Water")
    yield Comparison("water_density", given, reference, "CoolProp IAPWS-IF97, all of region 1", 1e-4, relative=True)
    reference = coolprop.PropsSI("C", *at, "IF97::Water") / 1000.0
    yield Comparison("water_cp", given, reference, "CoolProp IAPWS-IF97, all of region 1", 1e-3, relative=True)


def heat(random, count):
    supply, back = draw(random, count, 2.0, 45.0), draw(random, count, 2.0, 60.0)
    flow, p = draw(random, count, 0.1, 200.0), draw(random, count, 1.5e5, 1.0e6)
    h = [coolprop.PropsSI("H", "T", t + KELVIN, "P", p, "IF97::Water") / 1000.0 for t in (supply, back)]
    for meter, t in (("supply", supply), ("return", back)):
        density = coolprop.PropsSI("D", "T", t + KELVIN, "P", p, "IF97::Water")
        given = rows(flow_m3h=flow, t_supply_c=supply, t_return_c=back, p_pa=p, meter=meter)
        reference = density * flow / 3600.0 * (h[1] - h[0])
        yield Comparison(
            "water_heat_kw", given, reference, f"CoolProp IAPWS-IF97, meter in {meter}", 1e-6, unit="kW"
        )


def glycol(random, count):
    side = max(2, int(numpy.sqrt(count)) + 1)
    for kind, fluid in FLUIDS.items():
        given, density, cp = [], [], []
        for fraction in draw(random, side, 0.0, 0.6).tolist():
            name = f"INCOMP::{fluid}[{fraction!r}]"
            freezing = coolprop.PropsSI("T_FREEZE", "T", 300.0, "P", 1e5, name) - KELVIN
            # Our freezing point is within 0.04 K of it; from a little above it both have numbers.
            t = draw(random, side, freezing + 0.05, 80.0)
            given += rows(kind=kind, mass_frac=fraction, t_c=t)
            density.append(coolprop.PropsSI("D", "T", t + KELVIN, "P", 3e5, name))
            cp.append(coolprop.PropsSI("C", "T", t + KELVIN, "P", 3e5, name) / 1000.0)
        density, cp = numpy.concatenate(density), numpy.concatenate(cp)
        yield Comparison("glycol_density", given, density, f"CoolProp {fluid}", 5e-3, relative=True)
        yield Comparison("glycol_cp", given, cp, f"CoolProp {fluid}", 5e-3, relative=True)


FAMILIES = {"water": liquid, "water-far": far, "water-heat": heat, "glycol": glycol}
