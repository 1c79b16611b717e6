"""The spread of the posterior over the spot effects' spread: nodes, each with a Laplace approximation."""

from __future__ import annotations

import numpy as np

from . import season
from .engine import Parameters, of_species, visit_evidence
from .grouping import Prepared
from .leaving_out import OwnShares
from .presence import Grid, effects, slopes
from .priors import Priors, positive_inverse
from .types import Float

_REACH = 2.2
"""Nodes lie within this many standard deviations of the mode of log sigma."""


def nodes_of_spread(
    data: Prepared,
    parameters: Parameters,
    priors: Priors,
    grid: Grid,
    psi: Float,
    covariance: Float,
    nodes: int,
    through_pool: Float,
    own: OwnShares | None = None,
    extra: Float | None = None,
) -> tuple[Float, Float, Float]:
    """Posterior nodes over log sigma of each species.

    With few spots the posterior of sigma is wide and skew, and a spot's interval depends on it. So sigma
    is put on nodes; at each, season terms and rates are refitted and given a Laplace covariance, and the
    node is weighed by its Laplace evidence. The effects stay on their exact grid.

    Parameters
    ----------
    psi : (V, K)
        Chance of presence by the spot's other visits, at the mode.
    covariance : (K, P+3, P+3)
        At the mode.
    nodes : int
        1: the mode alone, with its covariance.
    through_pool : (K, P+3, P+3)
        The part of `covariance` that the pooled rates bring in; the nodes hold them fixed, so it is added.
    own, extra : optional
        As in `engine.run_pass`.

    Returns
    -------
    weight : (M, K)
    theta : (M, K, P+3)
    covariance : (M, K, P+3, P+3)
        Zero in the row and column of log sigma if M > 1.
    """
    k, width = parameters.theta.shape
    if nodes == 1:
        return np.ones((1, k)), parameters.theta[None], covariance[None]
    at = width - 3
    free = np.delete(np.arange(width), at)
    sd = np.clip(np.sqrt(covariance[:, at, at]), 0.1, 0.8)
    offsets = np.linspace(-_REACH, _REACH, nodes)
    thetas = np.repeat(parameters.theta[None], nodes, axis=0)
    thetas[:, :, at] += offsets[:, None] * sd
    log_weight = np.zeros((nodes, k))
    covariances = np.zeros((nodes, k, width, width))
    middle = nodes // 2
    for m in sorted(range(nodes), key=lambda i: abs(i - middle)):
        if m != middle:  # start from the neighbour that is done
            near = m + 1 if m < middle else m - 1
            thetas[m][:, free] = thetas[near][:, free]
        for last in (False, False, False, True):
            log_post, gradient, hessian = _at(data, parameters, priors, grid, psi, thetas[m], own, extra)
            for i in range(k):
                inverse = positive_inverse(-hessian[i][np.ix_(free, free)])
                if last:
                    covariances[m, i][np.ix_(free, free)] = inverse + through_pool[i][np.ix_(free, free)]
                    log_weight[m, i] = log_post[i] + 0.5 * np.linalg.slogdet(inverse)[1]
                else:
                    step = inverse @ gradient[i][free]
                    thetas[m, i, free] += step * min(1.0, 1.0 / max(1e-300, float(np.max(np.abs(step)))))
    weight = np.exp(log_weight - log_weight.max(axis=0))
    return weight / weight.sum(axis=0), thetas, covariances


def _at(
    data: Prepared,
    parameters: Parameters,
    priors: Priors,
    grid: Grid,
    psi: Float,
    theta: Float,
    own: OwnShares | None,
    extra: Float | None,
) -> tuple[Float, Float, Float]:
    """Log posterior of each species, with gradient and Hessian, the other species' presence held at
    `psi`."""
    here = Parameters(theta, parameters.pooled, parameters.calls, parameters.error, parameters.groups)
    terms = visit_evidence(data, here, psi, own=own)
    linear, spread = here.linear(data), here.spread
    gradient, diagonal = priors.derivatives(theta, here.pooled)
    hessian = np.zeros((*theta.shape, theta.shape[1]))
    value = np.empty(len(theta))
    for k in range(len(theta)):
        mine = of_species(data, terms, linear, k)
        found = effects(mine, float(spread[k]), grid, None if extra is None else extra[k])
        slope = slopes(mine, found, float(spread[k]), grid)
        score = np.zeros((here.groups + 1, 6))
        curve = np.zeros((here.groups + 1, 6, 6))
        np.add.at(score, data.spot_group, slope.score)
        np.add.at(curve, data.spot_group, slope.curve)
        gradient[k] += season.spread_groups(score, here.groups)
        hessian[k] = season.spread_groups(curve, here.groups) + np.diag(diagonal[k])
        # Scales that were divided out of both worlds change with the rates: put them back.
        back = np.log(np.maximum(terms.visit.present[:, k], terms.visit.absent[:, k]))
        back = back + terms.find.log_scale[:, k]
        value[k] = float(np.sum(found.log_evidence) + np.sum(back))
        value[k] += priors.log_density(theta[k : k + 1], here.pooled)
    return value, gradient, hessian
