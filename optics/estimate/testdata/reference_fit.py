"""Least-squares thickness of a thinned die with numpy and scipy.

A plain script for the job of package estimate once the fringe order is known: a
local fit, to compare thickness and time with. It shares no code with the package
and sums the spread of thickness by quadrature and not as a series.
From apt: python3-numpy python3-scipy.

Input, JSON on stdin (lengths in nm; n + ik with exp(-iwt)):
  wavelength  [pixels]
  index       {"ambient"|"silicon"|"liner"|"oxide"|"metal": {"n": [pixels], "k": [pixels]}}
  low, high   {parameter: bound}
  prior       {parameter: [mean, standard deviation]} for those that have one
  deviation   {"n"|"k": {parameter: [pixels]}}: what one unit of it adds to n or k of
              silicon in its phase, relative
  noise       standard deviation of a pixel, of reflectance
  repeat      fits to time; the fastest counts
  fits        [{"measured": [pixels, null: no value], "start": {parameter: value}}]
The parameters are named in PARAMETERS. Output, JSON on stdout: versions, and per
fit thickness, sd (of noise and priors, by the Jacobian), cost, evaluations, seconds,
and the reflectance at the start without the lamp, with its spread and with none.
"""

import json
import platform
import sys
import time

import numpy as np
import scipy
from scipy.optimize import least_squares

PARAMETERS = ["thickness", "spread", "coverage", "liner", "oxide",
              "n_1", "n_2", "n_3", "n_4", "k_1", "k_2", "scale", "slope", "curvature", "offset"]
OUTLIER_SD = 4  # Huber's loss: residuals beyond lose weight
# Thickness in the spot, in standard deviations: the trapezoidal rule. A Gauss-Hermite
# rule of as many nodes is off by some per cent of reflectance where the spread turns
# the fringe phase by several radians.
NODES = np.linspace(-4.2, 4.2, 29)
WEIGHTS = np.exp(-NODES ** 2 / 2)
WEIGHTS /= WEIGHTS.sum()


def interface(a, b):
    """Fresnel coefficient at normal incidence."""
    return (a - b) / (a + b)


def on_top(r, below, phase):
    """Airy sum of one layer: upper face r, what lies under it, one-way phase."""
    turned = below * np.exp(2j * phase)
    return (r + turned) / (1 + r * turned)


class Die:
    """Reflectance of the die at fixed wavelengths."""

    def __init__(self, wavelength, index, deviation):
        self.k0 = 2 * np.pi / wavelength
        self.index = index
        self.deviation = deviation
        x = 2 * (wavelength - wavelength.min()) / np.ptp(wavelength) - 1
        self.slope, self.curvature = x, (3 * x * x - 1) / 2

    def reflectance(self, p):
        air, si = self.index["ambient"], self.index["silicon"]
        liner, oxide, metal = (self.index[m] for m in ("liner", "oxide", "metal"))
        liner_phase = self.k0 * liner * p["liner"]
        endless = interface(liner, oxide)
        ended = on_top(endless, interface(oxide, metal), self.k0 * oxide * p["oxide"])
        # [node, pixel]: silicon as thick as the node says
        thickness = p["thickness"] + p["spread"] * NODES[:, None]
        # A relative error of the silicon index counts in the phase, where it adds up; that
        # of k comes on top of that of n, as in package die.
        more = {part: 1 + sum(p[name] * shape for name, shape in of.items()) for part, of in self.deviation.items()}
        si_inside = more["n"] * (si.real + 1j * si.imag * more["k"])
        turn = np.exp(2j * self.k0 * si_inside * thickness)
        outer = interface(air, si)

        def area(under):
            turned = on_top(interface(si, liner), under, liner_phase) * turn
            r = (outer + turned) / (1 + outer * turned)
            return WEIGHTS @ (r.real ** 2 + r.imag ** 2)

        c = p["coverage"]
        return c * area(ended) + (1 - c) * area(endless)

    def measured(self, p):
        lamp = p["scale"] + p["slope"] * self.slope + p["curvature"] * self.curvature
        return lamp * self.reflectance(p) + p["offset"]


def fit(die, measured, start, job):
    lit = np.isfinite(measured)
    priors = [(name, *job["prior"][name]) for name in PARAMETERS if name in job["prior"]]

    def residuals(x):
        p = dict(zip(PARAMETERS, x))
        data = (die.measured(p) - measured)[lit] / job["noise"]
        return np.concatenate([data, [(p[name] - mean) / sd for name, mean, sd in priors]])

    low, high = ([job[side][name] for name in PARAMETERS] for side in ("low", "high"))
    x0 = np.clip([start[name] for name in PARAMETERS], low, high)
    fastest = np.inf
    for _ in range(job["repeat"]):
        begin = time.perf_counter()
        found = least_squares(residuals, x0, bounds=(low, high), method="trf", x_scale="jac",
                              loss="huber", f_scale=OUTLIER_SD, xtol=1e-6, ftol=1e-5)
        fastest = min(fastest, time.perf_counter() - begin)
    covariance = np.linalg.pinv(found.jac.T @ found.jac)
    return {
        "thickness": found.x[0],
        "sd": float(np.sqrt(covariance[0, 0])),
        "cost": float(found.cost),
        # nfev leaves out those for the numerical Jacobian.
        "evaluations": int(found.nfev + found.njev * len(PARAMETERS)),
        "seconds": fastest,
        "start_reflectance": die.reflectance(start).tolist(),
        "sharp_reflectance": die.reflectance({**start, "spread": 0}).tolist(),
    }


def main():
    job = json.load(sys.stdin)
    index = {name: np.array(v["n"]) + 1j * np.array(v["k"]) for name, v in job["index"].items()}
    deviation = {part: {name: np.array(v) for name, v in of.items()} for part, of in job["deviation"].items()}
    die = Die(np.array(job["wavelength"]), index, deviation)
    fits = [fit(die, np.array(f["measured"], dtype=float), f["start"], job) for f in job["fits"]]
    versions = {"python": platform.python_version(), "numpy": np.__version__, "scipy": scipy.__version__}
    json.dump({"versions": versions, "fits": fits}, sys.stdout)


if __name__ == "__main__":
    main()
