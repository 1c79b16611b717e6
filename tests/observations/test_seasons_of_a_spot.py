"""Seasons besides the months: water temperature, catch rates, depth and placement, as stored and as told."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from django.db import IntegrityError, transaction
from django.test import Client

from club.viewer import working
from observations import jobs
from observations.computing import histories, histories_below_exact, scopes_of
from observations.enough import told_cells
from observations.evidence import gather_club
from observations.inference.club_season import fit_season
from observations.inference.results import ClubFit
from observations.models import Confirmation, EchoGroup, Finding, History, Refit
from tests.conftest import Cast, Places, found, look, sonar

MAY = datetime(2026, 5, 12, 11, tzinfo=UTC)
JULY = datetime(2026, 7, 14, 11, tzinfo=UTC)
PLACED = {"placement": "over", "depth_m": 4.2}


@pytest.fixture
def book(cast: Cast, places: Places, quiet_queue: Any) -> None:
    """One spot, by hand.

    12 May  down     called white crappie over the cover at 4.2 m, water 16.5
            camera   6 min, 3 of the same crappie at 4.5 m, no temperature read (the visit's counts)
    13 May  rod      2 rod-hours, 4 crappie, water 17
    14 Jul  rod      5 rod-hours, nothing, water 26
    15 Jul  camera   5 min, nothing, no temperature all day
    """
    spot = places.shared
    look(
        cast,
        "member",
        spot,
        "down",
        MAY,
        groups=sonar("white-crappie", 0.7, **PLACED),
        water_temp_c=16.5,
    )
    look(cast, "member", spot, "camera", MAY + timedelta(minutes=20), minutes=6,
         findings=found("white-crappie", 3, tie="same fish", depth_m=4.5))  # fmt: skip
    look(cast, "captain", spot, "rod", MAY + timedelta(days=1), rod_hours=2.0, water_temp_c=17.0,
         findings=found("white-crappie", 4))  # fmt: skip
    look(cast, "rival", spot, "rod", JULY, rod_hours=5.0, water_temp_c=26.0)
    look(cast, "checker", spot, "camera", JULY + timedelta(days=1), minutes=5)


def row(places: Places, edition: str = "live", code: str = "white-crappie", scope: str = "club") -> History:
    return History.objects.get(spot=places.shared, species=code, scope=scope, edition=edition)


def test_effort_and_grades_stand_in_the_band_of_the_look_or_of_its_visit(book: None, places: Places) -> None:
    jobs.refit()
    crappie = row(places)
    told = [(b["from_c"], b["looks"], b["camera_minutes"], b["rod_hours"], b["grade"]) for b in crappie.bands]
    assert told == [
        (None, 0, 0.0, 0.0, ""),
        (5.0, 0, 0.0, 0.0, ""),
        (10.0, 0, 0.0, 0.0, ""),
        (15.0, 3, 6.0, 2.0, "landed"),
        (20.0, 0, 0.0, 0.0, ""),
        (25.0, 1, 0.0, 5.0, "none"),
    ]
    assert all(0 <= b["low"] <= b["probability"] <= b["high"] <= 1 for b in crappie.bands)
    assert crappie.bands[3]["probability"] > crappie.bands[5]["probability"]


def test_catch_rates_are_fish_over_hours_and_borrow_where_nobody_fished(book: None, places: Places) -> None:
    jobs.refit()
    told = row(places).catches
    assert (told["all"]["caught"], told["all"]["rod_hours"]) == (4, 7.0)
    may, july, january = (told["months"][m - 1] for m in (5, 7, 1))
    assert (may["caught"], may["rod_hours"]) == (4, 2.0) and may["own"] > 0
    assert july["caught"] == 0 and 0.0 <= july["low"] < july["rate"] <= july["high"]
    assert january["own"] == 0.0 and january["rod_hours"] == 0.0 and january["rate"] > 0
    assert may["rate"] > july["rate"] and told["bands"][3]["caught"] == 4


def test_depth_and_placement_are_counted_of_finds_and_of_echoes_called(book: None, places: Places) -> None:
    jobs.refit()
    told = row(places).places
    assert told["found"] == {
        "entries": 2,
        "fish": 7,
        "depths": [{"from_m": 4.0, "to_m": 5.0, "entries": 1}],
        "placements": {"over": 1},
    }
    assert told["middle_day"] is None, "two finds have no middle"
    assert told["called"]["entries"] == 1 and told["called"]["placements"] == {"over": 1}
    assert row(places, code="bluegill").places["found"]["entries"] == 0


def test_a_private_group_lends_a_shared_finding_no_placement(
    cast: Cast, places: Places, quiet_queue: Any
) -> None:
    private = sonar("bluegill", 0.7, **PLACED)
    look(cast, "member", places.shared, "down", MAY, groups=private, scope=f"member:{cast.member.pk}")
    look(cast, "member", places.shared, "camera", MAY + timedelta(minutes=9), minutes=6,
         findings=found("bluegill", 1, tie="same fish"))  # fmt: skip
    assert EchoGroup.objects.filter(proofs__isnull=False).exists(), "the finding settles the private group"
    jobs.refit()
    assert row(places, code="bluegill").places["found"]["placements"] == {}


def test_the_spot_job_and_the_refit_tell_the_same_seasons(book: None, places: Places) -> None:
    jobs.refit(moment := JULY + timedelta(days=20))
    key, refit = places.shared.pk, Refit.objects.get(is_current=True)
    with working(moment):
        fit = ClubFit.from_dict(refit.parameters)
        again = histories(scopes_of([key]), fit, refit, moment, moment)
        again += histories_below_exact([key], fit, refit, moment, moment)
    kept = History.objects.filter(spot=key).order_by("species_id", "scope", "edition")
    for old, new in zip(kept, sorted(again, key=lambda r: (r.species_id, r.scope, r.edition)), strict=True):
        assert (old.catches, old.places) == (new.catches, new.places)
        for one, other in zip(old.bands, new.bands, strict=True):
            for name in ("probability", "low", "high"):
                assert abs(one[name] - other[name]) < 1e-8
            assert (one["looks"], one["grade"]) == (other["looks"], other["grade"])


def test_below_exact_no_depth_is_told_and_a_band_goes_by_the_month(
    book: None, cast: Cast, places: Places, client_of: Callable[[str], Client]
) -> None:
    landed = Finding.objects.filter(look__method="rod")
    Confirmation.objects.create(
        finding=landed.get(), checker=cast.checker, named_species_id="white-crappie", decision="confirmed"
    )
    jobs.refit()
    published = row(places, "published")
    assert published.places == {}
    assert published.catches == {}, "two anglers' hours, though four looked"
    may = {b["from_c"] for b in published.bands if b["grade"] == "verified"}
    assert len(may) == 1, "all looks of May lie in one band, whatever the water was that day"
    with pytest.raises(IntegrityError, match="no_depth_below_exact"), transaction.atomic():
        published.places = {"found": {}}
        published.save()
    address = f"/api/spots/{places.shared.pk}/history/"
    told = client_of("member").get(address).json()["species"][0]
    assert (
        told["places"]["found"]["entries"] == 2
        and len(told["bands"]) == 6
        and told["catch"]["all"]["own"] > 0
    )
    for persona in ("guest", "nobody"):
        (entry,) = client_of(persona).get(address).json()["species"]
        assert entry["places"] is entry["catch"] is None
    look(cast, "newcomer", places.shared, "rod", JULY + timedelta(days=2), rod_hours=1.04)
    refit, later = Refit.objects.get(is_current=True), JULY + timedelta(days=20)
    with working(later):
        fit = ClubFit.from_dict(refit.parameters)
        told = histories_below_exact([places.shared.pk], fit, refit, later, later)
    assert {one.catches["all"]["rod_hours"] for one in told} == {8.0}, "three anglers' 8.04, roughly"
    for one in told:
        hours, minutes = ([m[name] for m in one.months] for name in ("rod_hours", "camera_minutes"))
        assert hours == minutes == [None if m in (5, 7) else 0.0 for m in range(1, 13)], "of one or two each"
        assert [cell is None for cell in one.catches["months"]] == [m in (5, 7) for m in range(1, 13)]
        warm = [number for number, band in enumerate(one.bands) if band["looks"]]
        assert warm and all(
            one.bands[number]["rod_hours"] is one.catches["bands"][number] is None for number in warm
        )


def test_what_three_did_is_told_and_no_difference_tells_what_fewer_did() -> None:
    def told(*cells: str) -> list[bool]:
        """Each cell is its members, an hour each."""
        where = np.array([number for number, who in enumerate(cells) for _ in who])
        who = np.array([ord(member) for members in cells for member in members])
        return [bool(tell) for tell in told_cells(where, who, np.ones(len(who)), len(cells))]

    assert told("abc", "", "abcd") == [True] * 3
    assert told("abc", "a", "abcd") == [False, False, True], "the year less the others would be a's"
    assert told("abc", "ab", "ac", "b") == [True, False, False, False]
    assert told("aab", "a") == [False, False]


def test_a_private_rod_day_changes_no_season_but_its_owners(book: None, cast: Cast, places: Places) -> None:
    jobs.refit(moment := JULY + timedelta(days=20))
    refit, key = Refit.objects.get(is_current=True), places.shared.pk
    look(cast, "rival", places.shared, "rod", JULY + timedelta(days=2), rod_hours=9.0, water_temp_c=4.0,
         findings=found("bluegill", 8), scope=f"member:{cast.rival.pk}")  # fmt: skip
    with working(moment):
        fit = ClubFit.from_dict(refit.parameters)
        again = histories(scopes_of([key]), fit, refit, moment, moment)
        club = gather_club(fit.taxa, moment).evidence
    for told in (one for one in again if one.scope == "club"):
        kept = row(places, code=told.species_id)
        assert (kept.bands, kept.catches, kept.places) == (told.bands, told.catches, told.places)
    assert fit_season(fit, club).to_dict() == refit.season
    (own,) = (one for one in again if one.scope == f"member:{cast.rival.pk}" and one.species_id == "bluegill")
    assert own.catches["all"]["caught"] == 8 and own.bands[0]["rod_hours"] == 9.0


def test_without_temperatures_and_rods_there_are_no_bands_and_no_rates(
    cast: Cast, places: Places, quiet_queue: Any
) -> None:
    look(cast, "member", places.shared, "camera", MAY, minutes=6, findings=found("bluegill", 1))
    jobs.refit()
    bluegill = row(places, code="bluegill")
    assert bluegill.bands == [] and bluegill.catches == {}
