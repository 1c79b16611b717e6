"""How often the intervals of seasons hold: `python -m tests.inference.season_coverage`. Prints, checks nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from observations.inference import SEEN, Evidence, fit, season, spot_history
from observations.inference.bands import BANDS, band_of, fit_bands
from observations.inference.catches import fit_catches, spot_catches

from .simulate import NOW, tree
from .test_catch_rates_by_season import drawn

CLUBS, SPOTS, VISITS = 8, 60, 12


def bands() -> None:
    """Bands that add N(0, 0.5) to the season of their days, at 60 spots with 12 camera drops each."""
    held: dict[str, list[bool]] = {"with what a band adds": [], "the season of its days alone": []}
    for seed in range(CLUBS):
        rng = np.random.default_rng(100 + seed)
        adds, beta = rng.normal(0, 0.5, BANDS), rng.normal(0, 0.6, 2)
        spot = np.repeat(np.arange(SPOTS), VISITS)
        days = rng.uniform(NOW - 730, NOW, len(spot))
        temps = np.clip(season.features(days) @ [15.0, -8.0, -4.0] + rng.normal(0, 4, len(spot)), 0, 40)
        effect = 0.8 * rng.normal(size=SPOTS)
        at = -0.2 + season.features(days)[:, 1:] @ beta + effect[spot] + adds[band_of(temps)]
        seen = (rng.random(len(spot)) < 1 / (1 + np.exp(-at))) & (rng.random(len(spot)) < 0.8)
        grade = np.stack([np.where(seen, SEEN, 0), np.zeros(len(spot))], axis=1)
        e = Evidence.make(
            tree(2), NOW, spots=[str(i) for i in range(SPOTS)], spot=spot, time=days, method=np.full(len(spot), 4),
            minutes=np.full(len(spot), 12.0), secchi_m=np.full(len(spot), 5.0), water_temp_c=temps, grade=grade,
        )  # fmt: skip
        fitted = fit(e)
        made = fit_bands(fitted, e)
        flat = replace(made, deviation=0 * made.deviation, variance=0 * made.variance)
        for name, used in zip(held, (made, flat), strict=True):
            for s in range(SPOTS):
                told = spot_history(fitted, e.of_spot(s), NOW, reasons=False, bands=used)
                psi = 1 / (1 + np.exp(0.2 - made.features[:, 1:] @ beta - effect[s] - adds))
                low, high = told.band_interval[:, 0].T
                held[name] += list((low <= psi) & (psi <= high))
    for name, hits in held.items():
        print(f"chance by band, {name}: {np.mean(hits):.3f} of {len(hits)}")


def catches() -> None:
    """Rates drawn about the club's, at 80 spots with some 14 rod looks each."""
    for clump in (0.6, 3.0, 1e6):
        held: dict[str, list[bool]] = {"some caught": [], "none caught": [], "not fished": []}
        for seed in range(CLUBS):
            e, true = drawn(seed, clump=clump)
            made = fit_catches(e)
            for s in range(len(true)):
                told = spot_catches(made, e.of_spot(s))
                low, high = told.interval[1:13, 0].T
                for m, hit in enumerate((low <= true[s]) & (true[s] <= high)):
                    fished, some = told.rod_hours[1 + m] > 0, told.caught[1 + m, 0] > 0
                    held["some caught" if some else "none caught" if fished else "not fished"].append(
                        bool(hit)
                    )
        words = ", ".join(f"{kind} {np.mean(hits):.3f} of {len(hits)}" for kind, hits in held.items())
        print(f"catch by month, clumped by {clump:g}: {words}")


if __name__ == "__main__":
    bands()
    catches()
