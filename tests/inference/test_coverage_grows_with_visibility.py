"""Camera coverage and detection."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from observations.inference.coverage import camera_coverage, detection


def test_detection_is_one_minus_the_exponential():
    assert detection(0.2, 5.0, 0.5) == pytest.approx(1 - np.exp(-0.5))
    assert detection(0.2, 0.0) == 0.0


def test_a_short_drop_in_half_a_metre_of_visibility_says_little():
    # Two minutes at 0.5 m on a pile 4 m across: a sixteenth of it in sight; DESIGN, section 5.
    assert camera_coverage(0.5, cover_size_m=4.0) == pytest.approx(1 / 16)
    assert detection(0.15, 2.0, camera_coverage(0.5, cover_size_m=4.0)) < 0.02
    assert detection(0.15, 10.0, camera_coverage(2.0, cover_size_m=4.0)) > 0.75


@given(st.floats(0.01, 20), st.floats(0.01, 20), st.floats(0.1, 30), st.floats(0.1, 30))
def test_coverage_is_a_share_and_grows_with_visibility(a, b, size, height):
    low, high = sorted((a, b))
    c = camera_coverage([low, high], height, size)
    assert 0 < c[0] <= c[1] <= 1


def test_what_is_not_known_takes_a_default_and_bad_lengths_are_refused():
    assert camera_coverage(np.nan) == camera_coverage(1.5, np.nan, 4.0)
    assert camera_coverage(0.0, 0.0, 0.0) >= 0.01
    for bad in (-1.0, np.inf):
        with pytest.raises(ValueError):
            camera_coverage(bad)
    for bad in ((-1, 1, 1), (np.nan, 1, 1), (1, 1, 1.5)):
        with pytest.raises(ValueError):
            detection(*bad)
