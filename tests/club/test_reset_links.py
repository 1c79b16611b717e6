"""A forgotten password without a mail server: one link, once, for hours, and never unseen."""

import logging
import re
from collections.abc import Callable
from datetime import timedelta
from io import StringIO
from typing import Any

import pytest
import time_machine
from django.conf import settings as site
from django.contrib.auth.hashers import check_password
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection
from django.test import Client
from django.utils import timezone

from club.account_models import ResetLink
from club.logs import HideLinks
from club.models import ApiToken, Member, digest
from club.people import holding
from club.viewer import PUBLIC, viewing
from tests.conftest import Cast, see

NEW = "tench under the lilies"
REFUSED = pytest.raises(DatabaseError, match=r"row-level security|permission denied|Only ")
ClientOf = Callable[[str], Client]


def issue(cast: Cast, member: Member, **more: Any) -> str:
    return ResetLink.issue(
        member, more.pop("issuer", cast.organiser), more.pop("moment", timezone.now()), **more
    )[1]


def use(token: str, client: Client | None = None, password: str = NEW, **more: str) -> Any:
    form = {"password": password, "password_again": password, **more}
    return (client or Client()).post(f"/reset/{token}/", form)


def enter(username: str, password: str) -> Any:
    return Client().post("/sign-in/", {"username": username, "password": password})


def test_an_organiser_gets_the_link_once_with_a_qr_code_for_their_own_password(
    cast: Cast, client_of: ClientOf
) -> None:
    path = f"/club/members/{cast.member.pk}/reset/"
    organiser = client_of("organiser")
    assert "not your password" in organiser.post(path, {"current": "wrong"}).content.decode()
    assert not ResetLink.objects.exists()
    page = organiser.post(path, {"current": "tallow-organiser"})
    link = page.context["link"]
    assert link.startswith("http://testserver/reset/") and link in page.content.decode()
    assert "<svg" in page.content.decode() and "style=" not in page.content.decode()
    assert link not in organiser.get(path).content.decode()
    stored = ResetLink.objects.get()
    token = link.rstrip("/").rsplit("/", 1)[1]
    assert stored.token_digest == digest(token) and token not in str(vars(stored))
    assert stored.expires_at - stored.issued_at == timedelta(hours=site.RESET_HOURS)


def test_the_holder_sets_a_password_and_every_session_and_token_ends(cast: Cast, client_of: ClientOf) -> None:
    phone = client_of("member")
    _, script = ApiToken.issue(cast.member)
    assert phone.get("/account/").status_code == 200
    answer = use(issue(cast, cast.member))
    assert answer.headers["Location"] == "/sign-in/"
    assert phone.get("/account/").status_code == 302
    header = {"Authorization": f"Token {script}"}
    assert Client().get("/api/trips/", headers=header).status_code == 401
    assert enter("member", "tallow-member").status_code == 400
    assert enter("member", NEW).status_code == 302
    assert ResetLink.objects.get().used_at is not None


def test_a_link_works_once_and_for_hours_and_every_closed_one_answers_alike(
    cast: Cast, client_of: ClientOf
) -> None:
    used = issue(cast, cast.member)
    use(used)
    replaced = issue(cast, cast.rival)
    closed = issue(cast, cast.rival)
    client_of("rival").post(f"/resets/{ResetLink.objects.get(token_digest=digest(closed)).pk}/close/")
    expired = issue(cast, cast.checker, moment=timezone.now() - timedelta(hours=site.RESET_HOURS, seconds=1))
    left = issue(cast, cast.guest)
    Member.objects.filter(pk=cast.guest.pk).update(is_active=False, left_at=timezone.now())
    answers = [
        (answer.status_code, answer.content, answer.headers.get("Referrer-Policy"))
        for token in (used, replaced, closed, expired, left, "never-issued", "%00")
        for answer in (Client().get(f"/reset/{token}/"), use(token, password="pike at the weir"))
    ]
    assert set(answers) == {(404, answers[0][1], "no-referrer")}
    for member in Member.objects.all():
        assert not check_password("pike at the weir", member.password)
    late = issue(cast, cast.newcomer, moment=timezone.now() - timedelta(hours=site.RESET_HOURS - 1))
    assert use(late).status_code == 302


@pytest.mark.parametrize("persona", ["organiser", "rival", "member"])
def test_a_link_does_nothing_in_a_session_of_somebody_signed_in(
    cast: Cast, client_of: ClientOf, persona: str
) -> None:
    token = issue(cast, cast.member)
    client = client_of(persona)
    assert client.get(f"/reset/{token}/").status_code == 403
    answer = use(token, client)
    assert answer.status_code == 403 and b"signed in as" in answer.content
    assert enter("member", "tallow-member").status_code == 302
    assert use(token).status_code == 302


def test_the_address_goes_to_no_other_page_and_to_no_cache(cast: Cast) -> None:
    token = issue(cast, cast.member)
    for answer in (Client().get(f"/reset/{token}/"), use(token, password="short"), use(token)):
        assert answer.headers["Referrer-Policy"] == "no-referrer"
        assert "no-store" in answer.headers["Cache-Control"]
        assert token not in answer.headers.get("Location", "")


def test_no_log_holds_a_link_that_still_works(cast: Cast, client_of: ClientOf) -> None:
    """A form that is refused, or a page forbidden, is logged with its address."""
    (handler,) = (
        each for each in logging.getLogger().handlers if any(isinstance(f, HideLinks) for f in each.filters)
    )
    assert isinstance(handler, logging.StreamHandler)
    written, before = StringIO(), handler.stream
    handler.setStream(written)
    try:
        token = issue(cast, cast.member)
        assert use(token, password="short").status_code == 400
        assert client_of("rival").get(f"/reset/{token}/").status_code == 403
        Client().get("/invitation/some-secret/")
        logging.getLogger("django.request").error("Internal Server Error: %s", f"/reset/{token}/")
    finally:
        handler.setStream(before)
    said = written.getvalue()
    assert said.count("/reset/…/") == 3 and "/invitation/…/" in said
    assert token not in said and "some-secret" not in said


def test_the_member_is_told_by_whom_when_and_whether_it_was_used(cast: Cast, client_of: ClientOf) -> None:
    phone = client_of("member")
    assert "reset link" not in phone.get("/waters/").content.decode()
    token = issue(cast, cast.member)
    for path in ("/club/", "/account/", "/waters/"):
        page = phone.get(path).content.decode()
        assert "Organiser issued a reset link" in page and "not used, open until" in page, path
    use(token, Client(headers={"user-agent": "Mozilla/5.0 (X11; Linux) Firefox/140.0"}))
    browser = Client()
    browser.post("/sign-in/", {"username": "member", "password": NEW})
    for _ in range(2):  # reading it does not take it away, or an intruder would
        page = browser.get("/waters/").content.decode()
        assert "Organiser issued a reset link" in page and "used on" in page
        assert "Firefox on Linux" in page
        browser.post("/sign-out/")
        browser.post("/sign-in/", {"username": "member", "password": NEW})
    with time_machine.travel(timezone.now() + timedelta(days=20)):
        enter_again = Client()
        enter_again.post("/sign-in/", {"username": "member", "password": NEW})
        assert "Organiser issued a reset link" in enter_again.get("/waters/").content.decode()
        assert "reset link" not in enter_again.get("/waters/").content.decode()
        assert "by Organiser" in enter_again.get("/account/").content.decode()


def test_every_organiser_sees_every_link_and_members_do_not(cast: Cast, client_of: ClientOf) -> None:
    Member.objects.filter(pk=cast.checker.pk).update(role="organiser")
    use(issue(cast, cast.member))
    page = client_of("checker").get("/club/").content.decode()
    assert re.search(r"Reset links of the last 90 days.*Member.*by Organiser; used on", page, re.DOTALL)
    assert "Reset links" not in client_of("rival").get("/club/").content.decode()


def test_the_member_closes_a_link_that_they_did_not_ask_for(cast: Cast, client_of: ClientOf) -> None:
    token = issue(cast, cast.member)
    path = f"/resets/{ResetLink.objects.get().pk}/close/"
    for persona in ("rival", "guest", "checker"):
        assert client_of(persona).post(path).status_code == 404
    assert client_of("member").get(path).status_code == 405
    assert client_of("member").post(path).status_code == 302
    assert use(token).status_code == 404
    assert "closed unused" in client_of("organiser").get("/club/").content.decode()


@pytest.mark.parametrize("persona", ["member", "checker", "captain", "guest"])
def test_only_organisers_make_links_and_not_for_themselves(
    cast: Cast, client_of: ClientOf, persona: str
) -> None:
    path = f"/club/members/{cast.rival.pk}/reset/"
    assert client_of(persona).get(path).status_code == 404
    assert client_of(persona).post(path, {"current": f"tallow-{persona}"}).status_code == 404
    own = f"/club/members/{cast.organiser.pk}/reset/"
    assert client_of("organiser").post(own, {"current": "tallow-organiser"}).status_code == 404
    assert not ResetLink.objects.exists()


def test_two_organisers_help_each_other(cast: Cast, client_of: ClientOf) -> None:
    Member.objects.filter(pk=cast.checker.pk).update(role="organiser")
    path = f"/club/members/{cast.organiser.pk}/reset/"
    link = client_of("checker").post(path, {"current": "tallow-checker"}).context["link"]
    assert use(link.rstrip("/").rsplit("/", 1)[1]).status_code == 302
    assert enter("organiser", NEW).status_code == 302


def test_a_poor_password_is_refused_and_the_link_stays_open(cast: Cast) -> None:
    token = issue(cast, cast.member)
    assert "too short" in use(token, password="short").content.decode()
    assert "differ" in use(token, password_again="other words entirely").content.decode()
    assert use(token).status_code == 302


def test_the_person_at_the_machine_prints_a_link_and_is_named_as_such(cast: Cast) -> None:
    out = StringIO()
    call_command("resetlink", "Organiser", stdout=out)
    token = re.search(r"/reset/([\w-]+)/", out.getvalue())[1]  # type: ignore[index]
    assert use(token).status_code == 302
    browser = Client()
    browser.post("/sign-in/", {"username": "organiser", "password": NEW})
    assert "the person at the club’s machine issued" in browser.get("/waters/").content.decode()
    with pytest.raises(CommandError, match="no account “nobody-here”"):
        call_command("resetlink", "nobody-here")


# -- the database's own word


def test_the_database_lets_only_an_organiser_issue_and_only_as_themselves(cast: Cast) -> None:
    now = timezone.now()
    for persona in ("member", "checker", "guest", "nobody"):
        with REFUSED, see(cast, persona, now):
            ResetLink.issue(cast.rival, getattr(cast, persona), now)
    with REFUSED, see(cast, "organiser", now):
        ResetLink.issue(cast.rival, cast.checker, now)
    with REFUSED, see(cast, "organiser", now):
        ResetLink.issue(cast.rival, None, now)
    with REFUSED, see(cast, "organiser", now):
        ResetLink.issue(cast.organiser, cast.organiser, now)
    with REFUSED, see(cast, "organiser", now):
        ResetLink.issue(cast.rival, cast.organiser, now - timedelta(days=1))
    with see(cast, "organiser", now):
        ResetLink.issue(cast.rival, cast.organiser, now)


def test_the_record_of_a_link_cannot_be_removed_or_rewritten(cast: Cast) -> None:
    now = timezone.now()
    token = issue(cast, cast.member)
    for persona in ("organiser", "member"):
        with REFUSED, see(cast, persona, now):
            connection.cursor().execute("DELETE FROM club_resetlink")
        with REFUSED, see(cast, persona, now):
            ResetLink.objects.update(issued_by=cast.rival)
        with REFUSED, see(cast, persona, now):
            ResetLink.objects.update(used_at=now)
        with REFUSED, see(cast, persona, now):
            ResetLink.objects.update(expires_at=now + timedelta(days=3))
    with see(cast, "rival", now):
        assert not ResetLink.objects.exists()
        assert ResetLink.objects.update(expires_at=now) == 0
    later = timezone.now()
    with viewing(PUBLIC, later), holding(token):
        assert ResetLink.objects.update(used_at=later) == 1
    with REFUSED, viewing(PUBLIC, later), holding(token):
        ResetLink.objects.update(used_at=None)
