"""Who leaves takes their own data along and leaves no open door behind; what they shared stays."""

import csv
import io
import re
import uuid
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import gpxpy
import pytest
from django.contrib.gis.geos import Point
from django.db import connection, transaction
from django.db.utils import ProgrammingError
from django.test import Client
from django.utils import timezone
from PIL import Image

from club.models import ApiToken, Invitation, Member, TeamMembership
from observations.models import Observation
from observations.pictures import clean_picture, store
from spots.disclosure_models import Disclosure
from spots.models import Grant, Position, Sheet, Spot, SpotZone, Water
from spots.services import SpotDraft, create_spot
from tests.conftest import Cast, Places, look, see, sonar
from tests.leaks.positions import Canary, finds

pytestmark = pytest.mark.usefixtures("quiet_queue")

Clients = Callable[..., Client]
PRIVATE = Canary("Canary Private Laydown", -93.287531, 45.032717)
PASSWORD = {"password": "tallow-member"}


@dataclass
class Leaver:
    """`member`, with a private spot, one shared with all members, one shared with them, looks and a token."""

    client: Client
    token: str
    own_shared: Spot
    theirs: Spot


@pytest.fixture
def leaver(cast: Cast, places: Places, water: Water, client_of: Clients) -> Leaver:
    def make(persona: str, name: str, lon: float, audience: str) -> Spot:
        draft = SpotDraft(
            water=water,
            name=name,
            scope=f"member:{getattr(cast, persona).pk}",
            point=Point(lon, 45.0291, srid=4326),
            grants=((audience, 3),),
        )
        with see(cast, persona):
            return create_spot(draft, cast.viewer(persona), timezone.now())[0]

    own = make("member", "Shared Stakes", -93.2719, "members")
    theirs = make("newcomer", "Newcomers Hump", -93.2451, f"member:{cast.member.pk}")
    at = timezone.now() - timedelta(hours=3)
    look(cast, "member", places.private, "2d", at, groups=sonar("white-crappie", 0.7))
    shared = look(cast, "member", places.shared, "2d", at, groups=sonar("bluegill", 0.6))
    TeamMembership.objects.create(team=cast.bittern, member=cast.member)
    data = io.BytesIO()
    Image.new("RGB", (64, 48), "navy").save(data, "PNG")
    data.seek(0)
    with see(cast, "member"):
        store([(clean_picture(data, "camera.png"), None)], shared, cast.member, at)
    return Leaver(client_of("member"), ApiToken.issue(cast.member)[1], own, theirs)


def files_of(answer: Any) -> dict[str, bytes]:
    assert answer.status_code == 200
    assert answer.headers["Content-Disposition"] == 'attachment; filename="own-data.zip"'
    with zipfile.ZipFile(io.BytesIO(b"".join(answer.streaming_content))) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def rows(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode(), newline="")))


def test_own_data_goes_out_whole_and_alone(cast: Cast, places: Places, leaver: Leaver) -> None:
    look(cast, "rival", places.shared, "2d", timezone.now(), groups=sonar("bluegill", 0.6))
    files = files_of(leaver.client.get("/account/data/"))
    names = {"Canary Private Laydown", "Shared Stakes"}
    assert {point.name for point in gpxpy.parse(files["spots.gpx"].decode()).waypoints} == names
    spots = {row["name"]: row for row in rows(files["spots.csv"])}
    assert set(spots) == names
    assert float(spots["Canary Private Laydown"]["lat"]) == pytest.approx(PRIVATE.lat, abs=1e-9)
    looks = rows(files["looks.csv"])
    assert {(row["spot"], row["observer"]) for row in looks} == {
        ("Canary Private Laydown", "Member"),
        ("Canary Shared Pile", "Member"),
    }
    assert [name for name in files if name.startswith("pictures/")]
    text = b"".join(files.values())
    assert b"Newcomers Hump" not in text
    assert b"Canary Club Crib" not in text


def test_everything_ends_at_once(cast: Cast, places: Places, leaver: Leaver) -> None:
    phone = Client()
    phone.force_login(cast.member)
    headers = {"Authorization": f"Token {leaver.token}"}
    assert Client().get("/api/trips/", headers=headers).status_code == 200
    assert leaver.client.post("/account/leave/", {**PASSWORD, "spots": "seal"}).status_code == 302
    member = Member.objects.get(pk=cast.member.pk)
    assert (member.is_active, member.shown_name) == (False, "former member")
    for client in (leaver.client, phone):
        assert client.get("/log/").status_code == 302  # to the sign-in page
        assert not finds(client.get("/api/spots/").content, PRIVATE)
        assert client.get("/export/spots.gpx").status_code == 302
        assert client.get("/account/data/").status_code == 302
    assert Client().get("/api/trips/", headers=headers).status_code == 401
    assert Client().post("/sign-in/", {"username": "member", **PASSWORD}).status_code == 400
    assert not TeamMembership.objects.filter(member=member).exists()
    grant = Grant.objects.get(spot=leaver.theirs, audience=f"member:{member.pk}")
    assert grant.ends_at == member.left_at


def test_an_organiser_who_leaves_takes_their_open_invitations_along(cast: Cast, client_of: Clients) -> None:
    Member.objects.filter(pk=cast.member.pk).update(role="organiser")
    now = timezone.now()
    _, token = Invitation.issue(moment=now, created_by=cast.member)
    _, other_token = Invitation.issue(moment=now, created_by=cast.organiser)
    assert client_of("member").post("/account/leave/", {**PASSWORD, "spots": "seal"}).status_code == 302
    assert Client().get(f"/invitation/{token}/").status_code == 404
    assert Client().get(f"/invitation/{other_token}/").status_code == 200


def test_a_grant_that_was_to_begin_later_never_does(cast: Cast, leaver: Leaver) -> None:
    start = timezone.now() + timedelta(days=3)
    grants = Grant.objects.filter(spot=leaver.theirs, audience=f"member:{cast.member.pk}")
    grants.update(starts_at=start)
    leaver.client.post("/account/leave/", {**PASSWORD, "spots": "seal"})
    assert not grants.exists()


@pytest.mark.parametrize(("choice", "still_shared"), [("seal", True), ("seal-all", False), ("delete", True)])
def test_own_spots_become_what_the_leaver_chose(
    cast: Cast, places: Places, leaver: Leaver, client_of: Clients, choice: str, still_shared: bool
) -> None:
    assert leaver.client.post("/account/leave/", {**PASSWORD, "spots": choice}).status_code == 302
    shown = client_of("newcomer").get("/api/spots/").content
    assert (b"Shared Stakes" in shown) == still_shared
    for persona in ("organiser", "checker", "rival", "newcomer", "nobody"):
        client = client_of(persona)
        assert client.get(f"/spots/{places.private.pk}/").status_code == 404
        for address in ("/api/spots/", "/export/spots.gpx", "/sharing/seen/"):
            assert not finds(client.get(address).content, PRIVATE)
    kept = choice != "delete"
    for model in (Position, Sheet, SpotZone):
        assert model.objects.filter(spot_id=places.private.pk).exists() == kept
    assert Position.objects.filter(spot_id=leaver.own_shared.pk).exists()


def test_shared_looks_stay_without_the_name(
    cast: Cast, places: Places, leaver: Leaver, client_of: Clients
) -> None:
    leaver.client.post("/account/leave/", {**PASSWORD, "spots": "delete"})
    assert Observation.objects.filter(observer=cast.member).count() == 2
    client = client_of("newcomer")
    for address in (f"/spots/{places.shared.pk}/", "/api/observations/", "/export/looks.csv"):
        text = client.get(address).content.decode()
        assert "former member" in text, address
        assert not re.search(r"\bMember\b", text), address


@pytest.mark.parametrize("form", [{"password": "wrong", "spots": "delete"}, {**PASSWORD, "spots": "burn"}])
def test_a_wrong_word_changes_nothing(
    cast: Cast, places: Places, leaver: Leaver, form: dict[str, str]
) -> None:
    assert leaver.client.post("/account/leave/", form).status_code == 400
    assert Member.objects.get(pk=cast.member.pk).is_active
    assert Position.objects.filter(spot_id=places.private.pk).exists()
    assert leaver.client.get("/log/").status_code == 200


def test_the_only_organiser_stays(cast: Cast, client_of: Clients) -> None:
    form = {"password": "tallow-organiser", "spots": "delete"}
    answer = client_of("organiser").post("/account/leave/", form)
    assert answer.status_code == 400
    assert "only organiser" in answer.content.decode()
    assert Member.objects.get(pk=cast.organiser.pk).is_active


def test_removed_members_private_spots_are_sealed_and_theirs_to_fetch(
    cast: Cast, places: Places, leaver: Leaver, client_of: Clients
) -> None:
    organiser = client_of("organiser")
    assert organiser.post(f"/club/members/{cast.member.pk}/end/").status_code == 302
    assert leaver.client.get("/api/trips/").status_code in (401, 403)
    for address in (
        "/",
        "/api/spots/",
        "/export/spots.gpx",
        "/export/looks.csv",
        f"/spots/{places.private.pk}/",
    ):
        for client in (organiser, leaver.client):
            assert not finds(client.get(address).content, PRIVATE), address
    grant = Grant.objects.get(spot=leaver.theirs, audience=f"member:{cast.member.pk}")
    assert grant.ends_at is not None
    files = files_of(Client().post("/hand-over/", {"username": "member", **PASSWORD}))
    assert finds(files["spots.gpx"], PRIVATE)
    assert len(rows(files["looks.csv"])) == 2
    text = b"".join(files.values())
    assert b"Newcomers Hump" not in text
    assert b"Canary Shared Pile" not in text  # the club's: no longer theirs to see


@pytest.mark.parametrize(
    ("username", "password"),
    [("member", "tallow-organiser"), ("organiser", "tallow-organiser"), ("unknown", "x"), ("member", "")],
)
def test_nobody_else_fetches_it(
    cast: Cast, leaver: Leaver, client_of: Clients, username: str, password: str
) -> None:
    client_of("organiser").post(f"/club/members/{cast.member.pk}/end/")
    answer = client_of("organiser").post("/hand-over/", {"username": username, "password": password})
    assert answer.status_code == 400
    assert not finds(answer.content, PRIVATE)


def test_fetching_is_throttled_like_signing_in(cast: Cast, leaver: Leaver, client_of: Clients) -> None:
    client_of("organiser").post(f"/club/members/{cast.member.pk}/end/")
    client = Client()
    statuses = [
        client.post("/hand-over/", {"username": "member", "password": f"x{n}"}).status_code for n in range(6)
    ]
    assert statuses == [400] * 5 + [429]
    assert client.post("/hand-over/", {"username": "member", **PASSWORD}).status_code == 429


def test_owners_are_told_what_the_leaver_had_opened(
    cast: Cast, places: Places, leaver: Leaver, client_of: Clients
) -> None:
    leaver.client.get(f"/spots/{leaver.theirs.pk}/")
    leaver.client.get(f"/spots/{places.shared.pk}/")
    before = client_of("newcomer").get("/sharing/seen/").content.decode()
    assert "left the club" not in before
    leaver.client.post("/account/leave/", {**PASSWORD, "spots": "seal"})
    told = client_of("newcomer").get("/sharing/seen/").content.decode()
    assert "<b>Member</b> left the club" in told
    assert "of Newcomers Hump." in told
    organiser = client_of("organiser").get("/sharing/seen/").content.decode()
    assert "of Canary Shared Pile." in organiser
    assert "Newcomers Hump" not in organiser
    assert Disclosure.objects.filter(viewer_id=cast.member.pk).count() == 2


@pytest.mark.parametrize(
    "change",
    [
        "is_active = false",
        "is_active = false, left_at = now() - interval '1 day'",
        "is_active = false, left_at = current_setting('tallow.moment')::timestamptz, role = 'organiser'",
        "left_at = current_setting('tallow.moment')::timestamptz",
    ],
)
def test_the_database_lets_a_member_leave_and_do_nothing_else(cast: Cast, change: str) -> None:
    with pytest.raises(ProgrammingError), transaction.atomic(), see(cast, "member"):
        connection.cursor().execute(f"UPDATE club_member SET {change} WHERE username = 'member'")


def test_nobody_makes_another_leave(cast: Cast) -> None:
    with see(cast, "rival"):
        cursor = connection.cursor()
        cursor.execute(
            "UPDATE club_member SET is_active = false, left_at = current_setting('tallow.moment')::timestamptz"
            " WHERE id = %s",
            [uuid.UUID(str(cast.member.pk))],
        )
        assert cursor.rowcount == 0


def test_taken_back_they_find_their_own_spots_again(
    cast: Cast, places: Places, leaver: Leaver, client_of: Clients
) -> None:
    leaver.client.post("/account/leave/", {**PASSWORD, "spots": "seal"})
    client_of("organiser").post(f"/club/members/{cast.member.pk}/take-back/")
    cast.member.refresh_from_db()
    client = client_of("member")
    assert finds(client.get("/api/spots/").content, PRIVATE)
    assert client.get(f"/spots/{leaver.theirs.pk}/").status_code == 404
    assert Client().get("/api/trips/", headers={"Authorization": f"Token {leaver.token}"}).status_code == 401
