"""A look where no spot is: a private spot is made here, or where the boat sees the target, and logged at."""

import uuid
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client
from pyproj import Geod

from observations.models import Observation
from spots.models import Grant, Position, Spot
from tests.conftest import Cast, Places, see
from tests.observations.log_page import post, saved

ClientOf = Callable[..., Client]
FIX = "45.030000, -93.270000"


@pytest.fixture(autouse=True)
def _quiet(quiet_queue: SimpleNamespace) -> None:
    pass


def made(answer: Any) -> Spot:
    assert answer.status_code == 302, answer.content.decode()[:3000]
    return Spot.objects.get(pk=answer["Location"].split("spot=")[1].split("&")[0])


def sent(**more: Any) -> dict[str, Any]:
    return {"id": str(uuid.uuid4()), "how": "here", "position": FIX, **more}


def test_a_point_here_is_a_spot_of_ones_own_and_the_look_stands_there(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    member = client_of("member")
    answer = member.post("/log/here/", sent(fixed=FIX, accuracy="6", method="2d"))
    spot = made(answer)
    assert answer["Location"].endswith("&method=2d")
    position = Position.objects.get(spot=spot)
    assert (position.source, position.error_m, position.typed) == ("phone", 6.0, FIX)
    assert (spot.scope, spot.water_id) == (f"member:{cast.member.pk}", places.shared.water_id)
    assert [grant.audience for grant in Grant.objects.filter(spot=spot)] == [f"member:{cast.member.pk}"]
    assert spot.sheet.name.startswith("Point, ")
    for persona in ("organiser", "rival", "teammate"):
        with see(cast, persona):
            assert not Spot.objects.filter(pk=spot.pk).exists(), persona
    one = saved(post(member, spot, "2d", g0__band="none"))
    assert (one.spot_id, one.scope) == (spot.pk, f"member:{cast.member.pk}")


def test_a_position_typed_over_the_fix_is_typed_and_its_error_unknown(
    places: Places, client_of: ClientOf
) -> None:
    spot = made(
        client_of("member").post("/log/here/", sent(position="45.031, -93.27", fixed=FIX, accuracy="6"))
    )
    position = Position.objects.get(spot=spot)
    assert (position.source, position.error_m) == ("typed", None)


def test_a_target_seen_from_the_boat(places: Places, cast: Cast, client_of: ClientOf) -> None:
    cast.member.length_unit = "ft"
    cast.member.save()
    data = sent(how="bearing", bearing="135", range="80", fixed=FIX, accuracy="4", name="Crib by the point")
    position = Position.objects.get(spot=made(client_of("member").post("/log/here/", data)))
    east, north, _ = Geod(ellps="WGS84").fwd(-93.27, 45.03, 135, 80 * 0.3048)
    assert (position.point.x, position.point.y) == pytest.approx((east, north), abs=1e-9)
    assert (position.source, position.boat.coords, position.bearing_deg) == ("bearing", (-93.27, 45.03), 135)
    assert position.range_m == pytest.approx(24.384)
    assert position.typed == f"{FIX}; 135°, 80 ft"
    assert position.error_m == pytest.approx(6.4, abs=0.1)  # hypot(4, 24.384 tan 10°, 2.4384)


@pytest.mark.parametrize(
    ("more", "field", "words"),
    [
        ({"position": "46.5, -94.5"}, "position", "It lies on no water"),
        ({"position": "-93.27, 45.03"}, "position", "exchanged"),
        ({"position": "here"}, "position", "here"),
        ({"position": ""}, "position", "Give a position"),
        ({"how": "bearing", "range": "20"}, "bearing", "Give the bearing to the target"),
        ({"how": "bearing", "bearing": "400", "range": "20"}, "bearing", "400 ° is not possible"),
        ({"how": "bearing", "bearing": "40", "range": "0"}, "range", "above 0"),
        ({"how": "bearing", "bearing": "40", "range": "nan"}, "range", '"nan" is not a number'),
        # The boat is on the water, the target is not.
        (
            {"how": "bearing", "position": "45.0599, -93.27", "bearing": "0", "range": "400"},
            "position",
            "on no water",
        ),
        ({"id": "7"}, "id", "valid UUID"),
    ],
)
def test_what_cannot_be_is_refused_by_name_and_nothing_is_saved(
    places: Places, client_of: ClientOf, more: dict[str, str], field: str, words: str
) -> None:
    before = Spot.objects.count()
    member = client_of("member")
    answer = member.post("/log/here/", sent(**more), headers={"accept": "application/json"})
    assert answer.status_code == 422
    assert list(answer.json()["errors"]) == [field] and words in str(answer.json()["errors"])
    page = member.post("/log/here/", sent(**more))
    assert page.status_code == 422 and words in page.content.decode().replace("&quot;", '"')
    assert Spot.objects.count() == before


def test_sent_again_it_is_the_same_spot_and_another_members_number_meets_nobody(
    places: Places, client_of: ClientOf
) -> None:
    data = sent()
    first, again = (made(client_of("member").post("/log/here/", data)) for _ in range(2))
    theirs = made(client_of("rival").post("/log/here/", data))
    assert first == again and first != theirs
    # Nor does the number of a spot that is hidden from the writer.
    hidden = made(client_of("rival").post("/log/here/", sent(id=str(places.private.pk))))
    assert hidden.pk != places.private.pk


def test_guests_and_strangers_make_none(places: Places, client_of: ClientOf) -> None:
    before = Spot.objects.count()
    for persona in ("guest", "nobody"):
        assert client_of(persona).post("/log/here/", sent()).status_code in (302, 403, 404)
    assert (Spot.objects.count(), Observation.objects.count()) == (before, 0)


def test_changing_its_name_keeps_what_is_known_of_its_position(places: Places, client_of: ClientOf) -> None:
    member = client_of("member")
    spot = made(
        member.post("/log/here/", sent(how="bearing", bearing="135", range="30", fixed=FIX, accuracy="4"))
    )
    before = Position.objects.filter(spot=spot).values().get()
    page = member.get(f"/spots/{spot.pk}/edit/")
    form, version = page.context["form"], page.context["version"]
    data = {name: value for name, value in form.initial.items() if value is not None}
    answer = member.post(f"/spots/{spot.pk}/edit/", {**data, "version": version, "name": "The crib"})
    assert answer.status_code == 302, answer.content.decode()[:2000]
    spot.refresh_from_db()
    assert spot.sheet.name == "The crib"
    assert Position.objects.filter(spot=spot).values().get() == before
