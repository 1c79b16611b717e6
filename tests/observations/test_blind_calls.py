"""Blind calls: practice on proved, cleared pictures that stays one's own and enters nothing else."""

import re
import uuid
from datetime import UTC, datetime
from typing import Any

import pytest
from django.db import connection, transaction
from django.db.utils import DatabaseError

from observations.blind import COMES_BACK_AFTER, next_picture, size_of, standing
from observations.blind_models import BlindCall
from observations.clearing_models import Clearance, ClearedPicture
from observations.models import Picture, Reliability
from tests.conftest import Cast, Places, look, see

AT = datetime(2026, 6, 1, tzinfo=UTC)


@pytest.fixture
def pictures(cast: Cast) -> list[ClearedPicture]:
    made = [
        ClearedPicture(id=uuid.uuid4(), method="2d", species_id=code)
        for code in ("bluegill", "white-crappie", "largemouth-bass")
    ]
    ClearedPicture.objects.bulk_create([*made, ClearedPicture(id=uuid.uuid4(), method="camera")])
    return made


def post(client: Any, picture: ClearedPicture, species: str, sure: str = "80") -> Any:
    return client.post("/calls/blind/", {"picture": str(picture.id), "species": species, "sure": sure})


def test_a_call_is_sealed_then_told_then_counted(pictures: list[ClearedPicture], client_of: Any) -> None:
    client = client_of("newcomer")
    assert "The picture to call" in client.get("/calls/blind/").content.decode()
    told = client.get(post(client, pictures[1], "crappie", "60")["Location"]).content.decode()
    assert "You called it crappie, 60 % sure: right, as a wider kind." in told
    told = client.get(post(client, pictures[0], "white-crappie", "95")["Location"]).content.decode()
    assert "<h1>Bluegill</h1>" in told and "95 % sure: wrong." in told
    assert "1 of 2 right" in told
    # (0.6 - 1)^2 and (0.95 - 0)^2, by hand.
    assert "Brier score 0.53" in told


def test_a_call_without_kind_or_sureness_is_refused_by_name(
    pictures: list[ClearedPicture], client_of: Any
) -> None:
    client = client_of("newcomer")
    for species, sure, says in (("", "80", "Choose what it is"), ("bluegill", "101", "Say how sure you are")):
        response = post(client, pictures[0], species, sure)
        assert response.status_code == 422 and says in response.content.decode()
    unproved = ClearedPicture.objects.get(species=None)
    assert post(client, unproved, "bluegill").status_code == 404
    assert client.post("/calls/blind/", {"picture": "x"}).status_code == 404
    assert not BlindCall.objects.exists()


def test_half_are_kept_and_named_to_whoever_has_called_them_the_rest_to_everybody_and_not_asked(
    cast: Cast, places: Places, client_of: Any, settings: Any, quiet_queue: Any
) -> None:
    settings.PRACTICE_FROM = 2
    kept, free = (
        ClearedPicture.objects.create(
            id=uuid.UUID(int=top << 124 | 4 << 76 | 8 << 60), method="2d", species_id=code
        )
        for top, code in ((0x7, "walleye"), (0x8, "bluegill"))
    )

    def told(persona: str) -> list[bool]:
        """Whether the list of the API, the wall and the guide name the kept one."""
        client = client_of(persona)
        rows = {
            row["id"]: (row["species"], row["grade"])
            for row in client.get("/api/pictures/").json()["results"]
        }
        assert rows[str(free.pk)] == ("bluegill", "verified")
        wall = client.get("/pictures/").content.decode()
        guide = [client.get(f"/calls/guide/{code}/").content.decode() for code in ("bluegill", "walleye")]
        assert "<b>Bluegill</b>" in wall and str(free.pk) in guide[0] and str(kept.pk) in wall
        return [
            rows[str(kept.pk)] == ("walleye", "verified"),
            "<b>Walleye</b>" in wall,
            str(kept.pk) in guide[1],
        ]

    for persona in ("newcomer", "rival", "checker", "nobody"):
        assert told(persona) == [False] * 3, persona
    settings.PRACTICE_FROM = 3
    assert told("newcomer") == [True] * 3, "two are too few to keep one back"
    settings.PRACTICE_FROM = 2
    newcomer = client_of("newcomer")
    assert post(newcomer, free, "bluegill").status_code == 404
    assert str(kept.pk) in newcomer.get("/calls/blind/").content.decode()
    assert post(newcomer, kept, "bluegill").status_code == 302
    assert told("newcomer") == [True] * 3 and told("rival") == [False] * 3
    # Its owner knows it.
    made = look(cast, "rival", places.shared, "rod", AT)
    with see(cast, "rival"):
        of = Picture.objects.create(look=made, uploaded_by=cast.rival, width=9, height=9)
    Clearance.objects.create(
        picture=of, owner=cast.rival, checker=cast.checker, cleared_at=AT, cleared_id=kept.pk
    )
    assert told("rival") == [True] * 3 and post(client_of("rival"), kept, "walleye").status_code == 404


def test_nobody_else_reads_or_changes_what_i_called(
    pictures: list[ClearedPicture], cast: Cast, client_of: Any
) -> None:
    where = post(client_of("newcomer"), pictures[0], "bluegill")["Location"]
    for persona in ("organiser", "checker", "rival"):
        assert client_of(persona).get(where).status_code == 404
        with see(cast, persona):
            assert not BlindCall.objects.exists()
    with see(cast, "newcomer"):
        assert BlindCall.objects.count() == 1
        with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute('UPDATE observations_blindcall SET "right" = true')
    assert client_of("guest").get("/calls/blind/").status_code == 404
    assert not Reliability.objects.exists()


def called(cast: Cast, picture: ClearedPicture, right: bool) -> BlindCall:
    return BlindCall(
        member=cast.newcomer, picture=picture.id, method="2d", called_id="bluegill", truth_id="bluegill",
        probability=0.8, right=right, made_at=AT,
    )  # fmt: skip


def test_what_was_missed_comes_back_soon_and_what_was_hit_later(
    pictures: list[ClearedPicture], cast: Cast
) -> None:
    viewer = cast.viewer("newcomer")
    hard, easy, other = pictures
    calls = [called(cast, hard, False)]
    assert next_picture(viewer, calls) not in (None, hard), "what was never called comes first"
    calls += [called(cast, easy, True), called(cast, other, True), called(cast, easy, True)]
    assert next_picture(viewer, calls) == hard, "three others later the miss is asked again"
    calls += [called(cast, hard, True)]
    following = []
    for _ in range(COMES_BACK_AFTER[1] + 2):
        asked = next_picture(viewer, calls)
        assert asked is not None and asked.id != calls[-1].picture, "none twice in a row"
        following.append(asked)
        calls.append(called(cast, asked, True))
    assert hard in following


def test_each_member_has_an_order_of_their_own(cast: Cast) -> None:
    ClearedPicture.objects.bulk_create(
        ClearedPicture(id=uuid.UUID(int=number), method="2d", species_id="bluegill")
        for number in range(1, 40)
    )
    first = {next_picture(cast.viewer(p), []) for p in ("newcomer", "rival", "member", "captain", "teammate")}
    assert len(first) > 1


def test_number_and_size_are_called_told_and_scored(cast: Cast, client_of: Any) -> None:
    # 210 mm is beyond the published quality length of bluegill (150) and preferred (200): Gabelhouse 1984.
    big = ClearedPicture.objects.create(
        id=uuid.uuid4(), method="camera", species_id="bluegill", number=5, length_mm=210
    )
    client = client_of("newcomer")
    said = {"picture": str(big.id), "species": "bluegill", "sure": "80"}
    for slip in ({"band": "none"}, {"size": "huge"}):
        assert client.post("/calls/blind/", said | slip).status_code == 422
    where = client.post("/calls/blind/", said | {"band": "4-8", "size": "middle"})["Location"]
    told = " ".join(re.sub(r"<[^>]+>", " ", client.get(where).content.decode()).split())
    assert "Number 4–8: you said 4–8, right" in told and "Size Large: you said middle, wrong" in told
    assert "Number right 1 of 1" in told and "size right 0 of 1" in told
    client.post("/calls/blind/", said)
    assert "Number right 1 of 1" in " ".join(
        re.sub(r"<[^>]+>", " ", client.get("/calls/blind/").content.decode()).split()
    ), "what was left open is not scored"


@pytest.mark.parametrize(
    ("species", "length", "size"),
    [("bluegill", 149, "small"), ("bluegill", 150, "middle"), ("bluegill", 200, "large"), ("bluegill", 0, ""),
     ("gizzard-shad", 300, "")],
)  # fmt: skip
def test_sizes_go_by_published_lengths(species: str, length: int, size: str) -> None:
    assert size_of(species, length) == size


def test_progress_is_told_in_stretches(pictures: list[ClearedPicture], cast: Cast) -> None:
    calls = [called(cast, pictures[0], n >= 20) for n in range(45)]
    told = [(row.what, row.right, row.calls) for row in standing(calls).progress]
    assert told == [("1 to 20", 0, 20), ("21 to 40", 20, 20), ("41 to 45", 5, 5)]
