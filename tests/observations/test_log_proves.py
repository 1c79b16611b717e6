"""A proof settles the visit's latest sonar look, and never stands before it."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.test import Client
from django.utils import timezone

from observations.models import Call, EchoGroup, Observation
from tests.conftest import Cast, Places, look, sonar
from tests.observations.log_page import CALLED, errors, post, saved

ClientOf = Callable[..., Client]
FOUND: dict[str, Any] = {"found": "fish", "f0__species": "white-crappie"}
CHICAGO = ZoneInfo("America/Chicago")


def sealed_just_now(client: Client, places: Places) -> EchoGroup:
    return saved(post(client, places.shared, "forward", **CALLED)).groups.get()


def test_the_page_names_what_a_proof_would_settle(places: Places, client_of: ClientOf) -> None:
    client = client_of("member")
    group = sealed_just_now(client, places)
    at = group.look.started_at.astimezone(CHICAGO)
    page = client.get(f"/log/?spot={places.shared.pk}&method=camera&settles={group.pk}").content.decode()
    assert (
        f"your forward-facing sonar look of {at:%H:%M}: 4–8 echoes over the cover, called crappie, 80\u00a0% sure"
        in page
    )
    assert f'name="settles" value="{group.pk}" checked' in page
    assert 'name="method" value="camera" checked' in page


def test_a_finding_settles_the_named_group_as_the_same_fish(places: Places, client_of: ClientOf) -> None:
    client = client_of("member")
    group = sealed_just_now(client, places)
    proof = saved(post(client, places.shared, "camera", **FOUND, settles=str(group.pk), f0__tie="same fish"))
    finding = proof.findings.get()
    assert (finding.settles_id, finding.tie) == (group.pk, "same fish")


def test_minutes_do_not_carry_a_proof_before_the_call_it_settles(places: Places, client_of: ClientOf) -> None:
    client = client_of("member")
    group = sealed_just_now(client, places)
    proof = saved(post(client, places.shared, "camera", **FOUND, settles=str(group.pk), minutes="10"))
    assert proof.started_at >= group.call.sealed_at
    alone = saved(post(client, places.private, "camera", found="nothing", minutes="10"))
    # Without a call before it, the drop began its minutes ago.
    assert timedelta(minutes=9) < timezone.now() - alone.started_at < timedelta(minutes=11)


def test_the_latest_sonar_look_of_the_visit_is_settled_when_none_is_named(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    now = timezone.now()
    look(cast, "member", places.shared, "2d", now - timedelta(hours=3), groups=sonar("catfish", 0.6))
    latest = look(
        cast, "member", places.shared, "down", now - timedelta(hours=2), groups=sonar("crappie", 0.8)
    )
    look(cast, "rival", places.shared, "2d", now - timedelta(hours=1), groups=sonar("bait", 0.9))
    proof = saved(post(client_of("member"), places.shared, "rod", **FOUND, minutes="5"))
    assert proof.findings.get().settles_id == latest.groups.get().pk


def test_a_sonar_look_of_another_visit_is_not_offered(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    old = look(
        cast, "member", places.shared, "2d", timezone.now() - timedelta(hours=7), groups=sonar("crappie", 0.8)
    )
    group = str(old.groups.get().pk)
    client = client_of("member")
    assert group not in client.get(f"/log/?spot={places.shared.pk}&method=camera").content.decode()
    assert "settles" in errors(client, places.shared, "camera", **FOUND, settles=group)
    assert saved(post(client, places.shared, "camera", **FOUND)).findings.get().settles_id is None


def test_someone_elses_group_cannot_be_settled(cast: Cast, places: Places, client_of: ClientOf) -> None:
    theirs = look(
        cast, "rival", places.shared, "2d", timezone.now() - timedelta(hours=1), groups=sonar("bait", 0.9)
    )
    found = errors(client_of("member"), places.shared, "camera", **FOUND, settles=str(theirs.groups.get().pk))
    assert "settles" in found


def test_a_look_typed_in_the_evening_is_from_memory(places: Places, client_of: ClientOf) -> None:
    client = client_of("member")
    morning = (timezone.now() - timedelta(hours=9)).astimezone(CHICAGO)
    answer = post(client, places.shared, "2d", **CALLED, when=f"{morning:%Y-%m-%dT%H:%M}")
    evening = saved(answer)
    assert evening.started_at == morning.replace(second=0, microsecond=0)
    assert evening.groups.get().call.seal == Call.Seal.MEMORY
    assert "does not count toward your reliability" in client.get(answer["Location"]).content.decode()
    just_now = timezone.now().astimezone(CHICAGO) - timedelta(minutes=10)
    soon = saved(post(client, places.shared, "2d", **CALLED, when=f"{just_now:%Y-%m-%dT%H:%M}"))
    assert soon.groups.get().call.seal == Call.Seal.SERVER


def test_the_local_offset_of_the_water_is_kept(places: Places, client_of: ClientOf) -> None:
    client = client_of("member")
    summer = saved(post(client, places.shared, "2d", g0__band="none", when="2026-07-04T06:30"))
    winter = saved(post(client, places.shared, "2d", g0__band="none", when="2026-01-04T06:30"))
    assert (summer.utc_offset_min, winter.utc_offset_min) == (-300, -360)
    assert f"{summer.started_at:%H:%M}" == "11:30"


def test_the_phones_clock_is_believed_within_reason(places: Places, client_of: ClientOf) -> None:
    client = client_of("member")
    now = timezone.now()

    def began(at: str) -> Observation:
        return saved(post(client, places.shared, "2d", g0__band="none", at=at))

    earlier = now - timedelta(minutes=20)
    assert began(earlier.isoformat()).started_at == earlier
    for odd in (
        (now + timedelta(hours=3)).isoformat(),
        (now - timedelta(days=3)).isoformat(),
        "noon",
        "2026-01-01",
    ):
        assert abs(began(odd).started_at - timezone.now()) < timedelta(seconds=30), odd
