"""Signing in and out: one answer for every mistake, a wait after too many, a new session each time."""

from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth.hashers import MD5PasswordHasher
from django.contrib.sessions.models import Session
from django.test import Client, RequestFactory
from django.utils import timezone

from club.models import Member, SignInAttempt
from club.sign_in import PER_ADDRESS, PER_NAME, WINDOW, address_of
from tests.conftest import Cast


class CountingHasher(MD5PasswordHasher):
    """MD5, and how often it ran: the time that a sign-in takes is the time of its hashes."""

    runs = 0

    def encode(self, password: str, salt: str) -> str:
        type(self).runs += 1
        return super().encode(password, salt)


def sign_in(client: Client, username: str, password: str, **more: Any) -> Any:
    return client.post("/sign-in/", {"username": username, "password": password}, **more)


def test_a_member_signs_in_and_lands_where_they_were_going(cast: Cast) -> None:
    client = Client()
    assert client.get("/account/").headers["Location"] == "/sign-in/?next=%2Faccount%2F"
    answer = client.post(
        "/sign-in/", {"username": "member", "password": "tallow-member", "next": "/account/"}
    )
    assert (answer.status_code, answer.headers["Location"]) == (302, "/account/")
    assert client.get("/account/").status_code == 200


def test_a_username_fits_in_any_case_because_phones_write_the_first_letter_large(cast: Cast) -> None:
    assert sign_in(Client(), " Member ", "tallow-member").status_code == 302


@pytest.mark.parametrize(
    "target", ["https://elsewhere.example/", "//elsewhere.example/", "javascript:alert(1)", ""]
)
def test_nobody_is_sent_to_another_site_after_signing_in(cast: Cast, target: str) -> None:
    answer = Client().post("/sign-in/", {"username": "member", "password": "tallow-member", "next": target})
    assert answer.headers["Location"] == "/"


def test_the_answer_does_not_tell_whether_the_name_exists(cast: Cast) -> None:
    Member.objects.filter(pk=cast.rival.pk).update(is_active=False, left_at=timezone.now())
    unusable = Member.objects.create_user("archive", None, name="From the archive", is_active=False)
    assert not unusable.has_usable_password()
    bodies = []
    for username, password in (
        ("member", "wrong"),
        ("no-such-name", "wrong"),
        ("rival", "tallow-rival"),
        ("archive", "wrong"),
    ):
        answer = sign_in(Client(), username, password)
        assert answer.status_code == 400
        text = answer.content.decode().replace(f'value="{username}"', "")
        token = answer.context["csrf_token"]
        bodies.append(text.replace(str(token), ""))
    assert len(set(bodies)) == 1


@pytest.mark.parametrize(
    ("username", "password"),
    [("member", "wrong"), ("no-such-name", "wrong"), ("rival", "tallow-rival"), ("archive", "wrong")],
)
def test_every_failure_costs_one_hash(cast: Cast, settings: Any, username: str, password: str) -> None:
    settings.PASSWORD_HASHERS = [f"{__name__}.CountingHasher"]
    Member.objects.filter(pk=cast.rival.pk).update(is_active=False, left_at=timezone.now())
    Member.objects.create_user("archive", None, name="From the archive", is_active=False)
    CountingHasher.runs = 0
    assert sign_in(Client(), username, password).status_code == 400
    assert CountingHasher.runs == 1


def test_after_five_failures_even_the_right_password_waits(cast: Cast) -> None:
    for _ in range(PER_NAME):
        assert sign_in(Client(), "member", "wrong").status_code == 400
    answer = sign_in(Client(), "MEMBER", "tallow-member")
    assert answer.status_code == 429
    assert 0 < int(answer.headers["Retry-After"]) <= WINDOW.total_seconds()
    assert "Wait 15 minutes" in answer.content.decode()
    assert sign_in(Client(), "checker", "tallow-checker").status_code == 302


def test_a_name_that_does_not_exist_is_slowed_down_alike(cast: Cast) -> None:
    for _ in range(PER_NAME):
        assert sign_in(Client(), "no-such-name", "wrong").status_code == 400
    assert sign_in(Client(), "no-such-name", "wrong").status_code == 429


def test_the_wait_ends_after_a_quarter_of_an_hour(cast: Cast) -> None:
    for _ in range(PER_NAME):
        sign_in(Client(), "member", "wrong")
    SignInAttempt.objects.update(at=timezone.now() - WINDOW - timedelta(seconds=1))
    assert sign_in(Client(), "member", "tallow-member").status_code == 302


def test_twenty_failures_from_one_address_make_that_address_wait(cast: Cast) -> None:
    for n in range(PER_ADDRESS):
        assert sign_in(Client(), f"name{n}", "wrong", REMOTE_ADDR="192.0.2.7").status_code == 400
    assert sign_in(Client(), "member", "tallow-member", REMOTE_ADDR="192.0.2.7").status_code == 429
    assert sign_in(Client(), "member", "tallow-member", REMOTE_ADDR="192.0.2.8").status_code == 302


def test_signing_in_forgets_the_failures_of_the_name_but_not_of_the_address(cast: Cast) -> None:
    for _ in range(PER_NAME - 1):
        sign_in(Client(), "member", "wrong")
    assert sign_in(Client(), "member", "tallow-member").status_code == 302
    for _ in range(PER_NAME):
        assert sign_in(Client(), "member", "wrong").status_code == 400
    assert SignInAttempt.objects.values("key").distinct().count() == 2


def test_what_is_kept_names_nobody_and_is_pruned(cast: Cast) -> None:
    sign_in(Client(), "member", "wrong", REMOTE_ADDR="192.0.2.7")
    kept = [attempt.key for attempt in SignInAttempt.objects.all()]
    assert len(kept) == 2
    assert all(len(key) == 64 and "member" not in key and "192.0.2.7" not in key for key in kept)
    SignInAttempt.objects.update(at=timezone.now() - WINDOW)
    sign_in(Client(), "other", "wrong", REMOTE_ADDR="192.0.2.9")
    assert not SignInAttempt.objects.filter(key__in=kept).exists()


@pytest.mark.parametrize(
    ("https", "remote", "forwarded", "expected"),
    [
        (False, "192.0.2.7", "203.0.113.1", "192.0.2.7"),
        (True, "127.0.0.1", "203.0.113.9, 203.0.113.1", "203.0.113.1"),
        (True, "127.0.0.1", None, "127.0.0.1"),
        (False, "", None, ""),
        (False, "2001:db8:1:2:3:4:5:6", None, "2001:db8:1:2::/64"),
        (False, "::ffff:192.0.2.7", None, "192.0.2.7"),
    ],
)
def test_the_address_is_the_proxys_word_only_behind_the_proxy(
    settings: Any, https: bool, remote: str, forwarded: str | None, expected: str
) -> None:
    settings.HTTPS = https
    headers = {"X-Forwarded-For": forwarded} if forwarded else {}
    request = RequestFactory().get("/", headers=headers, REMOTE_ADDR=remote)
    assert address_of(request) == expected


def test_a_session_from_before_is_not_carried_over(cast: Cast) -> None:
    client = Client()
    session = client.session
    session["planted"] = "yes"
    session.save()
    planted = session.session_key
    sign_in(client, "member", "tallow-member")
    assert client.session.session_key != planted
    assert not Session.objects.filter(session_key=planted).exists()


def test_signing_in_as_someone_else_takes_nothing_over(cast: Cast) -> None:
    client = Client()
    sign_in(client, "member", "tallow-member")
    session = client.session
    session["private"] = "member's"
    session.save()
    sign_in(client, "rival", "tallow-rival")
    assert "private" not in client.session


def test_signing_out_takes_a_post_and_ends_the_session(cast: Cast) -> None:
    client = Client()
    sign_in(client, "member", "tallow-member")
    assert client.get("/sign-out/").status_code == 405
    key = client.session.session_key
    client.post("/sign-out/")
    assert client.get("/account/").status_code == 302
    assert not Session.objects.filter(session_key=key).exists()


@pytest.mark.parametrize(
    "address", ["/sign-in/", "/sign-out/", "/account/", "/account/tokens/", "/club/invite/"]
)
def test_a_post_without_the_csrf_token_is_refused(cast: Cast, address: str) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(cast.organiser)
    answer = client.post(address, {"username": "member", "password": "tallow-member", "role": "member"})
    assert answer.status_code == 403
    assert "too old to send" in answer.content.decode()


def test_a_weak_hash_is_renewed_when_its_owner_signs_in(cast: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    before = cast.member.password
    monkeypatch.setattr(MD5PasswordHasher, "must_update", lambda self, encoded: True)
    assert sign_in(Client(), "member", "tallow-member").status_code == 302
    cast.member.refresh_from_db()
    assert cast.member.password != before
    assert cast.member.check_password("tallow-member")


def test_a_stranger_who_keeps_guessing_does_not_keep_the_member_out(cast: Cast) -> None:
    """A browser that has signed in under the name before counts its own failures."""
    phone = Client()
    sign_in(phone, "member", "tallow-member")
    phone.post("/sign-out/")
    for n in range(PER_NAME):
        sign_in(Client(), "member", "wrong", REMOTE_ADDR=f"192.0.2.{n}")
    assert sign_in(Client(), "member", "tallow-member").status_code == 429
    assert sign_in(phone, "Member", "tallow-member").status_code == 302


def test_a_known_browser_waits_after_its_own_failures_and_only_for_its_name(cast: Cast) -> None:
    phone = Client()
    sign_in(phone, "member", "tallow-member")
    phone.post("/sign-out/")
    for _ in range(PER_NAME):
        assert sign_in(phone, "member", "wrong").status_code == 400
    assert sign_in(phone, "member", "tallow-member").status_code == 429
    # Its mark is no pass for another name, nor one that somebody made up.
    for n in range(PER_NAME):
        sign_in(Client(), "rival", "wrong", REMOTE_ADDR=f"192.0.2.{n}")
    assert sign_in(phone, "rival", "tallow-rival").status_code == 429
    forged = Client()
    forged.cookies["known"] = "x." + "0" * 64
    assert sign_in(forged, "rival", "tallow-rival").status_code == 429


def test_the_mark_of_a_known_browser_names_nobody(cast: Cast) -> None:
    values = []
    for _ in range(2):
        client = Client()
        sign_in(client, "member", "tallow-member")
        cookie = client.cookies["known"]
        assert cookie["httponly"] and cookie["samesite"] == "Lax" and "member" not in cookie.value
        values.append(cookie.value)
    assert values[0] != values[1]


def test_one_browser_may_change_hands_again_and_again(cast: Cast) -> None:
    client = Client()
    for persona in ("member", "rival", "member", "newcomer"):
        assert client.login(username=persona, password=f"tallow-{persona}")
        assert client.session.session_key
        assert client.get("/sharing/").status_code == 200
