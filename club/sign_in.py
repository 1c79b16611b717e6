"""Checking a username and a password: one answer for every mistake, and a wait after too many."""

import ipaddress
from datetime import datetime, timedelta

from django.conf import settings
from django.contrib.auth.hashers import check_password, identify_hasher, make_password
from django.http import HttpRequest
from django.utils.crypto import salted_hmac

from club.models import Member, SignInAttempt
from club.turns import Turn, take_turn
from club.viewer import viewer_of, viewing

WINDOW = timedelta(minutes=15)
PER_NAME = 5
PER_ADDRESS = 20

WRONG = "The username or the password is wrong."


class WrongCredentials(Exception):  # noqa: N818  (read as a sentence where it is raised)
    """No such member, a wrong password, or an account that may not sign in: the caller is not told which."""


class TooManyAttempts(Exception):  # noqa: N818
    """The name or the address has failed too often; `seconds` until the next try."""

    def __init__(self, seconds: int) -> None:
        super().__init__(seconds)
        self.seconds = seconds

    @property
    def words(self) -> str:
        minutes = -(-self.seconds // 60)
        return (
            f"Too many failed attempts. Wait {minutes} minute{'' if minutes == 1 else 's'}, then try again."
        )


def address_of(request: HttpRequest) -> str:
    """Return the caller's network: an IPv4 address or an IPv6 /64; "" when it is not known.

    Behind the TLS proxy the last entry of X-Forwarded-For is the proxy's own; the others are only claimed.
    """
    said = request.META.get("REMOTE_ADDR", "")
    if settings.HTTPS:
        said = request.headers.get("X-Forwarded-For", said).rsplit(",", 1)[-1].strip()
    try:
        address = ipaddress.ip_address(said)
    except ValueError:
        return ""
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped:
            return str(address.ipv4_mapped)
        return str(ipaddress.ip_network((address, 64), strict=False))
    return str(address)


def _key(kind: str, value: str) -> str:
    # Keyed: a plain digest of an address is undone by trying all of them.
    return salted_hmac(f"club.sign_in.{kind}", value, algorithm="sha256").hexdigest()


def _wait_for(key: str, limit: int, moment: datetime) -> None:
    recent = SignInAttempt.objects.filter(key=key, at__gt=moment - WINDOW).order_by("-at")
    times = list(recent.values_list("at", flat=True)[:limit])
    if len(times) == limit:
        raise TooManyAttempts(max(1, round((times[-1] + WINDOW - moment).total_seconds())))


def find_member(username: str) -> Member | None:
    """Return the member of this username, in any case: a phone writes the first letter large."""
    return Member.objects.filter(username__iexact=Member.normalize_username(username.strip())).first()


def _password_fits(member: Member | None, password: str, *, has_left: bool) -> bool:
    if member is None:
        make_password(password)  # as long as a check takes, so that time does not tell who exists
        return False
    # Also run for someone who may not sign in, for the same reason.
    fits = check_password(password, member.password)
    return fits and (member.left_at is not None if has_left else member.is_active)


def _renew_hash(member: Member, password: str, moment: datetime) -> None:
    if identify_hasher(member.password).must_update(member.password):
        with viewing(viewer_of(member), moment):
            member.set_password(password)
            member.save(update_fields=["password"])


def check_sign_in(
    username: str, password: str, address: str, moment: datetime, *, has_left: bool = False, browser: str = ""
) -> Member:
    """Return the member whose username and password these are; with `has_left`, the former member.

    `browser` is the mark of one that has signed in under this name before (club/known_browsers.py): it counts
    its failures by itself, so that strangers do not keep the member out.

    Raises WrongCredentials, or TooManyAttempts after five failures for the name or twenty from the address
    within a quarter of an hour. Call it in a transaction that is kept when it raises.
    """
    name = username.strip().casefold()
    name_key = _key("known", f"{browser}:{name}") if browser else _key("name", name)
    address_key = _key("address", address)
    # One try at a time for a name, or tries sent together would all be counted as the first.
    take_turn(Turn.SIGN_IN, name_key)
    _wait_for(name_key, PER_NAME, moment)
    if address:
        _wait_for(address_key, PER_ADDRESS, moment)
    member = find_member(username)
    if not _password_fits(member, password, has_left=has_left):
        keys = [name_key, address_key] if address else [name_key]
        SignInAttempt.objects.filter(at__lte=moment - WINDOW).delete()
        SignInAttempt.objects.bulk_create(SignInAttempt(key=key, at=moment) for key in keys)
        raise WrongCredentials
    assert member is not None  # noqa: S101  (for the type checker)
    SignInAttempt.objects.filter(key=name_key).delete()
    if not has_left:
        _renew_hash(member, password, moment)
    return member
