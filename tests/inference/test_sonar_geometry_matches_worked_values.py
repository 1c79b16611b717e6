"""Cone, slant range, shadow and speed of sound, against independent values and against rays drawn out."""

from __future__ import annotations

import numpy as np
import pytest

from observations.inference.coverage import sighting_range
from observations.inference.sonar import (
    footprint_area,
    footprint_diameter,
    ground_range,
    shadow_ground_range,
    shadow_height,
    sound_speed,
    true_depth,
)


def test_the_footprint_of_a_cone_is_twice_the_depth_by_the_tangent_of_half_its_angle():
    # Worked values, recomputed independently from the formula.
    across = footprint_diameter([30, 10, 10, 20, 50], [20, 20, 12, 60, 9])
    assert across == pytest.approx([10.5796, 3.5265, 2.1021, 23.0940, 7.8702], abs=5e-5)
    assert footprint_area(10, 20) == pytest.approx(9.7676, abs=5e-5)
    assert footprint_diameter(0, 20) == 0


def test_a_slant_range_becomes_a_distance_along_the_bottom():
    # 7, 24, 25 is a Pythagorean triple.
    assert ground_range(25, 7) == pytest.approx(24)
    assert ground_range(7, 7) == 0
    assert np.isnan(ground_range(6.9, 7)), "an echo nearer than the bottom is in the water"


def test_a_shadow_tells_the_height_of_what_throws_it():
    # Worked values built from a target 2 m high at 30 m along the bottom, transducer 10 m up.
    assert shadow_height(10, 31.0483494, 38.8104367) == pytest.approx(2.0, abs=1e-7)
    # The side-scan formula H L / (R + L): H 10, R 20, L 5.
    assert shadow_height(10, 20, 25) == pytest.approx(2.0)
    assert shadow_height(10, 20, 20) == 0
    assert np.isnan(shadow_height(10, 8, 9)), "a shadow lies on the bottom, not nearer than it"


def test_rays_drawn_out_for_a_thousand_targets_give_their_height_and_place_back():
    # Independent of the formula: the ray over the target's top is followed to the bottom.
    rng = np.random.default_rng(20261126)
    height = rng.uniform(2, 30, 1000)
    target = height * rng.uniform(0.02, 0.9, 1000)
    along = rng.uniform(2, 60, 1000)
    top = np.hypot(along, height - target)
    meets = along + target * along / (height - target)
    end = np.hypot(meets, height)
    assert shadow_height(height, top, end) == pytest.approx(target, rel=1e-9)
    assert shadow_ground_range(height, top, end) == pytest.approx(along, rel=1e-9)
    assert np.all(np.nan_to_num(ground_range(top, height), nan=0.0) < along), "the flat rule puts it too near"


def test_speed_of_sound_matches_del_grosso_and_mader_and_other_formulas():
    t = [0, 5, 10, 20, 25, 30]
    # Del Grosso & Mader 1972, recomputed; then TEOS-10 (gsw 3.6.23, S = 0) and Bilaniuk & Wong 1993 (148 points),
    # which are formulas of their own: within 0.05 m/s.
    assert sound_speed(t) == pytest.approx(
        [1402.388, 1426.162, 1447.270, 1482.343, 1496.687, 1509.127], abs=1e-3
    )
    assert sound_speed(t) == pytest.approx(
        [1402.401, 1426.180, 1447.284, 1482.353, 1496.709, 1509.161], abs=0.05
    )
    assert sound_speed(t) == pytest.approx(
        [1402.387, 1426.167, 1447.279, 1482.358, 1496.704, 1509.144], abs=0.05
    )
    # Its published maximum, 1555.147 m/s at 74.172 degC (from memory).
    fine = np.linspace(60, 90, 30_001)
    speeds = sound_speed(fine)
    assert speeds.max() == pytest.approx(1555.147, abs=1e-3)
    assert fine[speeds.argmax()] == pytest.approx(74.172, abs=2e-3)


def test_a_sounder_set_for_the_sea_shows_cold_fresh_water_too_deep():
    # Worked value: 10 degC, set to 1500 m/s, shows 10.00 m.
    assert true_depth(10, 10) == pytest.approx(9.6485, abs=5e-5)
    assert true_depth(10, 10, sound_speed(10)) == pytest.approx(10)


def test_sight_is_a_band_below_the_secchi_depth():
    low, high = sighting_range([1.0, 2.0, 0.0])
    assert np.all(low <= high) and np.all(high <= [1.0, 2.0, 0.0])
    # The ends of 4.8 / G (1 + Kd / c): G 9.6 with Kd / c .1, and G 8 with .5.
    assert (low[0], high[0]) == pytest.approx((4.8 / 9.6 * 1.1, 4.8 / 8 * 1.5))


@pytest.mark.parametrize(
    "bad",
    [
        lambda: footprint_diameter(-1, 20),
        lambda: footprint_diameter(10, 0),
        lambda: footprint_diameter(10, 180),
        lambda: footprint_diameter(np.inf, 20),
        lambda: ground_range(-1, 1),
        lambda: shadow_height(10, 25, 20),
        lambda: shadow_height(-1, 20, 25),
        lambda: sound_speed(-1),
        lambda: sound_speed(96),
        lambda: true_depth(10, 10, 0),
        lambda: sighting_range(-1),
        lambda: sighting_range(np.inf),
    ],
)
def test_what_cannot_be_is_refused(bad):
    with pytest.raises(ValueError, match=r"must|nearer"):
        bad()


def test_what_is_not_known_stays_unknown():
    for made in (footprint_diameter(np.nan, 20), ground_range(np.nan, 1), shadow_height(10, np.nan, 20),
                 sound_speed(np.nan), true_depth(np.nan, 10), sighting_range(np.nan)[0]):  # fmt: skip
        assert np.isnan(made)
