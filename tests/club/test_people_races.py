"""What happens when several requests come at the same moment, each on its own connection."""

import threading
from collections.abc import Callable
from datetime import timedelta

import pyotp
import pytest
from django.db import connection
from django.test import Client
from django.utils import timezone

from club import second_factor
from club.account_models import ResetLink
from club.models import Club, Invitation, Member
from club.sign_in import PER_NAME
from club.viewer import viewer_of, viewing

PASSWORD = "perch in the reeds"


pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def boss() -> Member:
    """An organiser whom other connections see too."""
    Club.objects.create(name="Test club")
    return Member.objects.create_user("boss", PASSWORD, name="Boss", role="organiser")


def at_once(count: int, request: Callable[[int], int]) -> list[int]:
    """Run `request` in as many threads, started together; return the statuses in order."""
    start, statuses = threading.Barrier(count), []

    def run(n: int) -> None:
        start.wait()
        try:
            statuses.append(request(n))
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(n,)) for n in range(count)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sorted(statuses)


def test_three_who_use_a_link_together_get_one_account(boss: Member) -> None:
    _, token = Invitation.issue(moment=timezone.now(), created_by=boss)

    def accept(n: int) -> int:
        form = {"name": "Wen", "username": f"twin{n}", "password": PASSWORD, "password_again": PASSWORD}
        return Client().post(f"/invitation/{token}/", form).status_code

    assert at_once(3, accept) == [302, 404, 404]
    assert Member.objects.filter(username__startswith="twin").count() == 1


def test_guesses_sent_together_are_all_counted(boss: Member) -> None:
    def guess(n: int) -> int:
        return Client().post("/sign-in/", {"username": "boss", "password": f"guess{n}"}).status_code

    assert at_once(PER_NAME + 3, guess) == [400] * PER_NAME + [429] * 3


def test_two_organisers_who_step_down_together_leave_one(boss: Member) -> None:
    second = Member.objects.create_user("second", PASSWORD, name="Second", role="organiser")
    clients = [Client(), Client()]
    for client, member in zip(clients, (boss, second), strict=True):
        client.force_login(member)

    def step_down(n: int) -> int:
        return clients[n].post(f"/club/members/{(boss, second)[n].pk}/", {"role": "member"}).status_code

    assert at_once(2, step_down) == [302, 400]
    assert Member.objects.filter(role="organiser").count() == 1


def test_two_who_use_a_reset_link_together_set_one_password(boss: Member) -> None:
    member = Member.objects.create_user("forgetful", PASSWORD, name="Forgetful")
    _, token = ResetLink.issue(member, boss, timezone.now())

    def use(n: int) -> int:
        form = {
            "password": f"roach number {n} by the reeds",
            "password_again": f"roach number {n} by the reeds",
        }
        return Client().post(f"/reset/{token}/", form).status_code

    assert at_once(3, use) == [302, 404, 404]
    member.refresh_from_db()
    fits = [member.check_password(f"roach number {n} by the reeds") for n in range(3)]
    assert fits.count(True) == 1


def test_one_code_sent_three_times_together_signs_in_once(boss: Member) -> None:
    secret = pyotp.random_base32()
    now = timezone.now()
    with viewing(viewer_of(boss), now - timedelta(minutes=5)):
        second_factor.set_up(secret, pyotp.TOTP(secret).at(now - timedelta(minutes=5)))
    clients = [Client() for _ in range(3)]
    for client in clients:
        client.post("/sign-in/", {"username": "boss", "password": PASSWORD})
    code = pyotp.TOTP(secret).at(timezone.now())

    def send(n: int) -> int:
        return clients[n].post("/sign-in/code/", {"code": code}).status_code

    assert at_once(3, send) == [302, 400, 400]
