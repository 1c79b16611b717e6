"""The second factor: a code beside the password, once each, and a secret that no query of the web reads."""

import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from io import StringIO
from typing import Any

import pyotp
import pytest
import time_machine
from django.contrib.auth.hashers import check_password
from django.core.management import call_command
from django.db import DatabaseError, connection
from django.test import Client
from django.utils import timezone

from club import second_factor
from club.account_models import ResetLink, SecondFactor
from club.models import ApiToken, Member, TeamMembership
from club.second_factor_policies import FREE_TRIES
from club.viewer import working
from tests.conftest import Cast, see

REFUSED = pytest.raises(DatabaseError, match=r"row-level security|permission denied|Only ")
ClientOf = Callable[[str], Client]
SECRET = "JBSWY3DPEHPK3PXPJBSWY3DPEHPK3PXP"
START = datetime(2026, 6, 15, 17, 0, 5, tzinfo=UTC)


@pytest.fixture
def clock() -> Iterator[Any]:
    with time_machine.travel(START, tick=False) as traveller:
        yield traveller


def code_at(moment: datetime, secret: str = SECRET) -> str:
    return pyotp.TOTP(secret).at(moment)


def give(cast: Cast, persona: str = "member") -> list[str]:
    """Set the factor with the code of now; return the recovery codes."""
    now = timezone.now()
    with see(cast, persona, now):
        return second_factor.set_up(SECRET, code_at(now))


def password(client: Client, persona: str = "member", **more: str) -> Any:
    return client.post("/sign-in/", {"username": persona, "password": f"tallow-{persona}", **more})


def send(client: Client, code: str) -> Any:
    return client.post("/sign-in/code/", {"code": code})


# -- the numbers, from outside


@pytest.mark.parametrize(
    ("seconds", "expected"),
    # RFC 6238, appendix B, the SHA-1 rows: the last six of the eight digits printed there.
    [
        (59, "287082"),
        (1111111109, "081804"),
        (1111111111, "050471"),
        (1234567890, "005924"),
        (2000000000, "279037"),
        (20000000000, "353130"),
    ],
)
def test_the_databases_codes_are_those_of_rfc_6238(db: None, seconds: int, expected: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT club_totp(%s, %s)", [b"12345678901234567890", seconds // 30])
        assert cursor.fetchone()[0] == expected


def test_the_databases_codes_are_those_of_an_independent_library(db: None) -> None:
    totp = pyotp.TOTP(SECRET)
    with connection.cursor() as cursor:
        for step in range(58_000_000, 58_000_300):
            cursor.execute("SELECT club_totp(%s, %s)", [totp.byte_secret(), step])
            assert cursor.fetchone()[0] == totp.generate_otp(step)


# -- setting it, on its page


def test_a_member_sets_it_with_their_password_and_the_apps_first_code(
    cast: Cast, client_of: ClientOf, clock: Any
) -> None:
    client = client_of("member")
    path = "/account/second-factor/"
    assert client.post(path, {"what": "begin", "current": "wrong"}).status_code == 400
    page = client.post(path, {"what": "begin", "current": "tallow-member"})
    assert b"<svg" in page.content and b"style=" not in page.content
    secret = re.sub(r"\s", "", page.context["secret"])
    assert len(secret) == 32
    sealed = page.context["set_form"]["sealed"].value()
    wrong = client.post(path, {"what": "confirm", "sealed": sealed, "code": "000000"})
    assert wrong.status_code == 400 and b"does not fit" in wrong.content and b"<svg" in wrong.content
    done = client.post(path, {"what": "confirm", "sealed": sealed, "code": code_at(START, secret)})
    codes = done.context["recovery"]
    assert len(set(codes)) == second_factor.RECOVERY_CODES
    assert all(code in done.content.decode() for code in codes)
    assert Member.objects.get(pk=cast.member.pk).second_factor_since == START
    later = client.get(path).content.decode()
    assert not any(code in later for code in codes) and secret not in re.sub(r"\s", "", later)
    assert str(SecondFactor.objects.get().recovery).count(codes[0]) == 0


def test_a_secret_of_somebody_elses_making_is_refused(cast: Cast, client_of: ClientOf, clock: Any) -> None:
    page = client_of("rival").post("/account/second-factor/", {"what": "begin", "current": "tallow-rival"})
    sealed = page.context["set_form"]["sealed"].value()
    secret = re.sub(r"\s", "", page.context["secret"])
    for bad in (sealed, "forged", ""):
        form = {"what": "confirm", "sealed": bad, "code": code_at(START, secret)}
        client_of("member").post("/account/second-factor/", form)
    assert not SecondFactor.objects.exists()


# -- signing in


def test_the_password_alone_opens_nothing(cast: Cast, clock: Any) -> None:
    give(cast)
    clock.shift(60)
    client = Client()
    answer = password(client, next="/account/")
    assert answer.headers["Location"] == "/sign-in/code/"
    assert client.get("/account/").status_code == 302
    assert client.get("/api/trips/").status_code in (401, 403)
    assert client.get("/sign-in/code/").status_code == 200
    before = client.session.session_key
    answer = send(client, code_at(timezone.now()))
    assert answer.headers["Location"] == "/account/"
    assert client.get("/account/").status_code == 200
    assert client.session.session_key != before


def test_the_page_of_the_code_is_for_who_gave_the_password_and_not_for_long(cast: Cast, clock: Any) -> None:
    give(cast)
    assert Client().get("/sign-in/code/").headers["Location"] == "/sign-in/"
    assert send(Client(), code_at(START)).headers["Location"] == "/sign-in/"
    client = Client()
    password(client)
    clock.shift(601)
    assert send(client, code_at(timezone.now())).headers["Location"] == "/sign-in/"
    client = Client()
    password(client)
    cast.member.set_password("changed in between")
    cast.member.save(update_fields=["password"])
    assert send(client, code_at(timezone.now())).headers["Location"] == "/sign-in/"


def test_no_code_works_twice_not_even_the_one_that_set_it_up(cast: Cast, clock: Any) -> None:
    give(cast)
    client = Client()
    password(client)
    assert send(client, code_at(START)).status_code == 400
    clock.shift(30)
    code = code_at(timezone.now())
    assert send(client, code).status_code == 302
    again = Client()
    password(again)
    assert send(again, code).status_code == 400
    # An older code than the last one used is refused as well.
    assert send(again, code_at(START)).status_code == 400


@pytest.mark.parametrize(("seconds", "status"), [(-60, 400), (-30, 302), (0, 302), (30, 302), (60, 400)])
def test_a_clock_may_be_half_a_minute_off(cast: Cast, clock: Any, seconds: int, status: int) -> None:
    give(cast)
    clock.shift(3600)
    client = Client()
    password(client)
    assert send(client, code_at(timezone.now() + timedelta(seconds=seconds))).status_code == status


def test_a_recovery_code_works_once_in_any_spelling(cast: Cast, clock: Any) -> None:
    codes = give(cast)
    for spelling, status in ((codes[0].upper(), 302), (codes[0], 400), (codes[1].replace("-", " "), 302)):
        client = Client()
        password(client)
        assert send(client, spelling).status_code == status
    with see(cast, "member"):
        assert second_factor.recovery_left() == second_factor.RECOVERY_CODES - 2


def test_guessing_waits_longer_each_time_and_the_member_is_told(cast: Cast, clock: Any) -> None:
    give(cast)
    clock.shift(60)
    client = Client()
    password(client)
    for _ in range(FREE_TRIES):
        assert b"does not fit" in send(client, "000000").content
    answer = send(client, code_at(timezone.now()))
    assert answer.status_code == 400 and b"Wait 15 minutes" in answer.content
    clock.shift(901)
    client = Client()
    password(client)
    assert b"does not fit" in send(client, "000000").content
    assert b"Wait 30 minutes" in send(client, code_at(timezone.now())).content
    clock.shift(1801)
    client = Client()
    password(client)
    assert send(client, code_at(timezone.now())).status_code == 302
    page = client.get("/waters/").content.decode()
    assert f"{FREE_TRIES + 1} wrong codes came with your password" in page


def test_a_wrong_password_says_nothing_about_a_second_factor(cast: Cast, clock: Any) -> None:
    give(cast)
    answers = []
    for name in ("member", "rival", "no-such-name"):
        answer = Client().post("/sign-in/", {"username": name, "password": "wrong"})
        text = answer.content.decode().replace(f'value="{name}"', "")
        answers.append((answer.status_code, text.replace(str(answer.context["csrf_token"]), "")))
    assert len(set(answers)) == 1


def test_a_script_gets_no_token_for_the_password(cast: Cast, clock: Any) -> None:
    give(cast)
    ask = {"username": "member", "password": "tallow-member"}
    answer = Client().post("/api/auth/token/", ask, content_type="application/json")
    assert answer.status_code == 403 and "account page" in answer.json()["detail"]
    assert not ApiToken.objects.exists()
    wrong = {"username": "member", "password": "wrong"}
    assert Client().post("/api/auth/token/", wrong, content_type="application/json").status_code == 400


# -- a reset link is not a way round


def reset(token: str, **more: str) -> Any:
    form = {"password": "tench under the lilies", "password_again": "tench under the lilies", **more}
    return Client().post(f"/reset/{token}/", form)


def test_a_reset_link_asks_for_the_code_as_well(cast: Cast, clock: Any) -> None:
    give(cast)
    clock.shift(60)
    _, token = ResetLink.issue(cast.member, cast.organiser, timezone.now())
    assert reset(token).status_code == 400
    assert reset(token, code="000000").status_code == 400
    assert check_password("tallow-member", Member.objects.get(pk=cast.member.pk).password)
    assert ResetLink.objects.get().used_at is None
    assert reset(token, code=code_at(timezone.now())).status_code == 302


def test_only_the_machine_makes_a_link_that_takes_the_factor_away(cast: Cast, clock: Any) -> None:
    give(cast)
    out = StringIO()
    call_command("resetlink", "member", "--without-second-factor", stdout=out)
    token = re.search(r"/reset/([\w-]+)/", out.getvalue())[1]  # type: ignore[index]
    assert reset(token).status_code == 302
    assert not SecondFactor.objects.exists()
    assert Member.objects.get(pk=cast.member.pk).second_factor_since is None
    now = timezone.now()
    with REFUSED, see(cast, "organiser", now):
        ResetLink.issue(cast.member, cast.organiser, now, lifts_second_factor=True)


# -- turning it off, and new recovery codes


def test_it_is_turned_off_and_renewed_with_a_code_alone(cast: Cast, client_of: ClientOf, clock: Any) -> None:
    old = give(cast)
    clock.shift(60)
    client = client_of("member")
    path = "/account/second-factor/"
    for what in ("renew", "off"):
        assert client.post(path, {"what": what, "code": "000000"}).status_code == 400
    new = client.post(path, {"what": "renew", "code": old[0]}).context["recovery"]
    browser = Client()
    password(browser)
    assert send(browser, old[1]).status_code == 400
    assert send(browser, new[0]).status_code == 302
    assert client.post(path, {"what": "off", "code": new[1]}).status_code == 302
    assert password(Client()).headers["Location"] == "/"


def test_changing_the_password_asks_for_a_code(cast: Cast, client_of: ClientOf, clock: Any) -> None:
    give(cast)
    clock.shift(60)
    client = client_of("member")
    form = {"current": "tallow-member", "password": "carp by the dock", "password_again": "carp by the dock"}
    assert client.post("/account/password/", form).status_code == 400
    assert client.post("/account/password/", {**form, "code": code_at(timezone.now())}).status_code == 302


def test_a_former_members_data_is_given_for_the_code_too(cast: Cast, clock: Any) -> None:
    give(cast)
    TeamMembership.objects.filter(member=cast.member).delete()
    Member.objects.filter(pk=cast.member.pk).update(is_active=False, left_at=timezone.now())
    clock.shift(60)
    form = {"username": "member", "password": "tallow-member"}
    assert Client().post("/hand-over/", form).status_code == 400
    answer = Client().post("/hand-over/", {**form, "code": code_at(timezone.now())})
    assert answer.status_code == 200
    assert b"".join(answer.streaming_content)[:2] == b"PK"
    answer.close()


def test_an_organiser_without_one_is_asked_for_it(cast: Cast, client_of: ClientOf, clock: Any) -> None:
    client = client_of("organiser")
    assert b"You have no second factor yet" in client.get("/club/").content
    assert b"You have no second factor yet" not in client_of("checker").get("/club/").content
    give(cast, "organiser")
    assert b"You have no second factor yet" not in client.get("/club/").content


# -- the database's own word


@pytest.mark.parametrize("persona", ["member", "organiser", "nobody"])
def test_no_query_of_the_web_reads_a_secret(cast: Cast, clock: Any, persona: str) -> None:
    give(cast)
    assert SecondFactor.objects.count() == 1
    for sql in (
        "SELECT secret FROM club_secondfactor",
        "SELECT count(*) FROM club_secondfactor",
        "UPDATE club_secondfactor SET failures = 0",
        "DELETE FROM club_secondfactor",
        "INSERT INTO club_secondfactor (member_id) SELECT id FROM club_member LIMIT 1",
    ):
        with REFUSED, see(cast, persona):
            connection.cursor().execute(sql)
    with REFUSED, working(timezone.now()):
        connection.cursor().execute("SELECT club_check_second_factor(NULL, '')")


def test_the_web_cannot_say_by_itself_that_there_is_a_factor_or_none(cast: Cast, clock: Any) -> None:
    give(cast)
    for persona in ("member", "organiser"):
        with REFUSED, see(cast, persona):
            Member.objects.filter(pk=cast.member.pk).update(second_factor_since=None)
    with REFUSED, see(cast, "rival"):
        Member.objects.filter(pk=cast.rival.pk).update(second_factor_since=timezone.now())


def test_a_second_secret_does_not_take_the_firsts_place(cast: Cast, clock: Any) -> None:
    give(cast)
    other = pyotp.random_base32()
    with see(cast, "member"), pytest.raises(Exception, match="does not fit"):
        second_factor.set_up(other, code_at(timezone.now(), other))
    with REFUSED, see(cast, "rival"):
        second_factor.set_up("MFRGGZDF", "000000")
