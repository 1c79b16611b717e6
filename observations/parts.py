"""Pictures on their way over a bad link: sent in parts, kept until they are whole, and never longer than a day.

What is kept here is a phone's original, with whatever its metadata says of the place. So it stands under a name that
nobody can guess, for the server alone, and goes as soon as the picture is re-encoded or refused.
"""

import os
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from io import BytesIO
from pathlib import Path

from django.conf import settings
from django.core.exceptions import ValidationError

from club.archive import HALF_SENT
from observations.pictures import MAX_BYTES, MAX_PICTURES

MAX_PART = 1024 * 1024
KEPT_S = 24 * 3600.0


class WrongPlaceError(Exception):
    """A part that does not begin where the last one ended; `have` says where that is."""

    def __init__(self, have: int) -> None:
        super().__init__(f"The next part begins at {have}.")
        self.have = have


def _folder() -> Path:
    return Path(settings.MEDIA_ROOT) / HALF_SENT


def _path(member: uuid.UUID, picture: uuid.UUID) -> Path:
    return _folder() / f"{member}.{picture}"


def have(member: uuid.UUID, picture: uuid.UUID) -> int:
    """Return how many bytes of a picture are here."""
    try:
        return _path(member, picture).stat().st_size
    except FileNotFoundError:
        return 0


def add(member: uuid.UUID, picture: uuid.UUID, at: int, whole: int, part: bytes) -> int:
    """Append a part that begins at byte `at` of `whole`; return how many bytes are here now.

    The caller holds a lock on the picture's look. Raises WrongPlaceError for a part that leaves a gap or repeats
    what is here, ValidationError for one that cannot be of any picture, OSError where it cannot be written.
    """
    if not 0 < whole <= MAX_BYTES:
        raise ValidationError(
            f"{whole} bytes: a picture has at least 1 and at most {MAX_BYTES // 1024 // 1024} MB."
        )
    if not 0 < len(part) <= MAX_PART or not 0 <= at <= whole - len(part):
        raise ValidationError(
            f"{len(part)} bytes at {at} of {whole}: a part has at most {MAX_PART} and ends within the picture."
        )
    there = have(member, picture)
    if at != there:
        raise WrongPlaceError(there)
    path = _path(member, picture)
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    if not there and sum(1 for _ in _folder().glob(f"{member}.*")) >= 2 * MAX_PICTURES:
        raise ValidationError(
            f"{2 * MAX_PICTURES} pictures of yours are half sent: finish those, or wait a day."
        )
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    try:
        with open(descriptor, "ab") as file:  # noqa: PTH123 - a descriptor, opened with its mode
            file.write(part)
    except OSError:
        with suppress(OSError):  # half a part would be taken for a whole one
            os.truncate(path, there)
        raise
    return there + len(part)


@contextmanager
def taken(member: uuid.UUID, picture: uuid.UUID, whole: int) -> Iterator[BytesIO]:
    """Give the picture once it is whole; afterwards nothing of it is kept here, whatever became of it.

    But for OSError, as of a full disk: then it can be asked for again. Raises WrongPlaceError if parts are missing.
    """
    there = have(member, picture)
    if there != whole or not there:
        raise WrongPlaceError(there)
    path = _path(member, picture)
    try:
        yield BytesIO(path.read_bytes())
    except OSError:
        raise
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    path.unlink(missing_ok=True)


def forget(member: uuid.UUID, picture: uuid.UUID) -> None:
    """Throw away what is here of a picture."""
    _path(member, picture).unlink(missing_ok=True)


def forget_old(older_than_s: float = KEPT_S) -> int:
    """Throw away what nobody finished; return how many pictures."""
    before, gone = time.time() - older_than_s, 0
    for path in _folder().glob("*.*"):
        with suppress(FileNotFoundError):
            if path.stat().st_mtime < before:
                path.unlink()
                gone += 1
    return gone
