"""The likelihood of one visit, species present or not and the target summed out exactly."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from .types import Float


@dataclass(frozen=True)
class VisitTerms:
    """What a visit's data say.

    Attributes
    ----------
    likelihood : (V,)
    present, absent : (V, K)
        P(data | species present), P(data | absent), the other species averaged out: their ratio is the
        evidence ratio.
    target : (V, K+1)
        Posterior of the target; the last column is none.
    """

    likelihood: Float
    present: Float
    absent: Float
    target: Float


@cache
def target_nodes(species: int) -> tuple[Float, Float]:
    """Gauss-Legendre nodes and weights on (0, 1), exact for polynomials of degree `species` - 1."""
    x, w = np.polynomial.legendre.leggauss(max(1, (species + 1) // 2))
    return (x + 1.0) / 2.0, w / 2.0


def visit_terms(psi: Float, found: Float, missed: Float, calls: Float) -> VisitTerms:
    """Exact visit likelihood and what follows from it.

    The target is uniform over the present species, or none: `1/|z|` is the integral of `x^(|z|-1)` over
    (0, 1), a polynomial of degree K-1 in x, so that ceil(K/2) Gauss-Legendre nodes are exact:

    `L = E_none prod a0_k + sum_q w_q sum_t E_t a1_t prod_(j != t) (a0_j + x_q a1_j)`

    with `a1 = psi * found` and `a0 = (1 - psi) * missed`.

    Parameters
    ----------
    psi : (V, K)
        Chance of presence, strictly between 0 and 1.
    found, missed : (V, K)
        Likelihood of the camera and rod rows if the species is present (> 0) and if it is absent (>= 0).
    calls : (V, K+1)
        Likelihood of the calls given each target; the last column is none.

    Returns
    -------
    VisitTerms
    """
    a1 = psi * found
    a0 = (1.0 - psi) * missed
    fish, none = calls[:, :-1], calls[:, -1]
    without, all_absent = _products_without_each(a0)
    by_absent = none[:, None] * without
    by_present = np.zeros_like(a1)
    total = none * all_absent
    target = np.empty_like(calls)
    target[:, -1] = total
    target[:, :-1] = 0.0
    for x, w in zip(*target_nodes(psi.shape[1]), strict=True):
        d = a0 + x * a1
        product = w * np.prod(d, axis=1)
        weighed = fish * a1 / d
        summed = weighed.sum(axis=1)
        total = total + product * summed
        rest = product[:, None] / d
        others = rest * (summed[:, None] - weighed)
        by_absent += others
        by_present += x * others + rest * fish
        target[:, :-1] += product[:, None] * weighed
    return VisitTerms(total, found * by_present, missed * by_absent, target / total[:, None])


def _products_without_each(a: Float) -> tuple[Float, Float]:
    """Products over all columns but each, (V, K), and over all, (V,); zeros allowed."""
    ones: Float = np.ones((len(a), 1))
    before = np.cumprod(np.hstack([ones, a[:, :-1]]), axis=1, dtype=np.float64)
    after = np.cumprod(np.hstack([ones, a[:, :0:-1]]), axis=1, dtype=np.float64)[:, ::-1]
    without: Float = before * after
    every: Float = np.prod(a, axis=1)
    return without, every
