"""A member's own account: name, units, standing choice, password, tokens, sessions."""

from collections.abc import Callable

import pytest
from django.test import Client
from django.utils import timezone

from club.models import ApiToken, Member, digest
from tests.conftest import Cast

SETTINGS = {"name": "Tomas Vane", "length_unit": "ft", "temperature_unit": "F", "weight_unit": "kg"}


def signed_in(member: Member) -> Client:
    client = Client()
    client.force_login(member)
    return client


def test_each_quantity_has_its_own_unit(cast: Cast, client_of: Callable[[str], Client]) -> None:
    client = client_of("member")
    assert client.post("/account/", {**SETTINGS, "shares_thin_history": "on"}).status_code == 302
    member = Member.objects.get(pk=cast.member.pk)
    assert (member.name, member.length_unit, member.temperature_unit, member.weight_unit) == (
        "Tomas Vane",
        "ft",
        "F",
        "kg",
    )
    assert member.shares_thin_history
    client.post("/account/", SETTINGS)
    assert not Member.objects.get(pk=cast.member.pk).shares_thin_history


def test_a_form_with_more_fields_changes_nothing_more(cast: Cast, client_of: Callable[[str], Client]) -> None:
    forged = {
        **SETTINGS,
        "role": "organiser",
        "is_checker": "on",
        "username": "boss",
        "id": str(cast.rival.pk),
    }
    client_of("member").post("/account/", forged)
    member = Member.objects.get(pk=cast.member.pk)
    assert (member.role, member.is_checker, member.username) == ("member", False, "member")
    assert Member.objects.get(pk=cast.rival.pk).name == "Rival"


def test_a_unit_that_does_not_exist_is_refused(cast: Cast, client_of: Callable[[str], Client]) -> None:
    answer = client_of("member").post("/account/", {**SETTINGS, "length_unit": "rods"})
    assert answer.status_code == 400 and "rods" in answer.content.decode()
    assert Member.objects.get(pk=cast.member.pk).name == "Member"


def change(client: Client, current: str, new: str = "carp beside the dock", again: str = "") -> int:
    form = {"current": current, "password": new, "password_again": again or new}
    return client.post("/account/password/", form).status_code


def test_a_new_password_signs_other_devices_out_and_this_one_not(cast: Cast) -> None:
    here, phone = signed_in(cast.member), signed_in(cast.member)
    assert change(here, "tallow-member") == 302
    assert here.get("/account/").status_code == 200
    assert phone.get("/account/").status_code == 302
    assert Member.objects.get(pk=cast.member.pk).check_password("carp beside the dock")


@pytest.mark.parametrize(
    ("current", "new", "again"),
    [
        ("wrong", "carp beside the dock", ""),
        ("tallow-member", "short", ""),
        ("tallow-member", "carp beside the dock", "another one here"),
        ("tallow-member", "member.2026", ""),
    ],
)
def test_a_bad_change_leaves_the_old_password(cast: Cast, current: str, new: str, again: str) -> None:
    assert change(signed_in(cast.member), current, new, again) == 400
    assert Member.objects.get(pk=cast.member.pk).check_password("tallow-member")


def test_a_found_phone_cannot_guess_the_password_for_long(cast: Cast) -> None:
    phone = signed_in(cast.member)
    for _ in range(5):
        change(phone, "wrong")
    assert change(phone, "tallow-member") == 400
    assert Member.objects.get(pk=cast.member.pk).check_password("tallow-member")


def test_signing_out_everywhere_else_ends_the_other_sessions_only(cast: Cast) -> None:
    here, phone, rival = signed_in(cast.member), signed_in(cast.member), signed_in(cast.rival)
    assert here.post("/account/sessions/").status_code == 302
    assert here.get("/account/").status_code == 200
    assert phone.get("/account/").status_code == 302
    assert rival.get("/account/").status_code == 200


def test_a_token_is_shown_once_kept_as_a_digest_and_works(
    cast: Cast, client_of: Callable[[str], Client]
) -> None:
    client = client_of("member")
    page = client.post("/account/tokens/", {"label": "plotter sync"})
    token = page.context["new_token"]
    assert token in page.content.decode()
    later = client.get("/account/").content.decode()
    assert token not in later and "plotter sync" in later
    assert ApiToken.objects.get().token_digest == digest(token)
    script = Client(headers={"Authorization": f"Token {token}"})
    assert "member, member" in script.get("/account/").content.decode()


def test_a_revoked_token_stops_at_once(cast: Cast, client_of: Callable[[str], Client]) -> None:
    stored, token = ApiToken.issue(cast.member)
    script = Client(headers={"Authorization": f"Token {token}"})
    assert script.get("/api/spots/").status_code == 200
    assert client_of("member").post(f"/account/tokens/{stored.pk}/revoke/").status_code == 302
    assert script.get("/api/spots/").status_code == 401


def test_nobody_sees_or_revokes_the_token_of_another(cast: Cast, client_of: Callable[[str], Client]) -> None:
    stored, _ = ApiToken.issue(cast.member, "canary label")
    for persona in ("rival", "organiser", "guest"):
        client = client_of(persona)
        assert "canary label" not in client.get("/account/").content.decode()
        assert client.post(f"/account/tokens/{stored.pk}/revoke/").status_code == 404
    assert ApiToken.objects.get().revoked_at is None


def test_a_guest_keeps_an_account_but_has_no_club_page(
    cast: Cast, client_of: Callable[[str], Client]
) -> None:
    client = client_of("guest")
    page = client.get("/account/").content.decode()
    assert "rest on few people" not in page
    assert client.get("/club/").status_code == 404


@pytest.mark.parametrize("address", ["password/", "sessions/", "tokens/"])
def test_the_signed_out_are_sent_to_sign_in(cast: Cast, address: str) -> None:
    answer = Client().post(f"/account/{address}")
    assert answer.headers["Location"].startswith("/sign-in/")


def test_a_token_used_by_a_former_member_is_refused(cast: Cast) -> None:
    _, token = ApiToken.issue(cast.member)
    Member.objects.filter(pk=cast.member.pk).update(is_active=False, left_at=timezone.now())
    assert Client(headers={"Authorization": f"Token {token}"}).get("/api/spots/").status_code == 401
