"""Posteriors of crowd-kit's Dawid-Skene on random calls, kept beside this file.

Installed, crowd-kit weighs 780 MB. `pip install crowd-kit==1.4.2`, then `python tests/inference/crowd_kit.py` writes
them anew.
"""

from __future__ import annotations

import json
from importlib import import_module
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

SEEDS = (1, 2, 3)
ITERATIONS = 25
EVERY = 5
"""Every so many items are kept."""
FILE = Path(__file__).with_name("crowd_kit_1_4_2.json")
Int = NDArray[np.int64]


def random_calls(seed: int) -> tuple[Int, Int, Int]:
    """Calls of 8 observers of different care on 150 items of 4 classes; some items called twice by one observer."""
    rng = np.random.default_rng(seed)
    truth, care = rng.integers(0, 4, 150), rng.uniform(0.3, 0.95, 8)
    item = np.concatenate([np.arange(150), rng.integers(0, 150, 600)])
    observer = rng.integers(0, 8, len(item))
    right = rng.random(len(item)) < care[observer]
    return item, observer, np.where(right, truth[item], rng.integers(0, 4, len(item)))


def main() -> None:
    pandas, crowdkit = import_module("pandas"), import_module("crowdkit.aggregation")
    kept = {}
    for seed in SEEDS:
        item, observer, call = random_calls(seed)
        table = pandas.DataFrame({"task": item, "worker": observer, "label": call})
        # Its own tolerance stops early, on a bound that is not monotone: same start, same number of iterations.
        model = crowdkit.DawidSkene(n_iter=ITERATIONS, tol=-1e9)
        made = model.fit_predict_proba(table).sort_index()[range(4)].to_numpy()
        kept[str(seed)] = np.round(made[::EVERY], 10).tolist()
    FILE.write_text(json.dumps(kept) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
