"""Ride-through against the two-node model's differential equations, solved by other means."""

import numpy
from scipy import integrate, special

from comparison import Comparison, draw, rows


def two_node(random, count):
    q, rise = draw(random, count, 50.0, 600.0), draw(random, count, 1.0, 25.0)
    air, mass = draw(random, count, 60.0, 400.0), draw(random, count, 1000.0, 15_000.0)
    transfer = mass / draw(random, count, 120.0, 900.0)
    given = rows(q_kw=q, c_air=air, c_mass=mass, ha_kw_k=transfer, dt_k=rise)
    # a t + b (1 - exp(-t/τ)) = rise, in closed form with Lambert's W.
    both = air + mass
    tau = air * mass / both / transfer
    a, b = q / both, mass / both * q / air * tau
    # wrightomega(z) is W(e^z): no exponential of a large number is needed.
    reference = (rise - b) / a + tau * special.wrightomega(numpy.log(b / (a * tau)) + (b - rise) / (a * tau)).real
    yield Comparison("two_node_time_to_rise", given, reference, "scipy, Lambert's W", 1e-6, unit="s")
    # And a few by integration, which knows no closed form at all.
    few = max(50, count // 1000)
    times = []
    for point in given[:few]:
        times.append(integrated(**point))
    yield Comparison("two_node_time_to_rise", given[:few], times, "scipy solve_ivp", 1e-4, relative=True)


def integrated(q_kw, c_air, c_mass, ha_kw_k, dt_k):
    def change(_, temperatures):
        flow = ha_kw_k * (temperatures[0] - temperatures[1])
        return [(q_kw - flow) / c_air, flow / c_mass]

    def reached(_, temperatures):
        return temperatures[0] - dt_k

    reached.terminal = True
    # It rises at least as fast as air and mass together.
    latest = 1.1 * dt_k * (c_air + c_mass) / q_kw
    solved = integrate.solve_ivp(change, (0.0, latest), [0.0, 0.0], "LSODA", events=reached, rtol=1e-10, atol=1e-10)
    return float(solved.t_events[0][0])


FAMILIES = {"two-node": two_node}
