"""Sessions and tokens: their member sees them, ends them, and they end by themselves."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import time_machine
from django.conf import settings as site
from django.db import DatabaseError, connection
from django.test import Client
from django.utils import timezone

from club.account_models import SignIn
from club.browsers import kind_of_browser
from club.models import ApiToken, Member, digest
from tests.conftest import Cast, see

REFUSED = pytest.raises(DatabaseError, match=r"row-level security|permission denied|Only ")
ClientOf = Callable[[str], Client]
START = datetime(2026, 6, 15, 17, 0, 5, tzinfo=UTC)
PHONE = "Mozilla/5.0 (Android 15; Mobile; rv:140.0) Gecko/140.0 Firefox/140.0"
LAPTOP = "Mozilla/5.0 (Windows NT 10.0; Win64; x64) AppleWebKit/537.36 Chrome/142.0.0.0 Safari/537.36"


@pytest.fixture
def clock() -> Iterator[Any]:
    with time_machine.travel(START, tick=False) as traveller:
        yield traveller


def on(agent: str, persona: str = "member") -> Client:
    client = Client(headers={"user-agent": agent})
    client.post("/sign-in/", {"username": persona, "password": f"tallow-{persona}"})
    return client


def signed_in(client: Client) -> bool:
    return client.get("/account/").status_code == 200


def test_the_account_page_lists_the_sessions_and_marks_this_one(cast: Cast, clock: Any) -> None:
    phone, laptop = on(PHONE), on(LAPTOP)
    on(PHONE, "rival")
    listed = [(session.browser, here) for session, here in laptop.get("/account/").context["sessions"]]
    assert sorted(listed) == [("Chrome on Windows", True), ("Firefox on Android", False)]
    assert "Firefox on Android" in laptop.get("/account/").content.decode()
    assert signed_in(phone)


def test_one_session_is_ended_and_the_other_goes_on(cast: Cast, clock: Any) -> None:
    phone, laptop = on(PHONE), on(LAPTOP)
    stolen = SignIn.objects.get(browser="Firefox on Android")
    assert laptop.post(f"/account/sessions/{stolen.pk}/end/").status_code == 302
    assert not signed_in(phone) and signed_in(laptop)
    assert laptop.post(f"/account/sessions/{stolen.pk}/end/").status_code == 404
    here = SignIn.objects.get(browser="Chrome on Windows")
    laptop.post(f"/account/sessions/{here.pk}/end/")
    assert not signed_in(laptop)


def test_nobody_ends_anothers_session(cast: Cast, clock: Any) -> None:
    phone = on(PHONE)
    session = SignIn.objects.get()
    for persona in ("rival", "organiser"):
        assert on(LAPTOP, persona).post(f"/account/sessions/{session.pk}/end/").status_code == 404
    assert signed_in(phone)


def test_all_others_end_at_once_and_this_one_goes_on_under_a_new_key(cast: Cast, clock: Any) -> None:
    phone, laptop = on(PHONE), on(LAPTOP)
    before = laptop.session.session_key
    assert laptop.post("/account/sessions/").status_code == 302
    assert not signed_in(phone) and signed_in(laptop)
    assert laptop.session.session_key != before
    assert len(laptop.get("/account/").context["sessions"]) == 1


def test_signing_out_ends_the_session_though_the_cookie_was_copied(cast: Cast, clock: Any) -> None:
    laptop, thief = on(LAPTOP), Client()
    thief.cookies = laptop.cookies.copy()
    assert signed_in(thief)
    laptop.post("/sign-out/")
    assert not signed_in(thief)
    assert SignIn.objects.get().ended_at == START


def test_signing_in_again_begins_a_new_session(cast: Cast, clock: Any) -> None:
    laptop, copy = on(LAPTOP), Client()
    copy.cookies = laptop.cookies.copy()
    before = laptop.session.session_key
    laptop.post("/sign-in/", {"username": "member", "password": "tallow-member"})
    assert laptop.session.session_key != before
    assert signed_in(laptop) and not signed_in(copy)
    assert SignIn.objects.filter(ended_at=None).count() == 1


def test_whoever_was_signed_out_from_elsewhere_signs_in_again(cast: Cast, clock: Any) -> None:
    phone, laptop = on(PHONE), on(LAPTOP)
    gone = SignIn.objects.get(browser="Firefox on Android")
    laptop.post(f"/account/sessions/{gone.pk}/end/")
    assert not signed_in(phone)
    phone.post("/sign-in/", {"username": "member", "password": "tallow-member"})
    assert signed_in(phone)


def test_an_organiser_signs_a_member_out_everywhere(cast: Cast, clock: Any) -> None:
    phone = on(PHONE)
    _, token = ApiToken.issue(cast.member)
    path = f"/club/members/{cast.member.pk}/sign-out/"
    for persona in ("rival", "checker"):
        assert on(LAPTOP, persona).post(path).status_code == 404
    assert on(LAPTOP, "organiser").post(path).status_code == 302
    assert not signed_in(phone)
    assert Client().get("/api/trips/", headers={"Authorization": f"Token {token}"}).status_code == 401


@pytest.mark.parametrize("persona", ["member", "organiser"])
def test_a_session_ends_without_use_and_after_its_longest_time(cast: Cast, clock: Any, persona: str) -> None:
    idle, absolute = site.SESSION_LIMITS[persona]
    left, kept = on(PHONE, persona), on(LAPTOP, persona)
    step = idle - timedelta(hours=2)
    clock.shift(step)
    assert signed_in(kept)
    clock.shift(timedelta(hours=3))
    assert not signed_in(left) and signed_in(kept)
    while timezone.now() + step < START + absolute:
        clock.shift(step)
        assert signed_in(kept)
    clock.move_to(START + absolute + timedelta(seconds=1))
    assert not signed_in(kept)


def test_an_organisers_session_is_the_shorter_one() -> None:
    for member, organiser in zip(
        *(site.SESSION_LIMITS[role] for role in ("member", "organiser")), strict=True
    ):
        assert organiser < member
    assert max(limit[1] for limit in site.SESSION_LIMITS.values()).total_seconds() <= site.SESSION_COOKIE_AGE


def test_a_page_viewed_is_a_row_written_once_an_hour(cast: Cast, clock: Any) -> None:
    laptop = on(LAPTOP)
    clock.shift(1800)
    signed_in(laptop)
    assert SignIn.objects.get().seen_at == START
    clock.shift(1801)
    signed_in(laptop)
    assert SignIn.objects.get().seen_at == START + timedelta(seconds=3601)


def test_a_tokens_last_day_of_use_is_kept_and_shown(cast: Cast, clock: Any) -> None:
    stored, token = ApiToken.issue(cast.member, "logger")
    caller = Client(headers={"Authorization": f"Token {token}"})
    for days in (0, 0, 3):
        clock.shift(timedelta(days=days))
        assert caller.get("/api/trips/").status_code == 200
        stored.refresh_from_db()
        assert stored.last_used_on == timezone.now().date()
    assert "last used 18 Jun 2026" in on(LAPTOP).get("/account/").content.decode()


def test_a_session_without_its_row_is_nobodys(cast: Cast, client_of: ClientOf) -> None:
    client = client_of("member")
    assert signed_in(client)
    SignIn.objects.all().delete()
    assert not signed_in(client)


def test_a_new_password_ends_every_session(cast: Cast, clock: Any) -> None:
    phone = on(PHONE)
    cast.member.set_password("another one altogether")
    cast.member.save(update_fields=["password"])
    assert not signed_in(phone)
    assert SignIn.objects.get().ended_at is not None


# -- the database's own word


def test_sessions_are_their_members_alone(cast: Cast, clock: Any) -> None:
    on(PHONE)
    for persona in ("organiser", "rival", "nobody"):
        with see(cast, persona):
            assert not SignIn.objects.exists()
            assert SignIn.objects.update(ended_at=START) == 0
        with REFUSED, see(cast, persona):
            SignIn.objects.create(
                member=cast.member, key_digest=digest("x"), started_at=START, seen_at=START, browser=""
            )
    with see(cast, "member"):
        assert SignIn.objects.count() == 1


def test_an_ended_session_does_not_begin_again(cast: Cast, clock: Any) -> None:
    on(PHONE).post("/sign-out/")
    with REFUSED, see(cast, "member"):
        SignIn.objects.update(ended_at=None)
    with REFUSED, see(cast, "member"):
        SignIn.objects.update(started_at=START + timedelta(days=9))
    with see(cast, "member"):
        assert SignIn.objects.all().delete()[0] == 0


def test_the_table_holds_no_key_that_opens_a_session(cast: Cast, clock: Any) -> None:
    laptop = on(LAPTOP)
    with connection.cursor() as cursor:
        cursor.execute("SELECT row_to_json(s)::text FROM club_signin s")
        assert laptop.session.session_key not in cursor.fetchone()[0]


@pytest.mark.parametrize(
    ("agent", "words"),
    [
        (PHONE, "Firefox on Android"),
        (LAPTOP, "Chrome on Windows"),
        (
            "Mozilla/5.0 (iPhone; CPU iPhone OS 18_0 like Mac OS X) Version/18.0 Safari/604.1",
            "Safari on an iPhone",
        ),
        ("", "a browser"),
        ("<script>alert(1)</script>" * 50, "a browser"),
    ],
)
def test_a_browser_is_named_coarsely_and_never_by_its_own_words(agent: str, words: str) -> None:
    assert kind_of_browser(agent) == words


def test_a_session_planted_in_djangos_table_alone_signs_nobody_in(cast: Cast) -> None:
    client = Client()
    session = client.session
    session["_auth_user_id"] = str(cast.member.pk)
    session["_auth_user_backend"] = "django.contrib.auth.backends.ModelBackend"
    session["_auth_user_hash"] = Member.objects.get(pk=cast.member.pk).get_session_auth_hash()
    session.save()
    client.cookies[site.SESSION_COOKIE_NAME] = session.session_key
    assert not signed_in(client)
