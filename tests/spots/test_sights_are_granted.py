"""Changing who sees a spot: what is wider is new, what is taken is gone, and nobody else decides."""

from datetime import datetime, timedelta
from itertools import product

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from club.models import Level
from spots.granting import Sight, covers, may_share, seen_as, set_sights, sights_at, trial
from spots.models import Grant
from tests.conftest import Cast, Places, see

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quiet_queue")]

NOW = timezone.now()
DAY = timedelta(days=1)


def change(cast: Cast, places: Places, *sights: Sight, at: datetime = NOW) -> None:
    with see(cast, "member", at):
        set_sights(places.private, sights, cast.viewer("member"), at)


def test_what_is_wanted_is_what_stands(cast: Cast, places: Places) -> None:
    wanted = [
        Sight("members", Level.WATER),
        Sight("members", Level.AREA, NOW + DAY),
        Sight(f"team:{cast.alder.pk}", Level.EXACT, None, NOW + DAY),
    ]
    change(cast, places, *wanted)
    with see(cast, "member"):
        assert set(sights_at(places.private)) == set(wanted)
    change(cast, places)
    with see(cast, "member"):
        assert sights_at(places.private) == []
        assert Grant.objects.filter(spot=places.private).count() == 1  # the owner's


def test_a_narrowing_keeps_the_row_and_a_widening_is_a_new_one(cast: Cast, places: Places) -> None:
    change(cast, places, Sight("members", Level.AREA))
    first = Grant.objects.get(spot=places.private, audience="members")
    change(cast, places, Sight("members", Level.WATER, None, NOW + 9 * DAY), at=NOW + DAY)
    narrowed = Grant.objects.get(spot=places.private, audience="members")
    assert (narrowed.pk, narrowed.known_at, narrowed.level) == (first.pk, NOW, Level.WATER)
    change(cast, places, Sight("members", Level.EXACT), at=NOW + 2 * DAY)
    old, new = Grant.objects.filter(spot=places.private, audience="members").order_by("known_at")
    assert (old.pk, old.replaced_at) == (first.pk, NOW + 2 * DAY)
    assert (new.known_at, new.replaced_at, new.level) == (NOW + 2 * DAY, None, Level.EXACT)
    change(cast, places, Sight("members", Level.HIDDEN), at=NOW + 3 * DAY)
    # What was replaced goes with what replaced it: nobody who is frozen at an earlier moment keeps it.
    assert not Grant.objects.filter(spot=places.private, audience="members", level__gt=0).exists()


@pytest.mark.parametrize(
    ("sight", "field"),
    [
        (Sight("organisers", Level.EXACT), "audience"),
        (Sight("club", Level.EXACT), "audience"),
        (Sight("checkers", Level.EXACT), "audience"),
        (Sight("team:00000000-0000-4000-8000-000000000000", Level.EXACT), "audience"),
        (Sight("member:nobody", Level.EXACT), "audience"),
        (Sight("members public", Level.EXACT), "audience"),
        (Sight("members", 4), "level"),
        (Sight("members", -1), "level"),
        (Sight("members", Level.AREA, NOW + DAY, NOW), "ends_at"),
        (Sight("members", Level.AREA, NOW, NOW), "ends_at"),
    ],
)
def test_a_sight_that_cannot_be_is_refused_by_name(
    cast: Cast, places: Places, sight: Sight, field: str
) -> None:
    with pytest.raises(ValidationError) as refused:
        change(cast, places, sight)
    assert list(refused.value.message_dict) == [field]


def test_only_who_owns_a_spot_shares_it_and_of_a_team_its_captain(cast: Cast, places: Places) -> None:
    who = {
        "private": {"member"},
        "team": {"captain"},
        "club": {"organiser"},
    }
    for name, owners in who.items():
        spot = getattr(places, name)
        for persona in (
            "organiser",
            "checker",
            "member",
            "teammate",
            "captain",
            "rival",
            "newcomer",
            "guest",
        ):
            viewer = cast.viewer(persona)
            with see(cast, persona):
                assert may_share(spot, viewer) is (persona in owners), (name, persona)
                if persona not in owners:
                    with pytest.raises(PermissionDenied):
                        set_sights(spot, [Sight("public", Level.EXACT)], viewer, NOW)


def test_what_is_tried_is_taken_back(cast: Cast, places: Places) -> None:
    spot = places.private
    with see(cast, "member"):
        viewer = cast.viewer("member")
        for audience, level in product(
            ("public", "guest", "members", f"member:{cast.rival.pk}"), Level.values
        ):
            with trial():
                set_sights(spot, [Sight(audience, level)], viewer, NOW)
                seen = seen_as([spot.pk], audience, NOW).get(spot.pk)
            ceiling = Level.AREA if audience in {"public", "guest"} else Level.EXACT
            assert (seen.level if seen else Level.HIDDEN) == min(level, ceiling)
        assert seen_as([spot.pk], "members", NOW) == {}
        assert sights_at(spot) == []


levels = st.one_of(st.none(), st.sampled_from(Level.values))
times = st.one_of(st.none(), st.integers(0, 5).map(lambda day: NOW + day * DAY))
sights = st.builds(Sight, st.just("members"), levels, times, times)


# A busy machine is no fault of the rule.
@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(wide=sights, narrow=sights, default=st.sampled_from(Level.values), day=st.integers(-1, 6))
def test_whoever_covers_gives_at_least_as_much_at_every_moment(
    wide: Sight, narrow: Sight, default: int, day: int
) -> None:
    def gives(sight: Sight, at: datetime) -> int:
        begun = sight.starts_at is None or sight.starts_at <= at
        over = sight.ends_at is not None and sight.ends_at <= at
        level = default if sight.level is None else sight.level
        return level if begun and not over else Level.HIDDEN

    at = NOW + day * DAY
    assert not covers(wide, narrow) or gives(wide, at) >= gives(narrow, at)
