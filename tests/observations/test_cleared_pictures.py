"""A picture that its owner and a checker clear is everybody's, without spot, water, day or any way back."""

import io
import json
import re
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import pytest
from django.conf import settings
from django.db import DatabaseError, IntegrityError, connection, transaction
from django.test import Client
from django.utils import timezone
from PIL import Image, ImageDraw

from observations import jobs
from observations.clearing_models import Clearance, ClearedPicture
from observations.models import EchoGroup, Finding, Observation, Picture
from observations.pictures import clean_picture, store
from observations.services import confirm
from observations.withdrawing import withdraw_look
from spots.models import Spot
from tests.conftest import Cast, Places, found, look, see, sonar

pytestmark = pytest.mark.usefixtures("quiet_queue")

Clients = Callable[..., Client]
LOOKED = {"looked": "yes"}


def fish() -> io.BytesIO:
    image = Image.new("RGB", (1600, 1200), "darkolivegreen")
    draw = ImageDraw.Draw(image)
    for n in range(0, 1500, 90):
        draw.ellipse((n, 300 + n % 400, n + 160, 380 + n % 400), fill=(200, 180 - n % 90, 90))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=92)
    out.seek(0)
    return out


@dataclass
class Shot:
    picture: Picture
    look: Observation
    spot: Spot


def shot(cast: Cast, spot: Spot, persona: str = "member") -> Shot:
    """A camera look with one bluegill and its picture."""
    at = timezone.now() - timedelta(days=40)
    made = look(cast, persona, spot, "camera", at, minutes=6, findings=found("bluegill", 1))
    finding = Finding.objects.get(look=made)
    with see(cast, persona):
        (picture,) = store([(clean_picture(fish(), "cove.jpg"), finding)], made, getattr(cast, persona), at)
    return Shot(picture, made, spot)


@pytest.fixture
def taken(cast: Cast, places: Places) -> Shot:
    return shot(cast, places.shared)


@pytest.fixture
def cleared(taken: Shot, client_of: Clients) -> ClearedPicture:
    offer(client_of, taken)
    decide(client_of, taken)
    return ClearedPicture.objects.get()


def offer(client_of: Clients, taken: Shot, persona: str = "member") -> int:
    return client_of(persona).post(f"/pictures/{taken.picture.pk}/clear/", LOOKED).status_code


def decide(client_of: Clients, taken: Shot, persona: str = "checker", **form: str) -> int:
    clearance = Clearance.objects.get(picture=taken.picture, ended_at=None)
    path = f"/pictures/offered/{clearance.pk}/"
    return client_of(persona).post(path, {"answer": "clear", **LOOKED, **form}).status_code


def shown() -> list[dict[str, object]]:
    answer = Client().get("/api/pictures/")
    assert answer.status_code == 200
    return list(answer.json()["results"])


def test_what_the_proof_found_stands_beside_it_once_verified(
    cast: Cast, cleared: ClearedPicture, taken: Shot
) -> None:
    assert (cleared.species_id, cleared.number, cleared.length_mm) == (None, 0, 0)
    finding = Finding.objects.get(look=taken.look)
    Finding.objects.filter(pk=finding.pk).update(count=5, lengths_mm=[181, 196])
    with see(cast, "checker"):
        confirm(finding, cast.checker, "bluegill", "confirmed", "", timezone.now())
    cleared.refresh_from_db()
    # The mean of 181 and 196 is 188.5: 190 to the centimetre.
    assert (cleared.species_id, cleared.number, cleared.length_mm) == ("bluegill", 5, 190)


def test_two_people_clear_a_picture_and_everybody_sees_it(cleared: ClearedPicture) -> None:
    (row,) = shown()
    assert row == {
        "id": str(cleared.pk),
        "url": f"/pictures/cleared/{cleared.pk}/",
        "method": "camera",
        "species": None,
        "grade": "",
    }
    answer = Client().get(str(row["url"]))
    assert answer.headers["Content-Type"] == "image/jpeg"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Content-Disposition"] == 'inline; filename="picture.jpg"'
    assert answer.headers["Cache-Control"] == "private, no-store"
    assert Image.open(io.BytesIO(answer.content)).size[0] > 1000
    assert str(cleared.pk) in Client().get("/pictures/").content.decode()


def test_an_offer_alone_shows_nothing(taken: Shot, client_of: Clients) -> None:
    assert offer(client_of, taken) == 302
    assert shown() == []
    assert client_of("newcomer").get("/pictures/").content.count(b"<figure>") == 0


def test_whoever_does_not_say_that_they_looked_clears_nothing(taken: Shot, client_of: Clients) -> None:
    assert client_of("member").post(f"/pictures/{taken.picture.pk}/clear/", {}).status_code == 422
    assert not Clearance.objects.exists()
    offer(client_of, taken)
    decide(client_of, taken, looked="")
    assert shown() == []


@pytest.mark.parametrize("persona", ["rival", "newcomer", "organiser", "checker", "guest"])
def test_only_the_looks_owner_offers_it(taken: Shot, client_of: Clients, persona: str) -> None:
    assert offer(client_of, taken, persona) == 404
    assert client_of(persona).get(f"/pictures/{taken.picture.pk}/clear/").status_code == 404
    assert not Clearance.objects.exists()


@pytest.mark.parametrize("persona", ["member", "newcomer", "organiser", "guest"])
def test_only_a_checker_clears_it(taken: Shot, client_of: Clients, persona: str) -> None:
    offer(client_of, taken)
    assert decide(client_of, taken, persona) == 404
    assert shown() == []


def test_a_checker_does_not_clear_their_own(cast: Cast, places: Places, client_of: Clients) -> None:
    own = shot(cast, places.shared, "checker")
    assert offer(client_of, own, "checker") == 302
    assert b"No picture waits for you" in client_of("checker").get("/pictures/offered/").content
    assert decide(client_of, own, "checker") == 404
    clearance = Clearance.objects.get()
    with pytest.raises(IntegrityError), transaction.atomic(), see(cast, "checker"):
        Clearance.objects.filter(pk=clearance.pk).update(
            checker=cast.checker, cleared_at=timezone.now(), cleared_id=uuid.uuid4()
        )
    assert shown() == []


def test_nothing_ties_a_cleared_picture_to_its_look(
    cast: Cast, taken: Shot, cleared: ClearedPicture, client_of: Clients
) -> None:
    """Ids, bytes, sizes and words: none of the original's is in anything that everybody gets."""
    assert jobs.make_small_pictures() == 1
    original = client_of("newcomer").get(f"/pictures/{taken.picture.pk}/")
    small = client_of("newcomer").get(f"/pictures/{taken.picture.pk}/small/")
    copies = [Client().get(f"/pictures/cleared/{cleared.pk}/{part}") for part in ("", "small/")]
    sizes = {Image.open(io.BytesIO(answer.content)).size for answer in (original, small)}
    for copy in copies:
        assert copy.content not in (original.content, small.content)
        assert len(copy.content) not in (len(original.content), len(small.content))
        assert Image.open(io.BytesIO(copy.content)).size not in sizes
        assert not Image.open(io.BytesIO(copy.content)).getexif()
    told = json.dumps(shown()) + Client().get("/pictures/").content.decode()
    told += "".join(str(dict(copy.items())) for copy in copies)
    secrets = [
        taken.picture.pk,
        taken.look.pk,
        taken.spot.pk,
        taken.spot.water_id,
        cast.member.pk,
        cast.checker.pk,
    ]
    for secret in [*secrets, "Canary", "Test water", "Member", f"{taken.look.started_at:%Y-%m}"]:
        assert str(secret) not in told
    assert not re.search(r"\b20\d\d\b", json.dumps(shown()))


@pytest.mark.parametrize("persona", ["newcomer", "rival", "guest", "nobody"])
def test_the_tie_is_kept_from_everybody_else(cast: Cast, cleared: ClearedPicture, persona: str) -> None:
    with see(cast, persona):
        assert ClearedPicture.objects.count() == 1
        assert Clearance.objects.count() == 0


def test_a_species_is_named_once_it_is_verified(cast: Cast, taken: Shot, cleared: ClearedPicture) -> None:
    """An open proof is checked blind: the wall must not tell its checkers what is claimed."""
    assert "bluegill" not in json.dumps(shown())
    with see(cast, "checker"):
        confirm(Finding.objects.get(), cast.checker, "bluegill", "confirmed", "", timezone.now())
    (row,) = shown()
    assert (row["species"], row["grade"]) == ("bluegill", "verified")


@pytest.mark.parametrize(
    ("persona", "path"),
    [
        ("member", "/pictures/{picture}/clear/back/"),
        ("member", "/pictures/cleared/{cleared}/down/"),
        ("checker", "/pictures/cleared/{cleared}/down/"),
        ("organiser", "/pictures/cleared/{cleared}/down/"),
    ],
)
def test_it_is_taken_back_at_once(
    taken: Shot,
    cleared: ClearedPicture,
    client_of: Clients,
    persona: str,
    path: str,
    django_capture_on_commit_callbacks: Callable[..., object],
) -> None:
    files = list(Path(settings.MEDIA_ROOT).glob(f"cleared-{cleared.pk}*"))
    assert len(files) == 2
    target = path.format(picture=taken.picture.pk, cleared=cleared.pk)
    with django_capture_on_commit_callbacks(execute=True):  # type: ignore[attr-defined]
        assert client_of(persona).post(target).status_code == 302
    assert shown() == []
    for part in ("", "small/"):
        assert Client().get(f"/pictures/cleared/{cleared.pk}/{part}").status_code == 404
    assert not any(file.exists() for file in files)
    assert client_of("newcomer").get(f"/pictures/{taken.picture.pk}/").status_code == 200


@pytest.mark.parametrize("persona", ["rival", "newcomer", "guest"])
def test_nobody_else_takes_it_down(cleared: ClearedPicture, client_of: Clients, persona: str) -> None:
    assert client_of(persona).post(f"/pictures/cleared/{cleared.pk}/down/").status_code == 404
    assert len(shown()) == 1


def test_a_look_taken_back_takes_its_picture_along(
    cast: Cast, taken: Shot, cleared: ClearedPicture, django_capture_on_commit_callbacks: object
) -> None:
    files = list(Path(settings.MEDIA_ROOT).glob(f"cleared-{cleared.pk}*"))
    assert len(files) == 2
    with django_capture_on_commit_callbacks(execute=True), see(cast, "member"):  # type: ignore[operator]
        withdraw_look(taken.look, timezone.now())
    assert shown() == []
    assert not any(file.exists() for file in files)
    assert Client().get(f"/pictures/cleared/{cleared.pk}/").status_code == 404


def test_cleared_again_it_has_another_id(taken: Shot, cleared: ClearedPicture, client_of: Clients) -> None:
    client_of("member").post(f"/pictures/{taken.picture.pk}/clear/back/")
    offer(client_of, taken)
    decide(client_of, taken)
    assert [row["id"] for row in shown()] != [str(cleared.pk)]


def test_a_refused_picture_stays_with_its_look(taken: Shot, client_of: Clients) -> None:
    offer(client_of, taken)
    assert decide(client_of, taken, answer="refuse") == 302
    assert shown() == []
    assert client_of("checker").get("/pictures/offered/").content.count(b"<img") == 0


def test_a_private_picture_is_the_checkers_to_see_from_offer_to_end_alone(
    cast: Cast, places: Places, client_of: Clients
) -> None:
    private = shot(cast, places.private)
    path = f"/pictures/{private.picture.pk}/"
    checker = client_of("checker")
    assert checker.get(path).status_code == 404
    offer(client_of, private)
    page = checker.get("/pictures/offered/").content.decode()
    assert str(private.picture.pk) in page
    assert "Canary" not in page
    assert "Member" not in page
    assert checker.get(path).status_code == 200
    told = checker.get(f"/api{path}").json()
    assert told["finding"] is told["look"] is told["created_at"] is None, "they clear it, and check nothing"
    for persona in ("newcomer", "organiser", "rival", "nobody"):
        assert client_of(persona).get(path).status_code == 404
    client_of("member").post(f"{path}clear/back/")
    assert checker.get(path).status_code == 404


@pytest.mark.parametrize(
    "sql",
    [
        "INSERT INTO observations_clearedpicture (id, method) VALUES (gen_random_uuid(), 'camera')",
        "DELETE FROM observations_clearedpicture",
        "UPDATE observations_clearedpicture SET species_id = 'bluegill'",
        "DELETE FROM observations_clearance",
        "UPDATE observations_clearance SET cleared_id = gen_random_uuid()",
        "UPDATE observations_clearance SET picture_id = gen_random_uuid()",
    ],
)
def test_the_database_refuses_any_other_way(cast: Cast, cleared: ClearedPicture, sql: str) -> None:
    for persona in ("member", "checker", "organiser"):
        with pytest.raises(DatabaseError), transaction.atomic(), see(cast, persona):
            connection.cursor().execute(sql)


def test_one_hand_does_not_clear_in_anothers_name(cast: Cast, taken: Shot, client_of: Clients) -> None:
    offer(client_of, taken)
    values = {"cleared_at": timezone.now(), "cleared_id": uuid.uuid4()}
    for persona, named in (("member", cast.checker), ("checker", cast.organiser)):
        with pytest.raises(DatabaseError), transaction.atomic(), see(cast, persona):
            Clearance.objects.update(checker=named, **values)
    with pytest.raises(DatabaseError), transaction.atomic(), see(cast, "rival"):
        Clearance.objects.create(picture=taken.picture, owner=cast.rival)
    assert shown() == []


def test_a_sonar_picture_names_its_fish_once_the_same_fish_is_verified(
    cast: Cast, places: Places, client_of: Clients
) -> None:
    at = timezone.now() - timedelta(days=40)
    sonar_look = look(cast, "member", places.shared, "2d", at, groups=sonar("white-crappie", 0.7))
    with see(cast, "member"):
        (picture,) = store([(clean_picture(fish(), "a.jpg"), None)], sonar_look, cast.member, at)
    taken = Shot(picture, sonar_look, places.shared)
    offer(client_of, taken)
    decide(client_of, taken)
    group = EchoGroup.objects.get(look=sonar_look)

    def prove(persona: str, tie: str, minutes: int) -> None:
        look(
            cast, persona, places.shared, "camera", at + timedelta(minutes=minutes), minutes=6,
            findings=found("bluegill", 1, tie=tie, settles=group.pk if persona == "member" else None),
        )  # fmt: skip
        finding = Finding.objects.order_by("-look__started_at")[0]
        if persona != "member":
            Finding.objects.filter(pk=finding.pk).update(settles=group)
        with see(cast, "checker"):
            confirm(finding, cast.checker, "bluegill", "confirmed", "", timezone.now())

    assert shown()[0]["species"] is None
    prove("member", "same cover", 5)
    assert shown()[0]["species"] is None, "another fish at the same cover tells nothing of this one"
    prove("newcomer", "same fish", 8)
    assert shown()[0]["species"] is None, "another member's proof is theirs to tell"
    prove("member", "same fish", 11)
    assert shown()[0]["species"] == "bluegill"
