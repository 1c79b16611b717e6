"""Sun and moon of the water stand as times where a look is logged, sealed and laid side by side."""

from collections.abc import Callable
from datetime import timedelta
from types import SimpleNamespace

import pytest
from django.contrib.gis.geos import Point
from django.test import Client
from django.utils import timezone

from spots.services import SpotDraft, create_spot
from tests.conftest import NOON, Cast, Places, look, see, sonar

ClientOf = Callable[..., Client]
# The middle of the test water, 45.03 N 93.27 W, on 15 June 2026, as skyfield 1.55 with DE421 gives it.
SUN, TWILIGHT = "rises 05:26, sets 21:02", "civil 04:48 to 21:39"


@pytest.fixture(autouse=True)
def _quiet(quiet_queue: SimpleNamespace) -> None:
    pass


def page(client: Client, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200
    return answer.content.decode()


def test_the_log_page_and_the_water_have_todays(places: Places, client_of: ClientOf) -> None:
    for path in (f"/log/?spot={places.shared.pk}", f"/waters/{places.shared.water_id}/"):
        text = page(client_of("member"), path)
        assert "<dt>Sun</dt>" in text and "<dt>Moon</dt>" in text, path


def test_a_look_has_those_of_its_own_day(cast: Cast, places: Places, client_of: ClientOf) -> None:
    one = look(cast, "member", places.shared, "2d", NOON, groups=sonar())
    for path in (f"/log/{one.pk}/", f"/spots/{places.shared.pk}/side-by-side/"):
        text = page(client_of("member"), path)
        assert SUN in text and TWILIGHT in text, path


def test_they_are_the_waters_and_the_same_wherever_a_spot_lies(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    draft = SpotDraft(
        water=places.shared.water,
        name="East end",
        scope=f"member:{cast.member.pk}",
        point=Point(-93.241, 45.059, srid=4326),
    )
    with see(cast, "member"):
        east = create_spot(draft, cast.viewer("member"), timezone.now())[0]
    one = look(cast, "member", east, "2d", NOON + timedelta(minutes=1), groups=sonar())
    assert SUN in page(client_of("member"), f"/log/{one.pk}/")
