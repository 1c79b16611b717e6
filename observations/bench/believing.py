"""What believing costs: call reliability, presence, a full refit; each beside an independent program or a smaller club.

Nothing here touches the database. Crowd-kit is a yardstick only: where it is not installed its figure is left out,
saying so.
"""

from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from multiprocessing import get_context
from time import perf_counter
from typing import Any

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit

from observations.bench.clubs import draw
from observations.bench.timing import Figure, forget_peak, interleaved, peak_mib
from observations.inference import Options, fit
from observations.inference.dawid_skene import dawid_skene
from observations.inference.engine import Parameters, prior_presence, visit_evidence
from observations.inference.fitting import begin
from observations.inference.grouping import Prepared
from observations.inference.maximum import likelihood, maximise
from observations.inference.presence import Grid
from observations.inference.types import Float

_CLASSES, _ITERATIONS, _PER_ITEM = 12, 20, 5
_NO_EFFECT = Grid(np.zeros(1), np.zeros(1))


def figures(looks: int, refit_looks: int, runs: int, tell: Callable[[str], None]) -> Iterator[Figure]:
    """Give the figures of the inference, each when it is measured.

    Parameters
    ----------
    looks : int
        Calls and looks of the call and the presence fit.
    refit_looks : int
        Looks of the larger of the two clubs that are refitted; the smaller has a tenth.
    runs : int
        Turns behind the medians of what is short enough to be run again; three at most.
    """
    yield from _calls(looks, tell)
    yield from _presence(looks)
    yield from _refits(refit_looks, tell)
    yield from _growth(refit_looks // 20, min(3, runs))


def _timed(work: Callable[[], Any]) -> tuple[float, Any]:
    start = perf_counter()
    result = work()
    return (perf_counter() - start) * 1000, result


def _calls(calls: int, tell: Callable[[str], None]) -> list[Figure]:
    rng = np.random.default_rng(12)
    items, observers = max(2, calls // _PER_ITEM), 300
    truth = rng.integers(0, _CLASSES, items)
    item = np.repeat(np.arange(items), _PER_ITEM)
    observer = rng.integers(0, observers, len(item))
    right = rng.random(len(item)) < rng.uniform(0.4, 0.9, observers)[observer]
    call = np.where(right, truth[item], rng.integers(0, _CLASSES, len(item)))
    ms, ours = _timed(
        lambda: dawid_skene(item, observer, call, classes=_CLASSES, iterations=_ITERATIONS, tolerance=-1.0)
    )
    try:
        pandas, crowdkit = import_module("pandas"), import_module("crowdkit.aggregation")
    except ImportError:
        tell(
            f"Call reliability, {len(item)} calls: {ms:.0f} ms; nothing beside it, as crowd-kit is not installed."
        )
        return []
    table = pandas.DataFrame({"task": item, "worker": observer, "label": call})
    # A tolerance below 0: its own stops early, on a bound that is not monotone.
    theirs_ms, theirs = _timed(
        lambda: crowdkit.DawidSkene(n_iter=_ITERATIONS, tol=-1e9).fit_predict_proba(table)
    )
    gap = float(np.abs(theirs.sort_index()[range(_CLASSES)].to_numpy() - ours.posterior).max())
    note = f"largest difference of a posterior {gap:.1e}, must be at most 1e-6: {'kept' if gap <= 1e-6 else 'NOT KEPT'}"
    name = f"call-reliability EM, {len(item)} calls, {_CLASSES} classes, {_ITERATIONS} iterations"
    return [Figure(name, "crowd-kit's Dawid-Skene, same start and iterations", ms, theirs_ms, 1 / 6, 1, note)]


def _presence(looks: int) -> list[Figure]:
    """One species, season by group and both rates free and flat, no spot effect: plain occupancy with covariates."""
    evidence = draw(looks, max(20, looks // 50), 30, 1, 1)
    data, start = begin(evidence, Options(), None)
    free = np.ones(start.theta.shape[1], dtype=np.bool_)
    free[:3] = False  # what all groups share is told by their own terms
    free[-3] = False
    of = likelihood(data, start, free, _NO_EFFECT)
    at: Any = start.theta[0, free]

    def with_gradient(theta: Float) -> tuple[float, Float]:
        value, gradient, _ = of(theta)
        return -value, -gradient

    value_only = _value_only(data, start, free)
    tight: Any = {"gtol": 1e-9, "ftol": 0.0, "maxiter": 5000, "maxcor": 20}
    ms, ours = _timed(lambda: maximise(of, at))
    theirs_ms, theirs = _timed(
        lambda: minimize(with_gradient, at, jac=True, method="L-BFGS-B", options=tight)
    )
    plain_ms, plain = _timed(lambda: minimize(value_only, at, method="L-BFGS-B"))
    gaps = abs(ours.loglik + theirs.fun), float(np.abs(ours.theta - theirs.x).max())
    kept = gaps[0] <= 1e-6 and gaps[1] <= 1e-5
    note = (
        f"log-likelihoods differ by {gaps[0]:.1e} (at most 1e-6), parameters by {gaps[1]:.1e} (at most 1e-5):"
        f" {'kept' if kept else 'NOT KEPT'}; {ours.iterations} Newton steps"
    )
    name = f"presence fit, one species, {len(evidence)} looks, {len(at)} parameters"
    by_differences = f"reaches a log-likelihood {ours.loglik + plain.fun:.2g} lower"
    return [
        Figure(name, "scipy L-BFGS-B with our gradient", ms, theirs_ms, 1.0, 1, note),
        Figure(name, "scipy L-BFGS-B by finite differences", ms, plain_ms, 1 / 8, 1, by_differences),
    ]


def _value_only(data: Prepared, start: Parameters, free: Any) -> Callable[[Float], float]:
    """Minus the log-likelihood without derivatives: finite differences need no more, and shall not pay for more."""

    def of(theta: Float) -> float:
        whole = start.theta.copy()
        whole[0, free] = theta
        here = Parameters(whole, start.pooled, start.calls, start.error, start.groups)
        terms = visit_evidence(data, here, prior_presence(data, here))
        psi = expit(here.linear(data)[:, 0])
        back = np.log(np.maximum(terms.visit.present, terms.visit.absent))[:, 0]
        mixed = np.log(terms.absent[:, 0] + psi * (terms.present - terms.absent)[:, 0])
        scales = terms.find.log_scale[:, 0].sum() + terms.call.log_scale.sum()
        return -float(mixed.sum() + back.sum() + scales)

    return of


@dataclass(frozen=True)
class _Refitted:
    rows: int
    seconds: float
    iterations: int
    converged: bool
    peak_mib: float  # of the process while it fitted, with what it fitted

    def words(self) -> str:
        state = "converged" if self.converged else "did NOT converge"
        return f"{self.rows} looks: {self.seconds:.0f} s, {self.iterations} iterations, {state}"


def _refit(looks: int) -> _Refitted:
    evidence = draw(looks, max(20, looks // 50), 300, 12, 1)
    forget_peak()
    started = perf_counter()
    made = fit(evidence)
    seconds = perf_counter() - started
    return _Refitted(len(evidence), seconds, made.iterations, made.converged, peak_mib())


def _refits(looks: int, tell: Callable[[str], None]) -> list[Figure]:
    """Measure in a process of its own: what was measured before has its memory elsewhere."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as alone:
        small, large = (alone.submit(_refit, n).result() for n in (looks // 10, looks))
    for one in (small, large):
        tell(f"full refit, {one.words()}")
    note = f"{small.words()}; {large.words()}; peak memory of the process {large.peak_mib:.0f} MiB (at most 1024)"
    return [
        Figure(
            f"full refit, 12 species, {looks} looks, one iteration",
            f"{looks // 10} looks",
            large.seconds * 1000 / max(1, large.iterations),
            small.seconds * 1000 / max(1, small.iterations),
            10.0,
            1,
            note,
        )
    ]


_GROWN = 4
"""How many times larger each part of a club is made, the others held."""


def _growth(looks: int, runs: int) -> list[Figure]:
    """A few iterations of a club's fit, and of one that has four times as many looks, spots, species or observers.

    In proportion is four times; more than twice that would be another law of growth.
    """
    base = {"looks": looks, "spots": max(20, looks // 50), "members": 75, "species": 4}
    few = Options(max_iterations=6)
    clubs = {
        "": base,
        "looks": base | {"looks": _GROWN * looks},
        "spots": base | {"spots": _GROWN * base["spots"]},
        "species": base | {"species": _GROWN * base["species"]},
        "observers": base | {"members": _GROWN * base["members"]},
    }
    evidence = {name: draw(seed=1, **size) for name, size in clubs.items()}
    ms = dict(
        zip(
            evidence,
            interleaved([partial(fit, e, options=few) for e in evidence.values()], runs),
            strict=True,
        )
    )
    said = f"{looks} looks, {base['spots']} spots, {base['species']} species, {base['members']} observers"
    return [
        Figure(
            f"fit, {few.max_iterations} iterations, {_GROWN} times the {name}",
            said,
            ms[name],
            ms[""],
            2.0 * _GROWN,
            runs,
        )
        for name in clubs
        if name
    ]
