"""The log page saves a look with each of the seven methods, with just what that method says."""

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from observations.models import Call, Finding, Method
from tests.conftest import Cast, Places
from tests.observations.log_page import CALLED, post, saved

ClientOf = Callable[..., Client]


@pytest.fixture(autouse=True)
def _quiet(quiet_queue: SimpleNamespace) -> None:
    pass


@pytest.mark.parametrize("method", ["2d", "down", "side", "forward", "eye"])
def test_a_look_with_echoes_and_a_call(method: str, places: Places, client_of: ClientOf) -> None:
    look = saved(post(client_of("member"), places.shared, method, **CALLED, g0__size="large"))
    assert (look.method, look.observer.username, look.scope, look.minutes) == (method, "member", "club", None)
    [group] = look.groups.all()
    assert (group.band, group.placement) == ("4-8", "over")
    assert (group.call.species_id, group.call.probability, group.call.size) == ("crappie", 0.8, "large")
    assert group.call.seal == Call.Seal.SERVER
    assert abs((timezone.now() - group.call.sealed_at).total_seconds()) < 60


@pytest.mark.parametrize("method", ["2d", "down", "side", "forward", "eye"])
def test_nothing_there_takes_a_method_and_none(method: str, places: Places, client_of: ClientOf) -> None:
    look = saved(post(client_of("member"), places.shared, method, g0__band="none", g0__call="crappie"))
    [group] = look.groups.all()
    assert (group.band, hasattr(group, "call")) == ("none", False)


@pytest.mark.parametrize(("method", "fate"), [("camera", ""), ("rod", "swam off")])
def test_fish_found(method: str, fate: str, places: Places, client_of: ClientOf) -> None:
    answer = post(
        client_of("member"),
        places.shared,
        method,
        found="fish",
        minutes="12",
        lines="2",
        what="small jig",
        response="landed",
        f0__species="white-crappie",
        f0__count="3",
        f0__lengths="312 298",
        f0__depth="4.5",
        f0__fate="swam off",
        f1__species="bluegill",
    )
    look = saved(answer)
    first, second = look.findings.order_by("-count")
    assert (first.species_id, first.count, first.lengths_mm, first.depth_m) == (
        "white-crappie",
        3,
        [312, 298],
        4.5,
    )
    assert (first.fate, second.species_id, second.count) == (fate, "bluegill", 1)
    assert look.minutes == 12
    is_rod = method == Method.ROD
    assert look.rod_hours == (0.4 if is_rod else None)  # 2 lines × 12 minutes
    assert [one.what for one in look.presentations.all()] == (["small jig"] if is_rod else [])


@pytest.mark.parametrize("method", ["camera", "rod"])
def test_nothing_found(method: str, places: Places, client_of: ClientOf) -> None:
    look = saved(post(client_of("member"), places.shared, method, found="nothing", minutes="6"))
    assert (look.minutes, look.findings.count()) == (6, 0)


def test_what_the_page_hides_for_a_method_is_neither_read_nor_refused(
    places: Places, client_of: ClientOf
) -> None:
    hidden = {"minutes": "nan", "lines": "-1", "f0__count": "x", "f0__species": "bluegill", "found": "fish"}
    look = saved(post(client_of("member"), places.shared, "forward", **CALLED, **hidden))
    assert (look.minutes, look.rod_hours, look.findings.count()) == (None, None, 0)
    look = saved(
        post(client_of("member"), places.shared, "camera", found="nothing", minutes="5", g0__depth="x")
    )
    assert look.groups.count() == 0


def test_another_kind_and_another_number(places: Places, client_of: ClientOf) -> None:
    called = CALLED | {
        "g0__call": "other",
        "g0__call_other": "walleye",
        "g0__sure": "other",
        "g0__sure_other": "35",
    }
    look = saved(post(client_of("member"), places.shared, "down", **called))
    call = look.groups.get().call
    assert (call.species_id, call.probability) == ("walleye", 0.35)


def test_unsure_is_a_look_without_a_call(places: Places, client_of: ClientOf) -> None:
    look = saved(post(client_of("member"), places.shared, "side", **CALLED | {"g0__call": "unsure"}))
    assert not hasattr(look.groups.get(), "call")


def test_two_groups_each_with_its_call(places: Places, client_of: ClientOf) -> None:
    more = {"g1__band": "1-3", "g1__call": "not-fish", "g1__sure": "60"}
    look = saved(post(client_of("member"), places.shared, "forward", **CALLED, **more))
    calls = [(group.band, group.call.species_id) for group in look.groups.order_by("order")]
    assert calls == [("4-8", "crappie"), ("1-3", "not-fish")]


def test_conditions_settings_and_note(places: Places, client_of: ClientOf) -> None:
    look = saved(
        post(
            client_of("member"),
            places.shared,
            "2d",
            g0__band="none",
            water_temp="19,4",
            water_temp_depth="1",
            secchi="1.8",
            clarity="stained",
            pool_level="-1.2",
            wind="3",
            wind_from="270",
            sky="overcast",
            note="kept downwind",
            setting="200 kHz, 20 degrees",
            small_filtered="on",
        )
    )
    assert (look.water_temp_c, look.water_temp_depth_m, look.secchi_m, look.pool_level_m) == (
        19.4,
        1,
        1.8,
        -1.2,
    )
    assert (look.clarity, look.wind_m_s, look.wind_from_deg, look.sky) == ("stained", 3, 270, "overcast")
    assert (look.note, look.settings["text"]) == ("kept downwind", "200 kHz, 20 degrees")
    assert look.settings["small_filtered"] is True
    assert look.settings["typed"]["water_temp"] == ["19,4", "°C"]


def test_saving_wakes_the_worker_and_makes_the_spot_due(
    places: Places, client_of: ClientOf, quiet_queue: SimpleNamespace, django_capture_on_commit_callbacks: Any
) -> None:
    from observations.models import Due

    Due.objects.all().delete()
    with django_capture_on_commit_callbacks(execute=True):
        saved(post(client_of("member"), places.shared, "forward", **CALLED))
    assert quiet_queue.wakes == 1
    assert [due.spot_id for due in Due.objects.all()] == [places.shared.pk]


def test_the_page_that_follows_says_what_was_sealed(cast: Cast, places: Places, client_of: ClientOf) -> None:
    client = client_of("member")
    page = client.get(post(client, places.shared, "forward", **CALLED)["Location"]).content.decode()
    group = Finding._meta.get_field("settles").related_model.objects.get()  # type: ignore[union-attr]
    assert "4–8 echoes over the cover, called crappie, 80\u00a0% sure" in page
    for method in ("camera", "rod"):
        assert f"/log/?spot={places.shared.pk}&amp;method={method}&amp;settles={group.pk}" in page
