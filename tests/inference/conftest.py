"""Reference data for the checks; the pure tests need nothing else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

_REFERENCES = Path(__file__).resolve().parents[3] / "shared" / "references"


@pytest.fixture
def references() -> Path:
    """The folder of published data sets, beside the checkout; they are not ours to redistribute."""
    if not _REFERENCES.is_dir():
        pytest.skip("reference data sets are not there: ../shared/references")
    return _REFERENCES


@pytest.fixture(autouse=True)
def _global_random_state_stays_untouched():  # type: ignore[no-untyped-def]
    # The legacy generator is what a stray np.random.x() would use.
    before = np.random.get_state()[1].copy()
    yield
    assert np.array_equal(before, np.random.get_state()[1])
