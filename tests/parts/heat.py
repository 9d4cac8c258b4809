"""Heat by scipy's general integrator, from the equations of cooling themselves and with no closed form of their own.

usage: heat.py < cases, one a line: name and numbers. Prints a number a line.

  dry NOW ULTIMATE MINUTES TAU N     rise per unit: dr/dt = (ultimate^(1/n) - r^(1/n)) / tau, heat going with r^(1/n)
  oil FROM TO MINUTES TAU R N        top oil rise per unit after a step of the load from a steady state, same law
  step FROM TO MINUTES TAU M         rise per unit of rated with one time constant: dr/dt = (to^(2m) - r) / tau
  iec FROM TO MINUTES R X Y K11 K21 K22 TO TW TOR HR
                                     hot spot over ambient of IEC 60076-7's differential equations
"""

import sys

from scipy.integrate import solve_ivp


def integrated(derivative, start, minutes):
    if minutes == 0:
        return start
    solution = solve_ivp(derivative, (0, minutes), start, method="LSODA", rtol=1e-10, atol=1e-12)
    assert solution.success, solution.message
    return solution.y[:, -1]


def rise(now, ultimate, minutes, tau, n):
    drive = ultimate ** (1 / n)
    return integrated(lambda _, r: (drive - max(r[0], 0.0) ** (1 / n)) / tau, [now], minutes)[0]


def oil(start, to, minutes, tau, r, n):
    steady = lambda k: ((k * k * r + 1) / (r + 1)) ** n
    return rise(steady(start), steady(to), minutes, tau, n)


def step(start, to, minutes, tau, m):
    end = to ** (2 * m)
    return integrated(lambda _, r: (end - r[0]) / tau, [start ** (2 * m)], minutes)[0]


def iec(start, to, minutes, r, x, y, k11, k21, k22, t_o, t_w, tor, hr):
    oil_rise = lambda k: tor * ((1 + r * k * k) / (1 + r)) ** x
    hot = lambda k: hr * k**y

    def derivative(_, s):
        return [
            (oil_rise(to) - s[0]) / (k11 * t_o),
            (k21 * hot(to) - s[1]) / (k22 * t_w),
            ((k21 - 1) * hot(to) - s[2]) / (t_o / k22),
        ]

    begin = [oil_rise(start), k21 * hot(start), (k21 - 1) * hot(start)]
    end = integrated(derivative, begin, minutes)
    return end[0] + end[1] - end[2]


for line in sys.stdin:
    name, *numbers = line.split()
    kind = {"dry": rise, "oil": oil, "step": step, "iec": iec}[name]
    print(repr(float(kind(*map(float, numbers)))))
