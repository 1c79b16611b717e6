"""The calls page: which call turned out to be what, one's own in sentences, and theirs only of those who agree."""

import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from club.models import Member
from observations import jobs
from observations.calls_told import _pooled
from observations.models import Refit, Reliability
from spots.models import Entry, Event
from tests.conftest import Cast, Places, found, look, sonar
from tests.spots.event_kit import make_older

ClientOf = Callable[..., Client]


@pytest.fixture
def fitted(cast: Cast, places: Places) -> None:
    """Twelve crappie calls of the member, four of them right; one of the rival and of the captain; one blank look."""
    start = timezone.now() - timedelta(days=40)
    others = [("rival", True), ("captain", True)]
    for day, (persona, right) in enumerate([("member", n < 4) for n in range(12)] + others):
        at = start + timedelta(days=day)
        look(
            cast, persona, places.shared, "2d", at, groups=sonar("white-crappie", 0.85), seal="record",
            random_check=day in (0, 12, 13),
        )  # fmt: skip
        look(
            cast, persona, places.shared, "camera", at + timedelta(minutes=9), minutes=6,
            findings=found("white-crappie" if right else "largemouth-bass", 2, tie="same fish"),
        )  # fmt: skip
    look(cast, "rival", places.shared, "2d", start + timedelta(days=20), groups=sonar(count=0))
    jobs.refit()


def text(client: Client, path: str) -> str:
    page = client.get(path)
    assert page.status_code == 200, path
    main = page.content.decode().split("<main", 1)[1]
    return re.sub(r"\s+", " ", re.sub(r"<svg.*?</svg>|<[^>]+>", " ", main, flags=re.S)).replace("\u00a0", " ")


def test_a_member_is_told_what_their_calls_were_and_how_sure_that_is(
    fitted: None, client_of: ClientOf
) -> None:
    page = text(client_of("member"), "/calls/")
    told = re.search(
        r"Of your 12 proved “white crappie” calls on 2D sonar, 8 were largemouth bass ?\."
        r" Of all such calls, largemouth bass in (\d+) to (\d+) % : (\w+ known)",
        page,
    )
    assert told, page
    low, high = int(told[1]), int(told[2])
    assert low < 67 < high
    assert "12 sealed, 12 of them with proof. Only you read this" in page
    # Twelve at 85 %, four right: (4 * 0.15^2 + 8 * 0.85^2) / 12 = 0.489, by hand.
    assert "0.489" in page
    assert "When you say about 85 % , it comes true 33 % of the time" in page
    assert "surer than it turned out" in page


def test_the_clubs_table_has_every_row_with_its_counts(fitted: None, client_of: ClientOf) -> None:
    page = text(client_of("newcomer"), "/calls/")
    assert "2D sonar 14 calls with proof" in page
    assert "White crappie 14 calls" in page and "No echoes 1 look" in page
    assert re.search(r"8 proofs, \d+ %, \d+ to \d+ %", page), page
    assert re.search(r"6 proofs, \d+ %, \d+ to \d+ %, right", page)
    by_part = page.split("With and without choice", 1)[1]
    assert re.search(r"2D sonar 6 of 14, \d+ to \d+ % 3 of 3, \d+ to over 99 % no proof", by_part), by_part


def test_a_newcomer_is_told_what_to_do_next(fitted: None, client_of: ClientOf) -> None:
    page = text(client_of("newcomer"), "/calls/?who=me")
    assert "No call of yours is proved yet. Seal a call on a sonar look" in page
    body = client_of("newcomer").get("/calls/").content.decode()
    assert 'href="/calls/blind/"' in body and 'href="/log/"' in body


def test_theirs_is_read_while_they_agree_and_not_a_moment_longer(
    fitted: None, cast: Cast, client_of: ClientOf
) -> None:
    path = f"/calls/?who={cast.member.pk}"
    rival, member = client_of("rival"), client_of("member")
    assert rival.get(path).status_code == 404
    assert rival.get("/calls/?who=00000000-0000-4000-8000-000000000000").status_code == 404
    assert str(cast.member.pk) not in rival.get("/calls/").content.decode()
    member.post("/calls/sharing/", {"share": "yes"})
    page = text(rival, path)
    assert "Member’s calls" in page and "Of 12 proved “white crappie” calls" in page
    assert str(cast.member.pk) in rival.get("/calls/").content.decode()
    member.post("/calls/sharing/", {"share": "no"})
    assert rival.get(path).status_code == 404
    assert str(cast.member.pk) not in rival.get("/calls/").content.decode()


def test_a_method_alone_gives_every_figure(fitted: None, client_of: ClientOf) -> None:
    page = text(client_of("newcomer"), "/calls/?method=2d")
    assert re.search(r"Largemouth bass 8 \d+ % , \d+ to \d+ %", page), page
    for slip in ("method=rod", "part=half", "who=everybody"):
        assert client_of("newcomer").get(f"/calls/?{slip}").status_code == 404


def test_only_members_open_it_and_an_empty_club_is_told_so(cast: Cast, client_of: ClientOf) -> None:
    assert client_of("guest").get("/calls/").status_code == 404
    assert client_of("nobody").get("/calls/").status_code == 302
    assert "Nothing is computed yet." in text(client_of("member"), "/calls/")
    assert client_of("guest").post("/calls/sharing/", {"share": "yes"}).status_code == 404
    assert not Member.objects.filter(shares_reliability=True).exists()
    assert not Reliability.objects.exists()


def test_a_frozen_member_reads_the_refit_of_their_cut_off(
    fitted: None, cast: Cast, places: Places, client_of: ClientOf
) -> None:
    now = timezone.now()
    cut_off = now - timedelta(hours=1)
    make_older(now - timedelta(days=60))
    Refit.objects.update(finished_at=cut_off - timedelta(hours=1))
    event = Event.objects.create(
        name="Open", water=places.shared.water, target="largemouth-bass", fishing_from=now.date(),
        fishing_until=now.date(), cutoff_at=cut_off, ends_at=now + timedelta(days=5),
    )  # fmt: skip
    Entry.objects.create(event=event, member=cast.rival, entered_at=now - timedelta(days=9))
    look(cast, "member", places.shared, "2d", now - timedelta(days=2), groups=sonar("white-crappie", 0.5))
    jobs.refit()
    assert "White crappie 15 calls" in text(client_of("newcomer"), "/calls/")
    assert "White crappie 14 calls" in text(client_of("rival"), "/calls/")


def test_bins_are_drawn_together_until_five_calls_stand_in_each() -> None:
    def one(stated: float, observed: float, count: int) -> dict[str, Any]:
        return {"stated": stated, "observed": observed, "count": count, "interval": [0, 1]}

    bins = _pooled([one(0.2, 0.5, 2), one(0.4, 1.0, 3), one(0.6, 0.5, 6), one(0.9, 0.0, 1)])
    assert [(b.count, round(b.stated, 3), round(b.observed, 3)) for b in bins] == [
        (5, 0.32, 0.8),
        (7, round((3.6 + 0.9) / 7, 3), round(3 / 7, 3)),
    ]
    assert all(b.low < b.observed < b.high for b in bins)
