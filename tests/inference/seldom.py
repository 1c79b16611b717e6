"""How well seldom visited spots are told where members prefer good ones: `python -m tests.inference.seldom --clubs 4`.

On clubs of the second simulator, with preferential effort and without any break: error, root mean square error and
coverage of 90 % intervals of the chance of presence, by the number of visits to the spot; once as fitted, and once with
the counts of returns left out of the same fit.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from dataclasses import replace

import numpy as np

from observations.inference import fit, spot_history

from . import broken_world
from .forecasts import as_evidence
from .simulate import NOW

_BANDS = ((0, "no visit"), (3, "1 to 3"), (8, "4 to 8"), (10**9, "9 or more"))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clubs", type=int, default=4)
    asked = parser.parse_args()
    for name, breaks in (("preferential effort", ("preferential",)), ("no break", ())):
        told = defaultdict(list)
        for seed in range(asked.clubs):
            made = broken_world.world(seed, breaks)
            evidence = as_evidence(made)
            fitted = fit(evidence)
            for way, used in (("counted", fitted), ("left out", replace(fitted, visiting=np.zeros((0, 3))))):
                for s in range(made.spots):
                    result = spot_history(used, evidence.of_spot(s), NOW, reasons=False)
                    band = next(words for most, words in _BANDS if result.visits <= most)
                    low, high = result.interval.T
                    inside = (low <= made.now[s]) & (made.now[s] <= high)
                    told[way, band].append(np.stack([result.probability - made.now[s], inside]))
        for (way, band), values in sorted(told.items()):
            error, inside = np.moveaxis(np.array(values), 1, 0)
            print(
                f"{name}, returns {way}, {band}: {error.size} chances, error {error.mean():+.3f},"
                f" rms {np.sqrt((error**2).mean()):.3f}, held {inside.mean():.3f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
