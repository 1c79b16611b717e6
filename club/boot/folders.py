"""A server's own folder, reached through an opened descriptor.

A server that runs as another user cannot walk down to a checkout under a 0700 folder, and a unix socket's
path may have 107 bytes at most. Both are solved by opening the folder here, handing the descriptor to the
server, and calling the folder `/proc/self/fd/N`.
"""

import os
import pwd
from dataclasses import dataclass
from pathlib import Path

from club.boot.procs import Account
from club.boot.words import Stop

_SOCKET_PATH_MAX = 107
# PostgreSQL's and Redis's sockets have the longest names below a folder.
_ROOM = len("/run/.s.PGSQL.5432")


def server_account() -> Account:
    """Return the user that servers run as: ourselves, or for root `postgres` or `nobody`."""
    if os.geteuid() != 0:
        try:
            entry = pwd.getpwuid(os.geteuid())
        except KeyError:
            raise Stop(
                f"User id {os.geteuid()} has no name on this system, and PostgreSQL needs one."
            ) from None
        return Account(entry.pw_name, entry.pw_uid, entry.pw_gid)
    for name in ("postgres", "nobody"):
        try:
            entry = pwd.getpwnam(name)
        except KeyError:
            continue
        return Account(entry.pw_name, entry.pw_uid, entry.pw_gid)
    raise Stop("PostgreSQL does not run as root, and this system has neither a user postgres nor nobody.")


@dataclass(frozen=True)
class Folder:
    """A folder held open; `inside` is its name in a child that was given `fd`."""

    path: Path
    fd: int

    @classmethod
    def own(cls, path: Path, account: Account) -> "Folder":
        """Create the folder for `account` alone, and open it."""
        path.mkdir(mode=0o700, exist_ok=True)
        if path.stat().st_uid != account.uid:
            os.chown(path, account.uid, account.gid)
        path.chmod(0o700)
        return cls(path, os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC))

    @property
    def inside(self) -> str:
        return f"/proc/self/fd/{self.fd}"

    def close(self) -> None:
        os.close(self.fd)


_kept: dict[Path, int] = {}


def reachable(path: Path) -> str:
    """Return a name for a folder that is short enough for the sockets in it.

    Usually its own path. A long one goes through a descriptor of this process, by its number, so that the
    name holds in every descendant for as long as this process lives.
    """
    if len(os.fsencode(path)) + _ROOM <= _SOCKET_PATH_MAX:
        return str(path)
    if path not in _kept:
        _kept[path] = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    return f"/proc/{os.getpid()}/fd/{_kept[path]}"
