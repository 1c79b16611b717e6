"""Weak priors of the club's parameters, and safe inverses of their curvature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from . import season
from .types import Float, Options


@dataclass(frozen=True)
class Priors:
    """Gaussian priors of a species' season terms and log spread, Gamma prior of its rates around the
    pool."""

    beta_mean: Float
    beta_precision: Float
    spread_precision: float
    rate_weight: float
    pooled_mean: Float
    pooled_precision: Float

    @classmethod
    def of(cls, groups: int, rows: int, options: Options) -> Priors:
        mean, precision = season.prior(groups, options)
        sd = options.spread_sd if options.spread_sd is not None else (0.4 if rows < 500 else 0.7)
        rates = np.asarray(options.rate_prior)
        return cls(mean, precision, sd**-2.0, options.rate_weight, np.log(rates[:, 0]), rates[:, 1] ** -2.0)

    def log_density(self, theta: Float, pooled: Float) -> float:
        """Log prior density up to a constant, all species (K, P+3) together."""
        ratio = np.exp(theta[:, -2:] - pooled)
        return float(
            -0.5 * np.sum(self.beta_precision * (theta[:, :-3] - self.beta_mean) ** 2)
            - 0.5 * self.spread_precision * np.sum(theta[:, -3] ** 2)
            + self.rate_weight * np.sum(theta[:, -2:] - pooled - ratio)
            - 0.5 * np.sum(self.pooled_precision * (pooled - self.pooled_mean) ** 2)
        )

    def derivatives(self, theta: Float, pooled: Float) -> tuple[Float, Float]:
        """Gradient (K, P+3) and diagonal of the Hessian (K, P+3) in theta."""
        ratio = np.exp(theta[:, -2:] - pooled)
        gradient = np.empty_like(theta)
        diagonal = np.empty_like(theta)
        gradient[:, :-3] = -self.beta_precision * (theta[:, :-3] - self.beta_mean)
        diagonal[:, :-3] = -self.beta_precision
        gradient[:, -3] = -self.spread_precision * theta[:, -3]
        diagonal[:, -3] = -self.spread_precision
        gradient[:, -2:] = self.rate_weight * (1.0 - ratio)
        diagonal[:, -2:] = -self.rate_weight * ratio
        return gradient, diagonal


def positive(matrix: Float) -> Float:
    """The nearest comfortably positive definite matrix, by lifting small and negative eigenvalues."""
    values, vectors = np.linalg.eigh(matrix)
    lifted = np.maximum(np.abs(values), 1e-4)
    made: Float = (vectors * lifted) @ vectors.T
    return made


def positive_inverse(matrix: Float) -> Float:
    """Inverse of `positive(matrix)`: a Newton direction that climbs even where the posterior is not
    concave."""
    values, vectors = np.linalg.eigh(matrix)
    made: Float = (vectors / np.maximum(np.abs(values), 1e-4)) @ vectors.T
    return made
