"""One sonar look in ten is asked for the camera, whatever it looks like; odds and refusals are kept."""

import random
import uuid
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client

from observations.camera_check import drawn, key_of
from observations.camera_check_models import CameraCheck
from observations.models import Observation
from tests.conftest import NOON, Cast, Places, look, see, sonar
from tests.observations.log_page import CALLED, errors, post, saved

ClientOf = Callable[..., Client]
ASKED = "Camera on this one, whatever it looks like"


@pytest.fixture(autouse=True)
def _quiet(quiet_queue: SimpleNamespace) -> None:
    pass


@pytest.fixture
def always(settings: Any) -> None:
    settings.CAMERA_CHECK_ODDS = 1.0


def test_about_one_in_ten_is_drawn_and_by_a_key_of_ones_own() -> None:
    lots = random.Random(11)  # noqa: S311
    looks = [uuid.UUID(int=lots.getrandbits(128), version=4) for _ in range(20_000)]
    keys = [key_of(uuid.UUID(int=number)) for number in (1, 2)]
    mine, theirs = ({one for one in looks if drawn(key, one, 0.1)} for key in keys)
    # Four standard deviations of 20,000 draws at one in ten are 170; of chance agreement at one in a hundred, 57.
    assert abs(len(mine) - 2000) < 170 and abs(len(theirs) - 2000) < 170
    assert abs(len(mine & theirs) - 200) < 57
    assert {drawn(keys[0], looks[0], 1.0), drawn(keys[0], looks[0], 0.0)} == {True, False}


@pytest.mark.usefixtures("always")
def test_it_is_asked_after_sealing_and_a_refusal_is_kept_with_the_odds(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    member = client_of("member")
    one = saved(post(member, places.shared, "2d", g0__band="none"))
    assert one.random_check
    assert ASKED in member.get(f"/log/{one.pk}/").content.decode()
    answer = member.post(f"/log/{one.pk}/check/", {"answer": "refused"}, follow=True)
    assert "You said not this time, and that is kept." in answer.content.decode()
    check = CameraCheck.objects.get()
    assert (check.look_id, check.odds, check.answer, check.answered_at is not None) == (
        one.pk,
        1.0,
        "refused",
        True,
    )
    for persona, rows in (("member", 1), ("rival", 0), ("organiser", 0), ("nobody", 0)):
        with see(cast, persona):
            assert CameraCheck.objects.count() == rows, persona
    assert client_of("rival").post(f"/log/{one.pk}/check/", {"answer": "will"}).status_code == 404
    assert member.post(f"/log/{one.pk}/check/", {"answer": "maybe"}).status_code == 302
    check.refresh_from_db()
    assert check.answer == "refused"


@pytest.mark.usefixtures("always")
def test_doing_it_opens_the_camera_and_settles_the_group(places: Places, client_of: ClientOf) -> None:
    member = client_of("member")
    one = saved(post(member, places.shared, "forward", **CALLED))
    answer = member.post(f"/log/{one.pk}/check/", {"answer": "will"})
    group = one.groups.get().pk
    assert answer["Location"] == f"/log/?spot={places.shared.pk}&method=camera&settles={group}"
    page = member.get(answer["Location"]).content.decode()
    assert '<input type="radio" name="method" value="camera" checked>' in page
    saved(post(member, places.shared, "camera", found="nothing", minutes="3", settles=str(group)))
    text = member.get(f"/log/{one.pk}/").content.decode()
    assert "Done: " in text and ASKED not in text


@pytest.mark.usefixtures("always")
def test_an_answer_given_without_signal_comes_with_the_look(places: Places, client_of: ClientOf) -> None:
    member = client_of("member")
    one = saved(post(member, places.shared, "2d", g0__band="none", check="refused"))
    assert one.camera_check.answer == "refused"
    assert list(errors(member, places.shared, "2d", g0__band="none", check="perhaps")) == ["check"]


@pytest.mark.usefixtures("always")
def test_only_a_sonar_look_sealed_as_it_is_made_is_drawn(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    member = client_of("member")
    saved(post(member, places.shared, "camera", found="nothing", minutes="3"))
    saved(post(member, places.shared, "eye", g0__band="none"))
    saved(post(member, places.shared, "2d", g0__band="none", when="2026-05-01T06:30"))
    look(cast, "member", places.shared, "2d", NOON, groups=sonar())
    assert not Observation.objects.filter(random_check=True).exists()
    assert CameraCheck.objects.count() == 0


def test_who_is_not_drawn_is_not_asked(places: Places, client_of: ClientOf) -> None:
    member = client_of("member")
    one = saved(post(member, places.shared, "2d", g0__band="none", check="refused"))
    assert not one.random_check and CameraCheck.objects.count() == 0
    assert ASKED not in member.get(f"/log/{one.pk}/").content.decode()
    assert member.post(f"/log/{one.pk}/check/", {"answer": "refused"}).status_code == 404
