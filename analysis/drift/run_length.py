"""How long a chart runs until it signals, and the limit that buys a wished-for run length.

Integral equations for independent normal values of unit standard deviation, solved on Gauss-Legendre nodes. Sources:
Crowder 1987 (EWMA), Lucas & Saccucci 1990 (EWMA table), Hawkins 1993 (CUSUM); checked in tests against their tables.
Autocorrelated values signal sooner: the caller must check `charts.autocorrelation` first.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

NODES = 96  # run lengths move by less than 0.01 % beyond this


def _normal_cdf(z):
    from scipy.special import ndtr

    return ndtr(z)


def _normal_pdf(z):
    return np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)


def cusum_run_length_one_sided(allowance: float, limit: float, shift: float = 0.0) -> float:
    """Average run length of a one-sided CUSUM started at zero; all in standard deviations."""
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    x, w = limit * (nodes + 1) / 2, limit * weights / 2
    kernel = _normal_pdf(x[None, :] + allowance - x[:, None] - shift) * w[None, :]
    at_zero = _normal_cdf(allowance - x - shift)
    # Unknowns: the run length from each node, and from zero, where the sum has an atom.
    a = np.zeros((NODES + 1, NODES + 1))
    a[:NODES, :NODES] = np.eye(NODES) - kernel
    a[:NODES, NODES] = -at_zero
    a[NODES, :NODES] = -_normal_pdf(x + allowance - shift) * w
    a[NODES, NODES] = 1 - _normal_cdf(allowance - shift)
    return float(np.linalg.solve(a, np.ones(NODES + 1))[NODES])


def cusum_run_length(allowance: float, limit: float, shift: float = 0.0) -> float:
    """Average run length of the two-sided tabular CUSUM (1/L = 1/L+ + 1/L-)."""
    up = cusum_run_length_one_sided(allowance, limit, shift)
    down = cusum_run_length_one_sided(allowance, limit, -shift)
    return 1 / (1 / up + 1 / down)


def ewma_run_length(weight: float, width: float, shift: float = 0.0) -> float:
    """Average run length of a two-sided EWMA chart with asymptotic limits, started at the target."""
    half = width * np.sqrt(weight / (2 - weight))
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    x, w = half * nodes, half * weights

    def kernel(at):
        return _normal_pdf((x[None, :] - (1 - weight) * at[:, None]) / weight - shift) * w[None, :] / weight

    lengths = np.linalg.solve(np.eye(NODES) - kernel(x), np.ones(NODES))
    return float(1 + (kernel(np.zeros(1)) @ lengths)[0])


def individuals_run_length(width: float, shift: float = 0.0) -> float:
    """Average run length of single values against +-width: 370.4 at three standard deviations."""
    return float(1 / (_normal_cdf(-width - shift) + _normal_cdf(-width + shift)))


@lru_cache(maxsize=256)
def cusum_limit(allowance: float, run_length: float) -> float:
    """The CUSUM limit, in standard deviations, whose in-control average run length is `run_length`."""
    from scipy.optimize import brentq

    return float(brentq(lambda h: cusum_run_length(allowance, h) - run_length, 0.1, 15.0, xtol=1e-6))  # type: ignore[arg-type]


@lru_cache(maxsize=256)
def ewma_width(weight: float, run_length: float) -> float:
    """The EWMA width, in standard deviations, whose in-control average run length is `run_length`."""
    from scipy.optimize import brentq

    return float(brentq(lambda width: ewma_run_length(weight, width) - run_length, 1.0, 5.5, xtol=1e-6))  # type: ignore[arg-type]


@lru_cache(maxsize=256)
def individuals_width(run_length: float) -> float:
    """The width for single values whose in-control average run length is `run_length`."""
    from scipy.special import ndtri

    return float(-ndtri(0.5 / run_length))
