"""The field guide shows each reader the verified pictures that are theirs to see, and what is mistaken for what."""

import re
import uuid
from collections.abc import Callable
from datetime import timedelta
from types import SimpleNamespace

import pytest
from django.test import Client
from django.utils import timezone

from club.models import Member
from observations import jobs
from observations.clearing_models import ClearedPicture
from observations.models import Confirmation, Finding, Picture
from spots.models import Spot
from tests.conftest import Cast, Places, found, look, see, sonar
from tests.observations.test_cleared_pictures import decide, offer, shot

ClientOf = Callable[..., Client]


@pytest.fixture(autouse=True)
def _quiet(quiet_queue: SimpleNamespace) -> None:
    pass


def verify(cast: Cast, finding: Finding, species: str, decision: str = "confirmed") -> None:
    Confirmation.objects.create(
        finding=finding, checker=cast.checker, named_species_id=species, decision=decision
    )


def shown(client: Client, path: str = "/calls/guide/") -> set[str]:
    page = client.get(path)
    assert page.status_code == 200
    return set(re.findall(r'<img class="picture" src="/pictures/([^"]+)/small/"', page.content.decode()))


def proved(cast: Cast, spot: Spot, persona: str = "member") -> Picture:
    taken = shot(cast, spot, persona)
    verify(cast, Finding.objects.get(look=taken.look), "bluegill")
    return taken.picture


def test_pictures_are_shown_as_the_picture_rules_have_it(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    ours = str(proved(cast, places.shared).pk)
    private = str(proved(cast, places.private).pk)
    shot(cast, places.shared, "rival")  # nobody has verified it
    cleared = ClearedPicture.objects.create(id=uuid.uuid4(), method="2d", species_id="bluegill")
    ClearedPicture.objects.create(id=uuid.uuid4(), method="2d")  # of an unknown species
    everybodys = f"cleared/{cleared.id}"
    path = "/calls/guide/bluegill/"
    assert shown(client_of("member"), path) == {ours, private, everybodys}
    assert shown(client_of("newcomer"), path) == {ours, everybodys}
    for persona in ("guest", "nobody"):
        assert shown(client_of(persona), path) == {everybodys}
    assert shown(client_of("member"), "/calls/guide/walleye/") == set()
    assert client_of("member").get("/calls/guide/crappie/").status_code == 404


def test_a_picture_of_which_everybody_sees_a_copy_stands_here_once(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    """For whoever sees the look too, and may not know which of the copies is from there."""
    taken = shot(cast, places.shared)
    offer(client_of, taken)
    decide(client_of, taken)
    newcomer = client_of("newcomer")
    copy = f"cleared/{ClearedPicture.objects.get().pk}"
    assert shown(newcomer) == set(), "nobody has verified it"
    verify(cast, Finding.objects.get(), "bluegill")
    assert shown(newcomer) == shown(client_of("member")) == {copy}
    client_of("member").post(f"/pictures/{taken.picture.pk}/clear/back/")
    assert shown(newcomer) == {str(taken.picture.pk)}


def test_a_checker_finds_no_place_in_it_that_they_only_check_for(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    taken = shot(cast, places.club, "organiser")
    verify(cast, Finding.objects.get(look=taken.look), "bluegill")
    with see(cast, "checker"):
        assert Picture.objects.filter(pk=taken.picture.pk).exists(), "the queue may show it to them"
    assert shown(client_of("checker")) == set()
    assert shown(client_of("organiser")) == {str(taken.picture.pk)}


def test_a_correction_moves_a_picture_and_a_dispute_takes_it_out(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    taken = shot(cast, places.shared)
    finding = Finding.objects.get(look=taken.look)
    verify(cast, finding, "redear-sunfish", "corrected")
    member = client_of("member")
    assert shown(member, "/calls/guide/redear-sunfish/") == {str(taken.picture.pk)}
    assert shown(member, "/calls/guide/bluegill/") == set()
    member.post(f"/proofs/{finding.pk}/dispute/", {"reason": "blue tab on the gill"})
    assert shown(member) == set()


def test_the_picture_that_most_checkers_agree_on_comes_first(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    Member.objects.filter(pk=cast.newcomer.pk).update(is_checker=True)
    pictures = [proved(cast, places.shared, persona) for persona in ("member", "captain", "rival")]
    for picture in pictures:
        Picture.objects.filter(pk=picture.pk).update(width=800, height=600)
    least = Picture.objects.get(pk=pictures[1].pk)
    Picture.objects.filter(pk=least.pk).update(width=400)
    Confirmation.objects.create(
        finding_id=least.finding_id, checker=cast.newcomer, named_species_id="bluegill", decision="confirmed"
    )
    page = client_of("organiser").get("/calls/guide/bluegill/").content.decode()
    order = re.findall(r'<img class="picture" src="/pictures/([^"]+)/small/"', page)
    rest = sorted(str(picture.pk) for picture in (pictures[0], pictures[2]))
    assert order == [str(least.pk), *rest], "two agree on the smallest"


def test_a_screen_that_a_proof_settled_is_shown_when_it_has_one_truth(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    at = timezone.now() - timedelta(days=9)
    screen = look(cast, "member", places.shared, "2d", at, groups=sonar("bluegill", 0.6))
    with see(cast, "member"):
        picture = Picture.objects.create(look=screen, uploaded_by=cast.member, width=800, height=600)
    seen = look(
        cast, "member", places.shared, "camera", at + timedelta(minutes=9), minutes=6,
        findings=found("walleye", 1, tie="same fish"),
    )  # fmt: skip
    member = client_of("member")
    assert shown(member) == set()
    verify(cast, seen.findings.get(), "walleye")
    assert shown(member, "/calls/guide/walleye/") == {str(picture.pk)}


def test_what_it_is_taken_for_is_counted_and_told_to_members_alone(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    Member.objects.update(shares_reliability=True)  # fewer than three called
    ClearedPicture.objects.create(id=uuid.uuid4(), method="2d", species_id="white-crappie")
    start = timezone.now() - timedelta(days=40)
    for day, call in enumerate(["white-crappie", "crappie", "bluegill", "bluegill"]):
        at = start + timedelta(days=day)
        look(cast, "member", places.shared, "2d", at, groups=sonar(call, 0.7), seal="record")
        look(
            cast, "member", places.shared, "camera", at + timedelta(minutes=9), minutes=6,
            findings=found("white-crappie", 2, tie="same fish"),
        )  # fmt: skip
    jobs.refit()
    told = re.sub(r"<[^>]+>", "", client_of("newcomer").get("/calls/guide/").content.decode())
    assert re.search(r"Called right 2 of 4 \(\d+ to \d+\s%\)taken for bluegill 2", told), told
    assert "holds true" in told
    public = client_of("nobody").get("/calls/guide/").content.decode()
    assert "White crappie" in public and "Called right" not in public and "holds true" not in public
