"""What every answer says to browsers and caches, and what another site's page may not do."""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from club.models import ApiToken
from tests.conftest import Cast

ClientOf = Callable[[str], Client]
PAGES = ("/waters/", "/sign-in/", "/club/", "/account/", "/no-such-page/", "/api/spots/")


def deployed(*names: str) -> dict[str, Any]:
    """Return settings as they are behind the TLS proxy, read by a program of its own."""
    code = f"import json; from club import settings; print(json.dumps({{n: getattr(settings, n) for n in {names!r}}}))"
    env = {
        **os.environ,
        "TALLOW_HTTPS": "1",
        "TALLOW_ALLOWED_HOSTS": "club.example",
        "TALLOW_SECRET_KEY": "x" * 60,
        "TALLOW_DB_ROLE": "web",
    }
    done = subprocess.run(  # noqa: S603  (ours)
        [sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True
    )
    return dict(json.loads(done.stdout))


@pytest.mark.parametrize("path", PAGES)
@pytest.mark.parametrize("persona", ["organiser", "nobody"])
def test_every_answer_carries_the_headers(cast: Cast, client_of: ClientOf, path: str, persona: str) -> None:
    headers = client_of(persona).get(path).headers
    policy = headers["Content-Security-Policy"]
    assert (
        "default-src 'none'" in policy and "frame-ancestors 'none'" in policy and "base-uri 'none'" in policy
    )
    assert "script-src 'self'" in policy and "unsafe" not in policy and "http" not in policy
    assert headers["X-Frame-Options"] == "DENY"
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "same-origin"
    assert headers["Cross-Origin-Opener-Policy"] == "same-origin"
    assert headers["Cross-Origin-Resource-Policy"] == "same-origin"
    assert (
        "camera=()" in headers["Permissions-Policy"] and "geolocation=(self)" in headers["Permissions-Policy"]
    )


def test_a_static_file_carries_the_policy_too(cast: Cast) -> None:
    answer = Client().get("/static/css/tokens.css")
    assert answer.status_code == 200
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    answer.close()


@pytest.mark.parametrize("path", PAGES)
def test_what_someone_signed_in_sees_is_kept_by_no_cache(cast: Cast, client_of: ClientOf, path: str) -> None:
    assert "no-store" in client_of("organiser").get(path).headers["Cache-Control"]
    shared = client_of("nobody").get(path).headers["Cache-Control"]
    assert "private" in shared and ("no-cache" in shared or "no-store" in shared)


def test_a_token_answer_is_kept_by_no_cache(cast: Cast) -> None:
    _, token = ApiToken.issue(cast.member)
    answer = Client().get("/api/spots/", headers={"Authorization": f"Token {token}"})
    assert answer.status_code == 200 and "no-store" in answer.headers["Cache-Control"]


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
@pytest.mark.parametrize("method", ["get", "post", "options"])
def test_a_page_of_another_site_may_not_ask_the_api(
    cast: Cast, client_of: ClientOf, site: str, method: str
) -> None:
    for persona in ("member", "nobody"):
        for path in ("/api/spots/", "/api/observations/", "/api/auth/token/", "/api/schema/"):
            answer = getattr(client_of(persona), method)(path, headers={"Sec-Fetch-Site": site})
            assert answer.status_code == 403 and "other sites" in answer.json()["detail"]


@pytest.mark.parametrize("site", ["same-origin", "none", None])
def test_our_own_pages_a_typed_address_and_programs_may(
    cast: Cast, client_of: ClientOf, site: str | None
) -> None:
    headers = {"Sec-Fetch-Site": site} if site else {}
    assert client_of("member").get("/api/spots/", headers=headers).status_code == 200


def test_a_form_of_another_site_changes_nothing(cast: Cast, client_of: ClientOf) -> None:
    client = client_of("organiser", enforce_csrf_checks=True)  # type: ignore[call-arg]
    for path in ("/account/password/", "/account/sessions/", f"/club/members/{cast.member.pk}/reset/"):
        assert client.post(path, {"current": "tallow-organiser"}).status_code == 403


def test_cookies_are_bound_to_this_host_and_to_tls() -> None:
    said = deployed(
        "KNOWN_COOKIE_NAME",
        "SESSION_COOKIE_NAME", "CSRF_COOKIE_NAME", "SESSION_COOKIE_SECURE", "CSRF_COOKIE_SECURE",
        "SECURE_SSL_REDIRECT", "SECURE_HSTS_SECONDS",
    )  # fmt: skip
    assert said["SESSION_COOKIE_NAME"].startswith("__Host-") and said["CSRF_COOKIE_NAME"].startswith(
        "__Host-"
    )
    assert said["KNOWN_COOKIE_NAME"].startswith("__Host-")
    assert said["SESSION_COOKIE_SECURE"] and said["CSRF_COOKIE_SECURE"] and said["SECURE_SSL_REDIRECT"]
    assert said["SECURE_HSTS_SECONDS"] >= 31536000


def test_the_sessions_cookie_is_out_of_scripts_reach_and_has_what_a_host_cookie_needs(cast: Cast) -> None:
    client = Client()
    client.post("/sign-in/", {"username": "member", "password": "tallow-member"})
    cookie = client.cookies["tallow"]
    assert (
        cookie["httponly"] and cookie["samesite"] == "Lax" and cookie["path"] == "/" and not cookie["domain"]
    )


def test_signing_out_clears_what_the_browser_has_cached(cast: Cast, client_of: ClientOf) -> None:
    assert client_of("member").post("/sign-out/").headers["Clear-Site-Data"] == '"cache"'


def test_no_cookie_carries_what_a_page_says_next(cast: Cast, client_of: ClientOf) -> None:
    client = client_of("member")
    client.post("/account/sessions/")
    assert set(client.cookies) <= {"tallow", "csrftoken"}
    assert b"signed out" in client.get("/account/").content
