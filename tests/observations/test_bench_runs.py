"""The bench at a small size: it seeds, measures the same answer four ways, and says what it found."""

import pytest
from django.utils import timezone

from observations.bench import federation, maps
from observations.bench.timing import Figure, interleaved
from observations.management.commands.bench import measure
from spots.models import Grant, SpotZone
from tests.conftest import fill_reference_data


@pytest.mark.django_db
def test_every_figure_is_measured_beside_a_yardstick_that_returns_the_same_text() -> None:
    """`maps.figures` refuses to measure when the bare queries and the request do not agree to the byte."""
    fill_reference_data()
    told: list[str] = []
    found = measure(federation.QUICK, 1, told.append)
    names = [figure["name"] for figure in found["figures"]]
    assert [name for name in names if name.startswith("map")] == [
        "map request, signed in, whole",
        "map query with precision and policies, signed in",
        "map request, signed out, whole",
        "map query with precision and policies, signed out",
    ]
    assert any(name.startswith("presence fit") for name in names)
    assert any(name.startswith("one new look to refreshed history, 30") for name in names)
    assert any(name.startswith("full refit") for name in names)
    presence = next(figure for figure in found["figures"] if figure["name"].startswith("presence fit"))
    assert "NOT KEPT" not in presence["note"]  # the same optimum as scipy's, whatever the time
    assert all(figure["ms"] > 0 and figure["yardstick_ms"] > 0 for figure in found["figures"])
    assert any("ratio" in line for line in told)


@pytest.mark.django_db
def test_the_federation_has_grants_of_every_kind() -> None:
    fill_reference_data()
    federation.seed(federation.QUICK, timezone.now())
    assert SpotZone.objects.exists()
    grants = Grant.objects.all()
    for kind in (
        {"starts_at__isnull": False},
        {"ends_at__isnull": False},
        {"replaced_at__isnull": False},
        {"audience__startswith": "team:"},
        {"audience__startswith": "member:"},
        {"audience": "public"},
        {"level": None},
        {"audience": "members", "level": 3},
    ):
        assert grants.filter(**kind).exists(), kind


def test_a_figure_is_kept_only_within_its_ratio() -> None:
    figure = Figure("a", "b", ms=30, yardstick_ms=10, most=2.5, runs=3)
    assert figure.ratio == 3 and not figure.kept
    assert "NOT KEPT" in figure.line()
    assert Figure("a", "b", ms=20, yardstick_ms=10, most=2.5, runs=3).kept


def test_works_take_turns_and_the_first_turn_is_not_counted() -> None:
    turns: list[str] = []
    assert len(interleaved([lambda: turns.append("a"), lambda: turns.append("b")], 3)) == 2
    assert "".join(turns) == "abababab"


def test_the_yardstick_is_refused_when_it_answers_otherwise(
    monkeypatch: pytest.MonkeyPatch, db: None
) -> None:
    fill_reference_data()
    seeded = federation.seed(federation.QUICK, timezone.now())
    monkeypatch.setattr(maps, "_text_of", lambda client, path: "[]")
    with pytest.raises(AssertionError, match="own text"):
        maps.figures(seeded, 1, 20)
