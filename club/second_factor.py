"""The second factor: a code from an app that counts time (RFC 6238), or a recovery code, each once.

The secret is known here only while it is being set up; afterwards the database checks codes and tells no
query what the secret is (club/second_factor_policies.py).
"""

import base64
import json
import re
import secrets
import uuid
from datetime import datetime
from typing import Any

import pyotp
from django.core import signing
from django.core.exceptions import ValidationError
from django.db import connection

from club.models import Member, digest
from club.sign_in import TooManyAttempts

RECOVERY_CODES = 10
_SALT = "club.second_factor.setting_up"
_SET_UP_S = 1800
_ALPHABET = "abcdefghjkmnpqrstuvwxyz23456789"  # nothing that is misread for something else


class WrongCode(Exception):  # noqa: N818  (read as a sentence where it is raised)
    """The code is wrong, too old, or was used already."""

    words = "This code does not fit, or was used already. Take the one that the app shows now."


def _plain(code: str) -> str:
    return re.sub(r"[\s-]", "", code).lower()[:40]


def address_of_secret(secret: str, member: Member, club_name: str) -> str:
    """Return the otpauth address that an app reads from the QR code."""
    totp = pyotp.TOTP(secret)
    return str(totp.provisioning_uri(name=member.username, issuer_name=club_name or "Tallow"))


def begin(member: Member, club_name: str) -> tuple[str, str, str]:
    """Return a new secret in base32, its otpauth address, and it signed for the form that confirms it."""
    secret = pyotp.random_base32(32)
    address = address_of_secret(secret, member, club_name)
    return secret, address, signing.dumps({"member": str(member.pk), "secret": secret}, salt=_SALT)


def secret_of(sealed: str, member: Member) -> str:
    """Return the secret that `begin` signed for this member. Raises ValidationError."""
    try:
        said = signing.loads(sealed, salt=_SALT, max_age=_SET_UP_S)
    except signing.BadSignature:
        said = {}
    if said.get("member") != str(member.pk):
        raise ValidationError("This took too long. Begin again.")
    return str(said["secret"])


def _recovery_codes() -> tuple[list[str], str]:
    # 31 ** 24 is 118 bits of chance: enough for a plain digest (OWASP ASVS 5.0, 6.5.2, asks for 112).
    codes = ["".join(secrets.choice(_ALPHABET) for _ in range(24)) for _ in range(RECOVERY_CODES)]
    shown = ["-".join(code[at : at + 4] for at in range(0, 24, 4)) for code in codes]
    return shown, json.dumps([digest(code) for code in codes])


def _ask(function: str, *args: str | bytes | uuid.UUID) -> Any:
    with connection.cursor() as cursor:
        marks = ", ".join(["%s"] * len(args))
        cursor.execute(f"SELECT * FROM {function}({marks})", args)  # noqa: S608  (a name of this module)
        return cursor.fetchone()


def _judge(answer: str, failed: int, wait_s: int) -> int:
    if answer == "wait":
        raise TooManyAttempts(wait_s)
    if answer != "yes":
        raise WrongCode
    return failed


def set_up(secret: str, code: str) -> list[str]:
    """Set the viewer's second factor; return its recovery codes, shown once. Raises ValidationError."""
    codes, digests = _recovery_codes()
    (done,) = _ask("club_set_second_factor", base64.b32decode(secret), _plain(code), digests)
    if not done:
        raise ValidationError("This code does not fit. Take the one that the app shows now.")
    return codes


def check(member: Member, code: str, moment: datetime) -> int:
    """Use up a code of this member; return how many wrong ones came before it. Needs a viewer set.

    Raises WrongCode, or TooManyAttempts after five wrong ones. Call it in a transaction that is kept.
    """
    return _judge(*_ask("club_check_second_factor", member.pk, _plain(code)))


def check_if_set(member: Member, code: str, moment: datetime) -> None:
    """Check a code of this member where they have a second factor. Raises as `check`."""
    if member.second_factor_since:
        check(member, code, moment)


def drop(code: str) -> None:
    """Take the viewer's second factor away. Raises as `check`."""
    _judge(*_ask("club_drop_second_factor", _plain(code)))


def renew_recovery(code: str) -> list[str]:
    """Return new recovery codes for the viewer; the old ones no longer work. Raises as `check`."""
    codes, digests = _recovery_codes()
    _judge(*_ask("club_renew_recovery", _plain(code), digests))
    return codes


def recovery_left() -> int:
    return int(_ask("club_recovery_left")[0] or 0)


def lift() -> None:
    """Take away the second factor of whose link, made at the machine for that, is being used."""
    _ask("club_lift_second_factor")
