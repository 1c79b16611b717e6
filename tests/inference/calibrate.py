"""Simulation-based calibration of the fit: `python -m tests.inference.calibrate --clubs 500`.

Each club is drawn from the priors (`prior_clubs`), fitted, and one truth of each kind is ranked in its posterior:
if the posterior is right, the ranks are uniform (Talts et al. 2018, "Validating Bayesian inference algorithms with
simulation-based calibration"). Printed are the Kolmogorov-Smirnov and the chi-squared test over 20 bins, and how
often 90 % intervals held the truth, also in strata that the data define.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import beta as beta_distribution
from scipy.stats import chisquare, kstest, nbinom, norm

from observations.inference import fit, reliability
from observations.inference.believing import beta_counts
from observations.inference.effort import catch_rate
from observations.inference.hiding import hidden_by_filter
from observations.inference.history import distribution_now, spot_history
from observations.inference.rates import rate_distribution, rate_interval
from observations.inference.results import CallTable, ClubFit
from observations.inference.types import CALL_METHODS, LANDED, METHODS, NO_OUTCOME, Evidence

from .prior_clubs import OPTIONS, PriorClub, draw
from .simulate import NOW, tree

BINS = 20
LEAST_PHI = 0.03


class Tally:
    """Ranks by quantity, and hits of 90 % intervals by quantity and stratum."""

    def __init__(self) -> None:
        self.ranks: dict[str, list[float]] = defaultdict(list)
        self.hits: dict[str, list[int]] = defaultdict(lambda: [0, 0])
        self.unconverged = 0

    def hit(self, name: str, inside: Any) -> None:
        values = np.atleast_1d(np.asarray(inside, dtype=bool))
        self.hits[name][0] += int(values.sum())
        self.hits[name][1] += values.size

    def join(self, found: dict[str, Any]) -> None:
        """Add what another run wrote."""
        self.unconverged += found["unconverged"]
        for name, r in found["ranks"].items():
            self.ranks[name] += r["values"]
        for name, c in found["coverage"].items():
            self.hits[name][0] += c["held"]
            self.hits[name][1] += c["cases"]

    def result(self) -> dict[str, Any]:
        tests = 2 * len(self.ranks)
        ranks = {}
        for name, values in sorted(self.ranks.items()):
            r = np.asarray(values)
            counts = np.bincount(np.minimum((r * BINS).astype(int), BINS - 1), minlength=BINS)
            ks, chi = float(kstest(r, "uniform").pvalue), float(chisquare(counts).pvalue)
            kept = min(ks, chi) > 0.01 / tests
            ranks[name] = {"n": len(r), "ks_p": ks, "chi2_p": chi, "kept": kept, "bins": counts.tolist()}
            ranks[name]["values"] = [round(v, 6) for v in values]
        coverage = {
            name: {"cases": n, "coverage": round(hit / n, 4), "kept": 0.87 <= hit / n <= 0.93, "held": hit}
            for name, (hit, n) in sorted(self.hits.items())
        }
        return {
            "unconverged": self.unconverged,
            "p_must_exceed": 0.01 / tests,
            "ranks": ranks,
            "coverage": coverage,
        }


def one_club(seed: int, tally: Tally) -> None:
    """Draw, fit and score one club."""
    club = draw(seed)
    rng = np.random.default_rng([7, seed])
    fitted = fit(club.evidence, options=OPTIONS)
    tally.unconverged += not fitted.converged
    species = len(fitted.taxa.species)
    ranked = int(rng.integers(len(club.evidence.spots))), int(rng.integers(species))
    for s in range(len(club.evidence.spots)):
        mine = club.evidence.of_spot(s)
        told = spot_history(fitted, mine, NOW, reasons=False)
        inside = (told.interval[:, 0] <= club.psi[s]) & (club.psi[s] <= told.interval[:, 1])
        tally.hit("psi", inside)
        for k in range(species):
            tally.hit(f"psi, {stratum(mine, k)}", inside[k])
        if s == ranked[0]:
            k = ranked[1]
            tally.ranks["psi"].append(float(distribution_now(fitted, mine, NOW, club.psi[s])[k]))
    _parameters(club, fitted, rng, tally)
    _calls(club, fitted, rng, tally)
    _hidden(club, fitted, np.random.default_rng([8, seed]), tally)
    _catches(rng, tally)


def stratum(e: Evidence, k: int) -> str:
    """What the camera and the rod have shown of a species at a spot."""
    if not len(e):
        return "no looks"
    finds = e.outcome == NO_OUTCOME
    n, found = int(finds.sum()), int((e.grade[finds, k] > 0).sum())
    if n == 0:
        return "sonar only"
    if n == 1:
        return f"{found} of 1 found"
    return "0 of n found" if found == 0 else "n of n found" if found == n else "some of n found"


def _parameters(club: PriorClub, fitted: ClubFit, rng: np.random.Generator, tally: Tally) -> None:
    k = int(rng.integers(len(fitted.taxa.species)))
    mean = fitted.node_theta[:, k, 0]
    sd = np.sqrt(fitted.node_cov[:, k, 0, 0])
    _rank("intercept", float(fitted.weight[:, k] @ norm.cdf((club.beta[k, 0] - mean) / sd)), tally)
    below = rate_distribution(fitted, club.rate)[k]
    _rank("camera rate", float(below[0]), tally)
    _rank("rod rate", float(below[1]), tally)
    interval = rate_interval(fitted)
    tally.hit("rates of all species", _inside(interval, club.rate))


def _rank(name: str, rank: float, tally: Tally) -> None:
    tally.ranks[name].append(rank)
    tally.hit(name, 0.05 <= rank <= 0.95)


def _calls(club: PriorClub, fitted: ClubFit, rng: np.random.Generator, tally: Tally) -> None:
    tables = [t for t in reliability(fitted, club.evidence, by_observer=False) if t.observer is None]
    if not tables:
        return
    for table in tables:
        m = CALL_METHODS.index(table.method)
        echo, call = club.echoes[m], club.call[m]
        tally.hit("phi, echoes", _inside(table.echoes_interval, echo))
        told = call >= LEAST_PHI
        tally.hit("phi, calls of at least .03", _inside(table.call_interval, call)[told])
    table = tables[int(rng.integers(len(tables)))]
    m, t = CALL_METHODS.index(table.method), int(rng.integers(len(table.truths)))
    tally.ranks["phi, echoes"].append(_beta_rank(table.echoes[t], table.echoes_sd[t], club.echoes[m, t]))
    right = _right_cell(table, t)
    tally.ranks["phi, right call"].append(
        _beta_rank(table.call[t, right], table.call_sd[t, right], club.call[m, t, right])
    )


def _hidden(club: PriorClub, fitted: ClubFit, rng: np.random.Generator, tally: Tally) -> None:
    """What filters of small returns hide, in the clubs that have such looks."""
    told = () if club.hidden is None else hidden_by_filter(fitted, club.evidence)
    for one in told:
        tally.hit("hidden by a filter", _inside(one.interval, club.hidden[CALL_METHODS.index(one.method)]))
    if told:
        one = told[int(rng.integers(len(told)))]
        t = int(rng.integers(len(one.truths)))
        truth = club.hidden[CALL_METHODS.index(one.method), t]
        tally.ranks["hidden by a filter"].append(_beta_rank(one.hidden[t], one.sd[t], truth))


def _right_cell(table: CallTable, truth: int) -> int:
    name = table.truths[truth]
    return table.calls.index(name if name in table.calls else "not-fish")


def _inside(interval: Any, truth: Any) -> Any:
    return (interval[..., 0] <= truth) & (truth <= interval[..., 1])


def _beta_rank(mean: float, sd: float, truth: float) -> float:
    """Rank in the Beta that the intervals of call tables are taken from."""
    return float(beta_distribution.cdf(truth, *beta_counts(np.array(mean), np.array(sd))))


def _catches(rng: np.random.Generator, tally: Tally) -> None:
    """Catch rates: negative binomial catches of known rate, Poisson in half of the cases."""
    taxa = tree(2)
    for kind in ("even", "clumped"):
        n = int(rng.integers(3, 40))
        hours = rng.uniform(0.25, 4.0, n)
        rate = float(np.exp(rng.normal(-0.5, 0.8)))
        mean = rate * hours
        size = float(rng.uniform(0.5, 3.0))
        caught = (
            rng.poisson(mean) if kind == "even" else nbinom.rvs(size, size / (size + mean), random_state=rng)
        )
        count = np.stack([caught, np.zeros(n, dtype=int)], axis=1)
        e = Evidence.make(
            taxa,
            NOW,
            spots=["here"],
            spot=np.zeros(n, dtype=int),
            time=np.linspace(1.0, 300.0, n),
            method=np.full(n, METHODS.index("rod")),
            observer=np.zeros(n, dtype=int),
            outcome=np.full(n, NO_OUTCOME),
            rod_hours=hours,
            grade=np.where(count > 0, LANDED, 0),
            count=count,
        )
        low, high = catch_rate(e, 0).interval
        tally.hit(f"catch rate, {kind}", low <= rate <= high)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clubs", type=int, default=500)
    parser.add_argument("--first", type=int, default=0, help="seed of the first club")
    parser.add_argument("--out", type=Path, default=Path("docs/calibration.json"))
    parser.add_argument("--join", type=Path, nargs="*", default=[], help="add what earlier runs wrote")
    asked = parser.parse_args()
    tally, start = Tally(), time.perf_counter()
    for path in asked.join:
        tally.join(json.loads(path.read_text(encoding="utf-8")))
    found: dict[str, Any] = tally.result() if asked.join else {"ranks": {}}
    for number in range(asked.clubs):
        one_club(asked.first + number, tally)
        if (number + 1) % 25 == 0 or number + 1 == asked.clubs:
            found = {"clubs": number + 1, "first_seed": asked.first, **tally.result()}
            asked.out.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
            print(f"{number + 1} clubs in {time.perf_counter() - start:.0f} s", flush=True)
    print(json.dumps({k: v for k, v in found.items() if k != "ranks"}, indent=1))
    for name, r in found["ranks"].items():
        print(name, f"KS p {r['ks_p']:.4f}, chi2 p {r['chi2_p']:.4f}", "kept" if r["kept"] else "NOT KEPT")


if __name__ == "__main__":
    main()
