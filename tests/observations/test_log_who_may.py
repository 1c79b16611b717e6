"""Who may log where, and whose looks one sees: the allowed and the refused stand side by side."""

import re
import uuid
from collections.abc import Callable
from datetime import timedelta

import pytest
from django.http import HttpResponse
from django.test import Client
from django.utils import timezone

from observations.models import Observation
from tests.conftest import PERSONAS, Cast, Places, look, sonar
from tests.observations.log_page import CALLED, errors, post, saved

ClientOf = Callable[..., Client]
EVERYBODY = {"organiser", "checker", "member", "teammate", "captain", "rival", "newcomer"}
# Who sees each spot exactly: at `club` the members' default is an area.
EXACT = {
    "club": {"organiser"},
    "shared": EVERYBODY,
    "private": {"member"},
    "team": {"teammate", "captain"},
}


def without_token(answer: HttpResponse) -> str:
    """Return a page without its CSRF token, which differs on every page."""
    return re.sub(r'value="[A-Za-z0-9]{64}"', "", answer.content.decode())


@pytest.mark.parametrize("persona", PERSONAS)
def test_one_logs_only_where_one_sees_exactly(persona: str, places: Places, client_of: ClientOf) -> None:
    client = client_of(persona)
    for name, allowed in EXACT.items():
        spot = getattr(places, name)
        opened = client.get(f"/log/?spot={spot.pk}").status_code
        before = Observation.objects.count()
        posted = post(client, spot, "forward", **CALLED)
        gained = Observation.objects.count() - before
        if persona in allowed:
            assert (opened, gained) == (200, 1), name
            assert saved(posted).observer.username == persona
        elif persona == "nobody":
            assert (opened, posted.status_code, gained) == (302, 302, 0), name
            assert posted["Location"].startswith("/sign-in/")
        elif persona == "guest":
            assert (opened, posted.status_code, gained) == (404, 404, 0), name
        else:
            assert (opened, gained) == (404, 0), name


def test_a_hidden_spot_and_one_that_never_was_answer_alike(places: Places, client_of: ClientOf) -> None:
    client = client_of("rival")
    hidden = client.get(f"/log/?spot={places.private.pk}")
    never = client.get(f"/log/?spot={uuid.uuid4()}")
    assert hidden.status_code == never.status_code == 404
    assert without_token(hidden) == without_token(never)
    words = [errors(client, spot, "2d", g0__band="none") for spot in (places.private, places.team)]
    unknown = client.post("/log/", {"spot": str(uuid.uuid4())}, headers={"accept": "application/json"}).json()
    assert words == [{"spot": ["Choose a spot that you see exactly."]}] * 2
    assert unknown["errors"] == words[0]


@pytest.mark.parametrize(
    ("persona", "seen"),
    [
        ("member", {"Canary Shared Pile", "Canary Private Laydown"}),
        ("captain", {"Canary Shared Pile", "Canary Team Ledge"}),
        ("organiser", {"Canary Shared Pile", "Canary Club Crib"}),
        ("rival", {"Canary Shared Pile"}),
    ],
)
def test_the_choice_of_spots_holds_the_exact_ones_alone(
    persona: str, seen: set[str], places: Places, client_of: ClientOf
) -> None:
    client = client_of(persona)
    names = {"Canary Shared Pile", "Canary Private Laydown", "Canary Team Ledge", "Canary Club Crib"}
    for address in ("/log/?choose=1", "/log/spots/?q=canary", "/log/spots/?q="):
        page = client.get(address).content.decode()
        assert {name for name in names if name in page} == seen, address
    assert "No spot that you see exactly" in client.get("/log/spots/?q=walrus").content.decode()


def test_a_look_is_told_to_its_observer_alone(cast: Cast, places: Places, client_of: ClientOf) -> None:
    seen = look(
        cast, "member", places.shared, "2d", timezone.now() - timedelta(hours=1), groups=sonar("crappie", 0.8)
    )
    group = seen.groups.get()
    for persona in PERSONAS:
        client = client_of(persona)
        status = client.get(f"/log/{seen.pk}/").status_code
        undone = client.post(f"/log/{seen.pk}/undo/").status_code if persona != "member" else None
        withdrawn = (
            client.post(f"/log/{seen.pk}/withdraw/{group.pk}/").status_code if persona != "member" else None
        )
        if persona == "member":
            assert status == 200
        elif persona == "nobody":
            assert (status, undone, withdrawn) == (302, 302, 302)
        else:
            assert (status, undone, withdrawn) == (404, 404, 404)
    seen.refresh_from_db()
    group.call.refresh_from_db()
    assert (seen.withdrawn_at, group.call.withdrawn_at) == (None, None)


def test_the_scope_is_the_spots_unless_narrowed(cast: Cast, places: Places, client_of: ClientOf) -> None:
    captain, team, own = client_of("captain"), f"team:{cast.alder.pk}", f"member:{cast.captain.pk}"
    cases = [
        ("shared", "", "club"),
        ("shared", team, team),
        ("shared", own, own),
        ("team", "", team),
        ("team", own, own),
    ]
    for name, said, becomes in cases:
        look_saved = saved(post(captain, getattr(places, name), "2d", g0__band="none", scope=said))
        assert look_saved.scope == becomes, (name, said)
    assert "scope" in errors(captain, places.team, "2d", g0__band="none", scope="club")
    rivals = f"team:{cast.bittern.pk}"
    assert "scope" in errors(captain, places.shared, "2d", g0__band="none", scope=rivals)
