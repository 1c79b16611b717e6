"""The private PostgreSQL cluster: made once, reached on a unix socket alone, with peer authentication."""

import hashlib
import os
import pwd
import re
import shutil
import signal
import time
from dataclasses import dataclass
from pathlib import Path

from club.boot import system
from club.boot.folders import Folder, reachable, server_account
from club.boot.procs import Account, Child, run
from club.boot.words import Stop, failure, say

ROLES_SQL = Path(__file__).with_name("roles.sql")
ROLES = ("tallow_owner", "tallow_web", "tallow_worker")


@dataclass
class Cluster:
    """One PostgreSQL cluster in `<state>/postgres/`: `data/`, and `run/` with the socket."""

    state: Path

    def __post_init__(self) -> None:
        self.path = self.state / "postgres"
        self.data = self.path / "data"
        self.log = self.state / "log" / "postgres.log"

    def socket_folder(self) -> str:
        """Return the `host` with which this process and its descendants reach the socket."""
        return reachable(self.path / "run")

    def start(self) -> Child:
        """Make the cluster if there is none, heal what a crash left, start it, and return the server."""
        account = server_account()
        folder = Folder.own(self.path, account)
        try:
            bindir = system.postgres_bindir(self._version())
            if not self.data.exists():
                self._create(bindir, folder, account)
            self._clear_leftovers()
            self._write_access(account)
            self._ensure_roles(bindir, folder, account)
            Folder.own(self.path / "run", account).close()
            server = self._server(bindir, folder, account)
            server.start()
            server.wait_until(lambda: self._is_ready(server.pid), 60)
        finally:
            folder.close()
        return server

    def _version(self) -> str | None:
        try:
            return (self.data / "PG_VERSION").read_text().strip()
        except FileNotFoundError:
            return None

    def _create(self, bindir: Path, folder: Folder, account: Account) -> None:
        """Run initdb beside the final place and rename: a half-made cluster is never taken for one."""
        say("Creating the database cluster …")
        half = self.path / "data.new"
        shutil.rmtree(half, ignore_errors=True)
        argv = [str(bindir / "initdb"), "-D", f"{folder.inside}/data.new", "-U", "postgres", "-E", "UTF8"]
        argv += ["--locale=C.UTF-8", "--auth-local=peer", "--auth-host=reject", "--no-instructions"]
        run(
            argv,
            what="Creating the database cluster",
            log=self.log,
            env=_environment(),
            cwd="/",
            account=account,
            fds=(folder.fd,),
        )
        self._single_user(bindir, folder, account, "data.new")
        half.rename(self.data)

    def _ensure_roles(self, bindir: Path, folder: Folder, account: Account) -> None:
        stamp = self.data / "tallow-roles"
        if not stamp.exists() or stamp.read_text() != _roles_digest():
            self._single_user(bindir, folder, account, "data")

    def _single_user(self, bindir: Path, folder: Folder, account: Account, name: str) -> None:
        """Feed roles.sql to a single-user server, so that no superuser can ever sign in on the socket."""
        output = run(
            [str(bindir / "postgres"), "--single", "-j", "-D", f"{folder.inside}/{name}", "template1"],
            what="Creating the database roles",
            log=self.log,
            env=_environment(),
            cwd="/",
            account=account,
            fds=(folder.fd,),
            stdin=ROLES_SQL.read_bytes(),
        )
        if error := re.search(r"(ERROR|FATAL|PANIC): .*", output):
            raise failure("Creating the database roles", error.group(), self.log)
        stamp = self.path / name / "tallow-roles"
        stamp.write_text(_roles_digest())

    def _write_access(self, account: Account) -> None:
        """Let this user, and no other, sign in, and only as one of the three roles."""
        person = pwd.getpwuid(os.geteuid()).pw_name
        rules = f"local all {','.join(ROLES)} peer map=tallow\n"
        names = "".join(f'tallow "{person}" {role}\n' for role in ROLES)
        for name, text in (("pg_hba.conf", rules), ("pg_ident.conf", names)):
            file = self.data / name
            file.write_text(text)
            os.chown(file, account.uid, account.gid)

    def _clear_leftovers(self) -> None:
        """End a server that outlived its supervisor, and drop what a killed one left in the way."""
        pid_file = self.data / "postmaster.pid"
        try:
            pid = int(pid_file.read_text().split("\n", 1)[0])
        except (FileNotFoundError, ValueError):
            pid = 0
        deadline = time.monotonic() + 30
        while pid and _serves(pid, self.data):
            os.kill(pid, signal.SIGINT)
            if time.monotonic() > deadline:
                raise Stop(
                    f"An older PostgreSQL (process {pid}) still uses {self.data}: end it and run this again."
                )
            time.sleep(0.2)
        pid_file.unlink(missing_ok=True)
        # Only what is in it: others may hold the folder open to reach the socket that comes.
        for leftover in (self.path / "run").glob(".s.*"):
            leftover.unlink()

    def _server(self, bindir: Path, folder: Folder, account: Account) -> Child:
        settings = {
            "listen_addresses": "",
            "unix_socket_directories": f"{folder.inside}/run",
            "unix_socket_permissions": "0700",
            "cluster_name": "tallow",
            "timezone": "UTC",
            "log_timezone": "UTC",
            # Short queries by the thousand: compiling them costs more than it saves.
            "jit": "off",
        }
        argv = [str(bindir / "postgres"), "-D", f"{folder.inside}/data"]
        for name, value in settings.items():
            argv += ["-c", f"{name}={value}"]
        return Child(
            "PostgreSQL",
            argv,
            self.log,
            env=_environment(),
            account=account,
            fds=(folder.fd,),
            # Fast shutdown: sessions are ended and the data are written out.
            stop_signal=signal.SIGINT,
            death_signal=signal.SIGINT,
            patience=60,
        )

    def _is_ready(self, pid: int) -> bool:
        """PostgreSQL writes its state into the eighth line of its pid file."""
        try:
            lines = (self.data / "postmaster.pid").read_text().splitlines()
        except FileNotFoundError:
            return False
        return len(lines) > 7 and lines[0] == str(pid) and lines[7].strip() == "ready"


def _environment() -> dict[str, str]:
    return {"PATH": "/usr/bin:/bin", "LC_ALL": "C.UTF-8", "TZ": "UTC"}


def _roles_digest() -> str:
    return hashlib.sha256(ROLES_SQL.read_bytes()).hexdigest()


def _serves(pid: int, data: Path) -> bool:
    """Return whether the process works in that data folder, as a PostgreSQL server does."""
    try:
        return Path(f"/proc/{pid}/cwd").samefile(data)
    except OSError:
        return False
