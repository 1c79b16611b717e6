"""An uploaded file between its preview and the confirmation: a private file that only its session can name."""

import os
import re
import secrets
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.conf import settings
from django.http import HttpRequest

HELD_SECONDS = 2 * 3600
_SESSION_KEY = "held_import"
_TOKEN = re.compile(r"[A-Za-z0-9_-]{32}")


@dataclass(frozen=True)
class Held:
    """A held file: its token, the name it was sent under, and where it is."""

    token: str
    name: str

    @property
    def path(self) -> Path:
        return _folder() / self.token

    @property
    def claimed_path(self) -> Path:
        return _folder() / f"{self.token}.saving"

    def read(self) -> bytes:
        """Return the content. Raises FileNotFoundError when it is gone."""
        return self.path.read_bytes()

    def claim(self) -> bytes:
        """Take the file for saving, so that a second press of the button finds none, and return its content."""
        self.path.rename(self.claimed_path)
        return self.claimed_path.read_bytes()

    def give_back(self) -> None:
        self.claimed_path.rename(self.path)

    def delete(self) -> None:
        self.path.unlink(missing_ok=True)
        self.claimed_path.unlink(missing_ok=True)


def _folder() -> Path:
    folder = Path(settings.STATE_DIR) / "imports"
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    return folder


def hold(request: HttpRequest, name: str, data: bytes) -> Held:
    """Keep a file for this session; the one it held before goes. Files that nobody came back for go too."""
    if (before := held(request)) is not None:
        before.delete()
    _sweep()
    kept = Held(secrets.token_urlsafe(24), name[-100:])
    descriptor = os.open(kept.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as out:
        out.write(data)
    request.session[_SESSION_KEY] = {"token": kept.token, "name": kept.name}
    return kept


def held(request: HttpRequest, token: str | None = None) -> Held | None:
    """Return the file that this session holds, if it is the one of the token (any, for None)."""
    kept: Any = request.session.get(_SESSION_KEY)
    if not kept or not _TOKEN.fullmatch(kept["token"]) or token not in (None, kept["token"]):
        return None
    return Held(kept["token"], kept["name"])


def forget(request: HttpRequest) -> None:
    request.session.pop(_SESSION_KEY, None)


def _sweep() -> None:
    oldest = time.time() - HELD_SECONDS
    for path in _folder().iterdir():
        try:
            if path.stat().st_mtime < oldest:
                path.unlink()
        except FileNotFoundError:
            continue  # another process swept it
