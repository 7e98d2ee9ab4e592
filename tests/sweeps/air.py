"""Air against PsychroLib (the same equations of ASHRAE, by other people), CoolProp (a real gas) and IAPWS.

PsychroLib follows the ideal-gas equations that we chose, so its bounds are tight. CoolProp's humid air follows
RP-1485, a real gas: it holds 0.45-0.5 % more water, and its dew point includes that. Its bounds say how far the two
models of the same air are apart, not how well we compute ours.
"""

import CoolProp.CoolProp as coolprop
import fluids
import numpy
import psychrolib
from iapws._iapws import _Sublimation_Pressure

from comparison import Comparison, draw, rows

psychrolib.SetUnitSystem(psychrolib.SI)
KELVIN = 273.15


def each(function, *columns):
    return numpy.array([function(*point) for point in zip(*(column.tolist() for column in columns), strict=True)])


def saturation(random, count):
    t = draw(random, count, -100.0, 200.0)
    yield Comparison(
        "sat_vap_pres", rows(t_c=t), each(psychrolib.GetSatVapPres, t), "PsychroLib", 1e-9, relative=True
    )
    t = draw(random, count, 0.01, 200.0)
    if97 = coolprop.PropsSI("P", "T", t + KELVIN, "Q", 0, "IF97::Water")
    yield Comparison("sat_vap_pres", rows(t_c=t), if97, "CoolProp IAPWS-IF97, liquid", 5e-4, relative=True)
    t = draw(random, count, -100.0, 0.0)
    ice = each(lambda t_c: _Sublimation_Pressure(t_c + KELVIN) * 1e6, t)
    yield Comparison("sat_vap_pres", rows(t_c=t), ice, "iapws R14-08, ice", 5e-4, relative=True)


def dew(random, count):
    # Down to 2 %: below, a sensor's own error is many kelvins of dew point.
    t, rh = draw(random, count, -40.0, 90.0), draw(random, count, 0.02, 1.0)
    reference = each(psychrolib.GetTDewPointFromRelHum, t, rh)
    yield Comparison("dew_point", rows(t_c=t, rh=rh), reference, "PsychroLib", 0.02, unit="K")
    t, rh = draw(random, count, 5.0, 45.0), draw(random, count, 0.08, 0.95)
    real = coolprop.HAPropsSI("D", "T", t + KELVIN, "P", 101_325.0, "R", rh) - KELVIN
    # Below 0 °C both give the frost point.
    yield Comparison("dew_point", rows(t_c=t, rh=rh), real, "CoolProp, real gas", 0.02, unit="K")


def wet(random, count):
    more = count + count // 20 + 20
    t, rh = draw(random, more, -20.0, 60.0), draw(random, more, 0.02, 1.0)
    p = draw(random, more, 60_000.0, 108_000.0)
    reference = each(psychrolib.GetTWetBulbFromRelHum, t, rh, p)
    # Within about 0.9 K of 0 °C both equations have an answer, a wet bulb above and an iced one below, and each may choose.
    # We take the wet one; PsychroLib the one its bisection meets.
    clear = numpy.flatnonzero(numpy.abs(reference) > 1.0)[:count]
    yield Comparison(
        "wet_bulb", rows(t_c=t[clear], rh=rh[clear], p_pa=p[clear]), reference[clear], "PsychroLib", 0.005, unit="K"
    )
    t, rh = draw(random, count, 10.0, 45.0), draw(random, count, 0.2, 0.95)
    real = coolprop.HAPropsSI("B", "T", t + KELVIN, "P", 101_325.0, "R", rh) - KELVIN
    yield Comparison("wet_bulb", rows(t_c=t, rh=rh, p_pa=101_325.0), real, "CoolProp, real gas", 0.1, unit="K")


def mixture(random, count):
    t, rh = draw(random, count, -40.0, 60.0), draw(random, count, 0.02, 1.0)
    p = draw(random, count, 60_000.0, 108_000.0)
    w = each(psychrolib.GetHumRatioFromRelHum, t, rh, p)
    given = rows(t_c=t, rh=rh, p_pa=p)
    # PsychroLib lifts ratios below 1e-7 to it; none of these is.
    yield Comparison("hum_ratio", given, w, "PsychroLib", 1e-9, relative=True)
    density = each(psychrolib.GetMoistAirDensity, t, w, p)
    yield Comparison("density_moist_rh", given, density, "PsychroLib", 1e-6, relative=True)
    yield Comparison("density_moist", rows(t_c=t, w=w, p_pa=p), density, "PsychroLib", 1e-6, relative=True)
    enthalpy = each(psychrolib.GetMoistAirEnthalpy, t, w) / 1000.0
    yield Comparison("enthalpy", rows(t_c=t, w=w), enthalpy, "PsychroLib", 1e-9, unit="kJ/kg")
    saturated = each(psychrolib.GetSatHumRatio, t, p)
    yield Comparison("hum_ratio_sat", rows(t_c=t, p_pa=p), saturated, "PsychroLib", 1e-9, relative=True)
    bulb = each(psychrolib.GetTWetBulbFromHumRatio, t, w, p)
    back = each(psychrolib.GetHumRatioFromTWetBulb, t, bulb, p)
    # Of very dry air a wet bulb rounded to a millikelvin may be that of no air at all.
    clear = back > 1e-6
    given = rows(t_c=t[clear], twb_c=bulb[clear], p_pa=p[clear])
    yield Comparison("hum_ratio_from_wb", given, back[clear], "PsychroLib", 1e-9, unit="kg/kg")
    enthalpy = each(psychrolib.GetMoistAirEnthalpy, t[clear], back[clear]) / 1000.0
    yield Comparison("enthalpy_from_wb", given, enthalpy, "PsychroLib", 1e-6, unit="kJ/kg")
    yield from real_gas(random, count)


def real_gas(random, count):
    t, rh = draw(random, count, 10.0, 45.0), draw(random, count, 0.08, 0.95)
    given = rows(t_c=t, rh=rh, p_pa=101_325.0)
    at = ("T", t + KELVIN, "P", 101_325.0, "R", rh)
    w = coolprop.HAPropsSI("W", *at)
    yield Comparison("hum_ratio", given, w, "CoolProp, real gas", 6e-3, relative=True)
    density = (1.0 + w) / coolprop.HAPropsSI("V", *at)
    yield Comparison("density_moist_rh", given, density, "CoolProp, real gas", 1e-3, relative=True)


def carried(random, count):
    flow, p = draw(random, count, 0.1, 50.0), draw(random, count, 60_000.0, 108_000.0)
    warm, cold, rh = draw(random, count, 25.0, 55.0), draw(random, count, 10.0, 24.0), draw(random, count, 0.05, 0.6)
    w = each(psychrolib.GetHumRatioFromRelHum, warm, rh, p)
    volume = each(psychrolib.GetMoistAirVolume, warm, w, p)
    difference = each(psychrolib.GetMoistAirEnthalpy, warm, w) - each(psychrolib.GetMoistAirEnthalpy, cold, w)
    given = rows(flow_m3s=flow, t_in_c=warm, t_out_c=cold, rh_in=rh, p_pa=p)
    heat = flow / volume * difference / 1000.0
    yield Comparison("air_sensible_kw", given, heat, "PsychroLib", 1e-6, relative=True)


def height(random, count):
    alt = draw(random, count, -500.0, 11_000.0)
    reference = each(psychrolib.GetStandardAtmPressure, alt)
    yield Comparison("std_pressure", rows(alt_m=alt), reference, "PsychroLib", 1e-9, relative=True)
    alt = draw(random, count, 0.0, 3050.0)
    standard = each(lambda z: fluids.ATMOSPHERE_1976(z).P, alt)
    # ASHRAE's formula is a fit to that atmosphere.
    yield Comparison("std_pressure", rows(alt_m=alt), standard, "fluids, US Standard 1976", 2.5e-4, relative=True)


def margin(random, count):
    t, rh = draw(random, count, 5.0, 50.0), draw(random, count, 0.05, 0.95)
    surface = draw(random, count, 2.0, 40.0)
    reference = surface - each(psychrolib.GetTDewPointFromRelHum, t, rh)
    given = rows(t_surface_c=surface, t_air_c=t, rh=rh)
    yield Comparison("condensation_margin", given, reference, "PsychroLib", 0.02, unit="K")


FAMILIES = {
    "saturation": saturation,
    "dew": dew,
    "wet": wet,
    "mixture": mixture,
    "air-heat": carried,
    "height": height,
    "margin": margin,
}
