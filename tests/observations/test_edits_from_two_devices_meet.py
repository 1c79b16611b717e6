"""Two devices change the same look or spot: the second is shown both versions, and nothing is lost."""

import json
from collections.abc import Callable
from datetime import timedelta
from types import SimpleNamespace
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.utils import timezone

from observations.log_words import local_time
from observations.models import Observation
from spots.models import Sheet
from tests.conftest import NOON, Cast, Places, look, see, sonar
from tests.spots.event_kit import make_event

ClientOf = Callable[..., Client]


@pytest.fixture(autouse=True)
def _quiet(quiet_queue: SimpleNamespace) -> None:
    pass


@pytest.fixture
def mine(cast: Cast, places: Places) -> Observation:
    return look(
        cast, "member", places.shared, "2d", NOON, groups=sonar("crappie", 0.7),
        utc_offset_min=-300, water_temp_c=20.0, wind_m_s=5.5, sky="clear", note="first\nsecond",
    )  # fmt: skip


def opened(client: Client, url: str) -> dict[str, str]:
    """The form as a browser would send it untouched."""
    page = client.get(url)
    assert page.status_code == 200
    form = page.context["form"]
    data = {name: "" if form[name].value() is None else str(form[name].value()) for name in form.fields}
    return (
        data
        | {"version": page.context["version"]}
        | {f"was-{name}": text for name, text in page.context["was"]}
    )


def test_conditions_and_note_are_put_right_and_the_call_stays(mine: Observation, client_of: ClientOf) -> None:
    client, url = client_of("member"), f"/log/{mine.pk}/edit/"
    data = opened(client, url) | {
        "water_temp": "18,5",
        "platform": "kayak",
        "sky": "",
        "note": "third\r\nline",
    }
    assert client.post(url, data).status_code == 302
    mine.refresh_from_db()
    assert (mine.water_temp_c, mine.platform, mine.sky, mine.note) == (18.5, "kayak", "", "third\nline")
    # What the page has no choice for stays, and so does what was typed.
    assert (mine.wind_m_s, mine.settings["typed"]["water_temp"]) == (5.5, ["18,5", "°C"])
    assert (mine.groups.get().call.species_id, mine.groups.get().call.probability) == ("crappie", 0.7)
    assert opened(client, url)["water_temp"] == "18,5"


def test_what_cannot_be_is_refused_by_name_and_nothing_is_saved(
    mine: Observation, client_of: ClientOf
) -> None:
    client, url = client_of("member"), f"/log/{mine.pk}/edit/"
    data = opened(client, url) | {"water_temp": "61", "note": "half"}
    answer = client.post(url, data)
    assert answer.status_code == 422 and "61 °C is not possible" in answer.content.decode()
    mine.refresh_from_db()
    assert (mine.water_temp_c, mine.note) == (20.0, "first\nsecond")


def test_the_second_device_chooses_between_both_versions(mine: Observation, client_of: ClientOf) -> None:
    phone, desk, url = client_of("member"), client_of("member"), f"/log/{mine.pk}/edit/"
    on_phone, on_desk = opened(phone, url), opened(desk, url)
    assert phone.post(url, on_phone | {"note": "from the phone", "sky": "fog"}).status_code == 302
    answer = desk.post(url, on_desk | {"note": "from the desk", "water_temp": "19"})
    assert answer.status_code == 409
    found = {one.name: one for one in answer.context["differences"]}
    assert {name: one.chosen for name, one in found.items()} == {
        "note": "",
        "sky": "theirs",
        "water_temp": "yours",
    }
    text = answer.content.decode()
    assert "from the phone" in text and "from the desk" in text
    assert f"{local_time(mine):%d %b %Y, %H:%M}" in text, "by the look's own clock"
    mine.refresh_from_db()
    assert (mine.note, mine.water_temp_c) == ("from the phone", 20.0), "nothing is saved before the choice"
    # Sent as the page holds it, with the choice made.
    chosen = dict(answer.context["same"]) | {
        one.name: one.yours for one in found.values() if one.chosen == "yours"
    }
    chosen |= {"sky": found["sky"].theirs, "note": found["note"].yours, "version": answer.context["version"]}
    assert desk.post(url, chosen).status_code == 302
    mine.refresh_from_db()
    assert (mine.note, mine.sky, mine.water_temp_c) == ("from the desk", "fog", 19.0)


def test_the_same_change_from_both_devices_meets_nothing_to_choose(
    mine: Observation, client_of: ClientOf
) -> None:
    client, url = client_of("member"), f"/log/{mine.pk}/edit/"
    data = opened(client, url) | {"note": "once"}
    assert client.post(url, data).status_code == 302
    assert client.post(url, data).status_code == 302, "a retried post is the same change"


def test_a_script_is_told_both_versions_too(mine: Observation, client_of: ClientOf) -> None:
    client, url = client_of("member"), f"/api/observations/{mine.pk}/"

    def patch(version: str | None, body: dict[str, Any], **headers: str) -> Any:
        given = {"If-Match": f'"{version}"'} if version else {}
        return client.patch(
            url, json.dumps(body), content_type="application/json", headers={**given, **headers}
        )

    first = client.get(url)
    version = first.json()["version"]
    assert first["ETag"] == f'"{version}"'
    assert patch(None, {"note": "x"}).status_code == 428
    saved = patch(version, {"note": "one", "conditions": {"secchi_m": 1.5}})
    assert (saved.status_code, saved.json()["conditions"]["secchi_m"], saved.json()["note"]) == (
        200,
        1.5,
        "one",
    )
    stale = patch(version, {"note": "two"}, **{"Idempotency-Key": "k"})
    assert stale.status_code == 409
    assert (stale.json()["yours"], stale.json()["saved"]["note"]) == ({"note": "two"}, "one")
    # The refused one left nothing behind: corrected, it goes through under the same key.
    again = patch(stale.json()["saved"]["version"], {"note": "two"}, **{"Idempotency-Key": "k"})
    assert (again.status_code, again.json()["note"]) == (200, "two")
    wrong = patch(again.json()["version"], {"conditions": {"secchi_m": -1}})
    assert (wrong.status_code, list(wrong.json()["conditions"])) == (400, ["secchi_m"])
    assert patch(again.json()["version"], {"method": "rod"}).status_code == 400, (
        "what is sealed is not in the body"
    )


def test_nobody_else_changes_a_look(cast: Cast, mine: Observation, client_of: ClientOf) -> None:
    for persona in ("rival", "organiser"):
        client = client_of(persona)
        assert client.get(f"/log/{mine.pk}/edit/").status_code == 404
        answer = client.patch(
            f"/api/observations/{mine.pk}/", "{}", content_type="application/json", headers={"If-Match": "x"}
        )
        assert answer.status_code == 403
        with see(cast, persona):
            assert Observation.objects.filter(pk=mine.pk).update(note="theirs") == 0


def test_while_a_cut_off_is_on_a_look_that_others_may_see_stays(
    cast: Cast, places: Places, mine: Observation, client_of: ClientOf
) -> None:
    now = timezone.now()
    url = f"/log/{mine.pk}/edit/"
    client = client_of("member")
    data = opened(client, url) | {"note": "changed under them"}
    make_event(places.shared.water, cutoff_at=now - timedelta(days=1), ends_at=now + timedelta(days=1))
    answer = client.post(url, data, follow=True)
    assert "looks that others may see stay as they are" in answer.content.decode()
    with see(cast, "member"), pytest.raises(IntegrityError), transaction.atomic():
        Observation.objects.filter(pk=mine.pk).update(note="past the page")
    mine.refresh_from_db()
    assert mine.note == "first\nsecond"


def test_two_devices_change_a_spot(cast: Cast, places: Places, client_of: ClientOf) -> None:
    client, url = client_of("member"), f"/spots/{places.private.pk}/edit/"
    on_phone, on_desk = opened(client, url), opened(client, url)
    assert client.post(url, on_phone | {"name": "Phone's name", "notes": "deep side"}).status_code == 302
    answer = client.post(url, on_desk | {"name": "Desk's name", "cover": "laydown"})
    assert answer.status_code == 409
    found = {one.name: (one.yours, one.theirs, one.chosen) for one in answer.context["differences"]}
    assert found["name"] == ("Desk's name", "Phone's name", "")
    assert found["notes"] == ("", "deep side", "theirs")
    chosen = dict(answer.context["same"]) | {"name": "Desk's name", "notes": "deep side"}
    assert client.post(url, chosen | {"version": answer.context["version"]}).status_code == 302
    sheet = Sheet.objects.get(pk=places.private.pk)
    assert (sheet.name, sheet.notes, sheet.cover) == ("Desk's name", "deep side", "laydown")
    # Without the version that it was filled from, nothing is overwritten.
    assert client.post(url, {"name": "Blind"}).status_code == 409
