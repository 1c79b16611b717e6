"""Lengths, heights and depths read off synthetic pictures of known geometry: the stated error holds."""

from __future__ import annotations

import numpy as np
import pytest

from observations.inference.measuring import depth_and_width, fish_length, target_height

CASES = 1000


def _clicked(rng, points, bound):
    """Where somebody clicks: off by at most the bound along each axis, on whole pixels of a drawn picture."""
    return np.round(points + rng.uniform(-(bound - 0.5), bound - 0.5, points.shape))


def _pictures(rng, *, turned_deg):
    """Ends of fish and references as a pinhole camera puts them on its sensor; nothing of it is in the formula."""
    focal = rng.uniform(700, 2200, CASES)[:, None]
    centre = np.array([1024.0, 768.0])
    true = rng.uniform(120, 700, CASES)
    stated = rng.uniform(50, 400, CASES)
    distance = rng.uniform(500, 1500, CASES)

    def ends(length, away, turn):
        # A segment in space through a random point in view, at a random angle in the picture's plane, and turned
        # out of it about its own middle.
        roll = rng.uniform(0, 2 * np.pi, CASES)
        half = length / 2
        step = np.stack(
            [half * np.cos(turn) * np.cos(roll), half * np.cos(turn) * np.sin(roll), half * np.sin(turn)],
            axis=1,
        )
        middle = np.stack(
            [rng.uniform(-0.15, 0.15, CASES) * away, rng.uniform(-0.15, 0.15, CASES) * away, away], axis=1
        )
        return [
            centre + focal * (middle + sign * step)[:, :2] / (middle + sign * step)[:, 2:] for sign in (-1, 1)
        ]

    mismatch, off = 0.08, 2.0
    fish = ends(true, distance, np.radians(rng.uniform(0, turned_deg, CASES)))
    reference = ends(
        stated + rng.uniform(-off, off, CASES),
        distance / (1 + rng.uniform(-mismatch, mismatch, CASES)),
        np.zeros(CASES),
    )
    return true, stated, fish, reference, mismatch, off


@pytest.mark.parametrize("turned_deg", [0.0, 25.0])
def test_a_fish_is_as_long_as_stated_in_nine_of_ten_pictures(turned_deg):
    rng = np.random.default_rng(6)
    true, stated, fish, reference, mismatch, off = _pictures(rng, turned_deg=turned_deg)
    click = 4.0
    measured = fish_length(
        tuple(_clicked(rng, end, click) for end in fish),
        tuple(_clicked(rng, end, click) for end in reference),
        stated,
        click_px=click, reference_error_mm=off, distance_error=mismatch, turned_deg=turned_deg,
    )  # fmt: skip
    held = (measured.low <= true) & (true <= measured.high)
    assert held.mean() >= 0.90
    # And not by being vague: within an eighth, where the distance alone may be off by 8 %.
    assert np.median(measured.high / measured.value - 1) < 0.125
    assert np.median(measured.value / true) == pytest.approx(1, abs=0.01)


def test_leaving_an_error_out_is_found_out():
    # The same pictures, but the distance is said to be exact: the limits must then fail.
    rng = np.random.default_rng(6)
    true, stated, fish, reference, _, off = _pictures(rng, turned_deg=0.0)
    measured = fish_length(
        tuple(_clicked(rng, end, 4.0) for end in fish), tuple(_clicked(rng, end, 4.0) for end in reference), stated,
        click_px=4.0, reference_error_mm=off, distance_error=0.0,
    )  # fmt: skip
    assert ((measured.low <= true) & (true <= measured.high)).mean() < 0.90


def test_a_worked_length_by_hand():
    # A reference of 200 mm over 100 px, the fish over 150 px: 300 mm. Clicks within 3 px:
    # u = sqrt(2 * 9 / 3 * (1/150^2 + 1/100^2)) = 0.02944 of the logarithm; limits at exp(+-2 u).
    measured = fish_length(
        ((0, 0), (90, 120)), ((0, 0), (100, 0)), 200, reference_error_mm=0, distance_error=0
    )
    assert measured.value == pytest.approx(300)
    assert measured.high == pytest.approx(300 * np.exp(2 * 0.029440), rel=1e-5)
    assert measured.low == pytest.approx(300 * np.exp(-2 * 0.029440), rel=1e-5)
    assert measured.shares["clicks"] == pytest.approx(1)
    # Turned by up to 30 degrees: the mean of -log cos over 0 to 30 degrees is 0.0470 (series T^2/6 + T^4/60).
    turned = fish_length(((0, 0), (90, 120)), ((0, 0), (100, 0)), 200, turned_deg=30)
    assert np.log(turned.value / 300) == pytest.approx(
        0.5236**2 / 6 + 0.5236**4 / 60 + 0.5236**6 / 315, abs=1e-4
    )


def test_a_height_by_its_shadow_holds_its_error_on_drawn_screens():
    rng = np.random.default_rng(7)
    height = rng.uniform(3, 15, CASES)
    target = height * rng.uniform(0.1, 0.6, CASES)
    along = rng.uniform(3, 25, CASES)
    top, end = np.hypot(along, height - target), np.hypot(along * height / (height - target), height)
    far = np.ceil(np.maximum(end, height) / 5 + 1) * 5
    side = rng.choice([-1.0, 1.0], CASES)
    middle, half = 640.0, 600.0
    click = 3.0

    def at(slant):
        return _clicked(rng, middle + side * half * slant / far, click)

    centre, edge = _clicked(rng, np.full(CASES, middle), click), at(far)
    bottom, begins, ends = at(height), at(top), at(end)
    # A shadow of a pixel or two cannot be clicked in order; the function says so.
    usable = (side * (ends - begins) > 0) & (side * (ends - bottom) > 0)
    assert usable.mean() > 0.98
    clicks = (position[usable] for position in (centre, edge, bottom, begins, ends))
    measured = target_height(*clicks, far[usable], click_px=click)
    held = (measured.low <= target[usable]) & (target[usable] <= measured.high)
    assert held.mean() >= 0.90
    # Worked value: H 10, R 20, shadow 5 long, 10 px a metre: 2 m high.
    assert target_height(0, 300, 100, 200, 250, 30).value == pytest.approx(2.0)
    assert target_height(300, 0, 200, 100, 50, 30).value == pytest.approx(2.0), "the other side of the screen"


def test_a_depth_and_the_cone_there_hold_their_error():
    rng = np.random.default_rng(8)
    bottom = rng.uniform(4, 30, CASES)
    echo = bottom * rng.uniform(0.1, 0.98, CASES)
    cone = rng.uniform(15, 60, CASES)
    pixels = 900 / bottom
    told = bottom + rng.uniform(-0.2, 0.2, CASES)
    surface, floor, there = (
        _clicked(rng, 40 + depth * pixels, 3.0) for depth in (np.zeros(CASES), bottom, echo)
    )
    depth, width = depth_and_width(
        surface, floor, np.maximum(there, surface), told, cone + rng.uniform(-4, 4, CASES),
        click_px=3.0, known_error_m=0.2, cone_error_deg=4.0,
    )  # fmt: skip
    assert ((depth.low <= echo) & (echo <= depth.high)).mean() >= 0.90
    wide = 2 * echo * np.tan(np.radians(cone / 2))
    assert ((width.low <= wide) & (wide <= width.high)).mean() >= 0.90
    # Worked value: 20 deg at 10 m covers 3.5265 m.
    d, w = depth_and_width(0, 200, 100, 20, 20)
    assert (float(d.value), float(w.value)) == pytest.approx((10, 3.5265), abs=5e-5)


@pytest.mark.parametrize(
    ("bad", "told"),
    [
        (lambda: fish_length(((0, 0), (0, 0)), ((0, 0), (9, 0)), 100), "farther apart"),
        (lambda: fish_length(((0, 0), (np.nan, 9)), ((0, 0), (9, 0)), 100), "finite"),
        (lambda: fish_length(((0, 0), (99, 0)), ((0, 0), (99, 0)), 0), "size of the reference"),
        (lambda: fish_length(((0, 0), (99, 0)), ((0, 0), (99, 0)), 9, distance_error=0.6), "share of the distance"),
        (lambda: fish_length(((0, 0), (99, 0)), ((0, 0), (99, 0)), 9, reference_error_mm=9), "below its size"),
        (lambda: fish_length(((0, 0), (99, 0)), ((0, 0), (99, 0)), 9, turned_deg=80), "angle"),
        (lambda: target_height(0, 300, 100, 200, 150, 30), "one side"),
        (lambda: target_height(0, 0, 1, 2, 3, 30), "one side"),
        (lambda: target_height(0, 300, -100, 100, 150, 30), "one side"),
        (lambda: target_height(0, 300, 100, 200, 250, np.inf), "range"),
        (lambda: depth_and_width(100, 50, 120, 10, 20), "below the surface"),
        (lambda: depth_and_width(0, 50, -1, 10, 20), "below the surface"),
        (lambda: depth_and_width(0, 50, 20, np.nan, 20), "known depth"),
    ],
)  # fmt: skip
def test_what_cannot_be_measured_is_refused(bad, told):
    with pytest.raises(ValueError, match=told):
        bad()
