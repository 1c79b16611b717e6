"""Evidence scopes: what one side keeps to itself changes nothing that the others can read, byte for byte."""

import json
import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.core.serializers.json import DjangoJSONEncoder
from django.test import Client
from django.utils import timezone

from club.models import Member
from club.viewer import working
from observations import jobs
from observations.models import Due, History, Observation, Refit, Reliability
from tests.conftest import Cast, Places, found, look, see, sonar

STARTED = datetime(2026, 6, 1, 12, tzinfo=UTC)


@pytest.fixture
def club_looks(cast: Cast, places: Places, quiet_queue: Any) -> None:
    for day, persona in enumerate(("member", "checker", "newcomer") * 3):
        at = STARTED + timedelta(days=day)
        look(cast, persona, places.shared, "2d", at, groups=sonar("white-crappie", 0.7))
        look(
            cast, persona, places.shared, "camera", at + timedelta(minutes=9), minutes=6, secchi_m=2.0,
            findings=found("largemouth-bass", 2, tie="same fish"),
        )  # fmt: skip


def keep_to_themselves(cast: Cast, places: Places) -> None:
    """Log looks that only their owners' side may know of, with a species that the club has never met."""
    at = STARTED + timedelta(days=3, hours=2)
    for persona, scope in (("member", f"member:{cast.member.pk}"), ("captain", f"team:{cast.alder.pk}")):
        look(cast, persona, places.shared, "2d", at, scope=scope, groups=sonar("walleye", 0.9))
        look(
            cast, persona, places.shared, "camera", at + timedelta(minutes=9), minutes=8, secchi_m=2.0,
            scope=scope, findings=found("walleye", 4, tie="same fish"),
        )  # fmt: skip
    look(cast, "member", places.private, "rod", at, rod_hours=2, findings=found("walleye", 1))
    look(cast, "captain", places.team, "camera", at, minutes=5, findings=found("bluegill", 3))


def whole(rows: Any, *without: str) -> str:
    """Return rows as text, in order, but for the columns named."""
    kept = [{k: v for k, v in row.items() if k not in without} for row in rows.values()]
    return json.dumps(sorted(kept, key=str), cls=DjangoJSONEncoder)


def what_the_club_reads() -> tuple[str, ...]:
    """Return all that is computed from the club's evidence: parameters, tables of reliability, histories."""
    club = History.objects.filter(scope="club")
    # Numbers of rows, and the clock of the machine; the moment asked for is the same in both fits.
    clock = ("id", "refit_id", "started_at", "finished_at", "computed_at")
    return (
        whole(Refit.objects.all(), *clock),
        whole(Reliability.objects.all(), *clock),
        whole(club, *clock),
    )


def test_a_fit_is_the_same_to_the_byte_with_private_looks_and_without(
    club_looks: None, cast: Cast, places: Places
) -> None:
    moment = STARTED + timedelta(days=40)
    jobs.refit(moment)
    without = what_the_club_reads()
    Reliability.objects.all().delete()
    History.objects.all().delete()
    Refit.objects.all().delete()  # or else the second fit would start from the first
    keep_to_themselves(cast, places)
    jobs.refit(moment)
    assert what_the_club_reads() == without
    # The looks were there to be counted, on their own side.
    assert History.objects.filter(scope=f"team:{cast.alder.pk}", spot=places.shared).exists()
    assert not History.objects.filter(scope="club", species="walleye").exists()


READ = (
    "/?view=list",
    "/?view=list&species=walleye",
    "/?view=list&species=largemouth-bass&grade=seen&season=6",
    "/api/spots/?species=walleye",
    "/api/spots/?grade=called",
    "/api/spots/?season=6&grade=seen",
    "/api/reliability/",
)


def answer(client: Client, path: str) -> tuple[int, bytes]:
    """Return what comes back; the one thing made equal is the token that Django masks anew in every form."""
    response = client.get(path)
    return response.status_code, re.sub(rb'(csrfmiddlewaretoken" value=")[^"]+', rb"\1", response.content)


@pytest.mark.parametrize("persona", ["rival", "newcomer", "organiser", "guest", "nobody"])
def test_a_private_look_worked_into_its_spot_changes_no_answer_to_others(
    club_looks: None,
    cast: Cast,
    places: Places,
    persona: str,
    client_of: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    jobs.refit(STARTED + timedelta(days=40))
    noon = timezone.now()
    monkeypatch.setattr("club.viewer.timezone.now", lambda: noon)
    client: Client = client_of(persona)
    paths = (*READ, f"/spots/{places.shared.pk}/", f"/api/spots/{places.shared.pk}/history/")
    before = [answer(client, path) for path in paths]
    rows = list(History.objects.filter(scope="club").order_by("pk").values())
    keep_to_themselves(cast, places)
    assert jobs.refresh_due() == 3
    assert not Due.objects.exists()
    for path, told in zip(paths, before, strict=True):
        assert answer(client, path) == told, path
    # Not even its date: the club's own rows stand as they stood.
    assert list(History.objects.filter(scope="club").order_by("pk").values()) == rows
    team = History.objects.filter(spot=places.shared, scope=f"team:{cast.alder.pk}")
    assert team.exists() and all(row.as_of > noon - timedelta(days=1) for row in team)


def test_a_members_own_look_does_not_date_their_teams_history(
    club_looks: None, cast: Cast, places: Places
) -> None:
    team = f"team:{cast.alder.pk}"
    look(
        cast, "teammate", places.shared, "camera", STARTED, minutes=5, scope=team, findings=found("bluegill")
    )
    jobs.refit()
    rows = list(History.objects.filter(scope=team).order_by("pk").values())
    own = f"member:{cast.captain.pk}"
    look(cast, "captain", places.shared, "camera", STARTED, minutes=5, scope=own, findings=found("bluegill"))
    assert Due.objects.get().scopes == [own]
    assert jobs.refresh_due() == 1
    assert list(History.objects.filter(scope=team).order_by("pk").values()) == rows
    mine = History.objects.get(scope=own, species="bluegill")
    assert mine.seen == 2, "the widest scope of the captain holds the club's, the team's and their own"


def test_a_look_for_the_club_is_worked_into_every_scope_at_its_spot(
    club_looks: None, cast: Cast, places: Places
) -> None:
    team = f"team:{cast.alder.pk}"
    look(cast, "captain", places.shared, "camera", STARTED, minutes=5, scope=team, findings=found("bluegill"))
    jobs.refit()
    look(cast, "rival", places.shared, "camera", STARTED, minutes=5, findings=found("bluegill"))
    look(cast, "captain", places.shared, "camera", STARTED, minutes=5, scope=team, findings=found("bluegill"))
    assert sorted(Due.objects.get().scopes) == ["club", team]
    assert jobs.refresh_due() == 1
    seen = {
        row.scope: row.seen
        for row in History.objects.filter(spot=places.shared, species="bluegill", edition="live")
    }
    assert seen == {"club": 1, team: 3}


def test_withdrawing_the_last_private_look_takes_that_scopes_history_away(
    club_looks: None, cast: Cast, places: Places
) -> None:
    own = f"member:{cast.member.pk}"
    mine = look(cast, "member", places.shared, "2d", STARTED, scope=own, groups=sonar("bluegill"))
    jobs.refit()
    assert History.objects.filter(scope=own, spot=places.shared).exists()
    with see(cast, "member"):
        Observation.objects.filter(pk=mine.pk).update(withdrawn_at=timezone.now())
    assert jobs.refresh_due() == 1
    assert not History.objects.filter(scope=own, spot=places.shared).exists()
    assert History.objects.filter(scope="club", spot=places.shared).exists()


def test_a_private_spot_has_a_history_from_the_first_day_of_a_club(
    cast: Cast, places: Places, quiet_queue: Any, client_of: Any
) -> None:
    """Nobody has looked, nothing was ever fitted: what is likely before any look, with its wide interval."""
    assert not Refit.objects.exists()
    jobs.refresh_due()
    rows = History.objects.filter(spot=places.private, scope="club", edition="live")
    assert rows.count() >= 5
    assert all(row.looks == 0 and row.high - row.low > 0.3 for row in rows)
    look(cast, "member", places.private, "camera", STARTED, minutes=8, findings=found("bluegill", 3))
    assert jobs.refresh_due() == 1
    own = History.objects.get(spot=places.private, scope=f"member:{cast.member.pk}", species="bluegill")
    assert own.seen == 1
    assert own.probability > rows.get(species="bluegill").probability
    body = client_of("member").get(f"/api/spots/{places.private.pk}/history/").json()
    assert body["scope"] == "member"
    assert {s["species"]["id"]: s["grades"]["seen"] for s in body["species"]}["bluegill"] == 1
    assert client_of("rival").get(f"/api/spots/{places.private.pk}/history/").status_code == 404


def test_a_club_without_a_spot_is_fitted_to_nothing_and_waits(cast: Cast) -> None:
    assert jobs.refresh_due() == 0
    assert Refit.objects.get().counts["visits"] == 0


def say(cast: Cast, persona: str, yes: bool) -> None:
    with see(cast, persona):
        person = Member.objects.get(pk=getattr(cast, persona).pk)
        person.shares_thin_history = yes
        person.save()


def published(places: Places) -> set[str]:
    rows = History.objects.filter(spot=places.club, edition="published", looks__gt=0)
    return set(rows.values_list("species_id", flat=True))


@pytest.fixture
def two_contributors(cast: Cast, places: Places, quiet_queue: Any) -> None:
    for persona in ("organiser", "member"):
        with see(cast, "organiser"):
            from spots.models import Grant

            if persona == "member":
                Grant.objects.create(
                    spot=places.club, audience=f"member:{cast.member.pk}", level=3, owner="organisers",
                    water=places.club.water,
                )  # fmt: skip
        look(
            cast, persona, places.club, "camera", STARTED, minutes=5, scope="club", findings=found("bluegill")
        )


def again() -> None:
    """Compute and publish anew, as in a new month."""
    with working(timezone.now()):
        History.objects.filter(edition="published").delete()
    jobs.refit()


def test_a_history_of_two_is_told_below_exact_only_while_both_say_yes(
    two_contributors: None, cast: Cast, places: Places, client_of: Any
) -> None:
    jobs.refit()
    assert not published(places), "off at first"
    say(cast, "member", True)
    again()
    assert not published(places), "one yes of two"
    say(cast, "organiser", True)
    again()
    assert "bluegill" in published(places)
    reader: Client = client_of("newcomer")
    path = f"/api/spots/{places.club.pk}/history/"
    assert reader.get(path).json()["species"]
    say(cast, "member", False)
    assert not published(places), "a no holds at once, without any job"
    assert reader.get(path).json()["species"] == []
    again()
    assert not published(places)


def test_a_third_contributor_makes_a_history_one_that_needs_nobodys_yes(
    two_contributors: None, cast: Cast, places: Places
) -> None:
    from spots.models import Grant

    with see(cast, "organiser"):
        Grant.objects.create(
            spot=places.club, audience=f"member:{cast.rival.pk}", level=3, owner="organisers",
            water=places.club.water,
        )  # fmt: skip
    look(cast, "rival", places.club, "camera", STARTED, minutes=5, scope="club", findings=found("bluegill"))
    jobs.refit()
    assert "bluegill" in published(places)
    say(cast, "member", True)
    say(cast, "member", False)
    assert "bluegill" in published(places)


def test_a_private_look_makes_no_third_contributor(
    two_contributors: None, cast: Cast, places: Places
) -> None:
    own = f"member:{cast.captain.pk}"
    from spots.models import Grant

    with see(cast, "organiser"):
        Grant.objects.create(
            spot=places.club, audience=own, level=3, owner="organisers", water=places.club.water
        )
    look(cast, "captain", places.club, "camera", STARTED, minutes=5, scope=own, findings=found("bluegill"))
    jobs.refit()
    assert not published(places)
