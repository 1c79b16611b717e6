"""`demo` and `start`: the whole site on this machine, until Ctrl-C."""

import argparse
import errno
import fcntl
import http.client
import json
import os
import signal
import socket
import sys
import time
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from club.boot import databases, environment
from club.boot.commands import database_name
from club.boot.packages import Stamp
from club.boot.paths import ROOT
from club.boot.prepare import LAST, NOW
from club.boot.procs import Child, run
from club.boot.services import Services, running
from club.boot.supervisor import Supervisor
from club.boot.words import Stop, say

PERSONAS = ("organiser", "checker", "member", "teammate", "captain", "rival", "newcomer", "guest")


@dataclass(frozen=True)
class Options:
    """What to serve, and where."""

    demo: bool
    bind: str
    port: int

    @property
    def name(self) -> str:
        return "demo" if self.demo else "club"

    @property
    def url(self) -> str:
        host = "127.0.0.1" if self.bind in ("0.0.0.0", "::") else self.bind  # noqa: S104
        return f"http://{f'[{host}]' if ':' in host else host}:{self.port}/"


def options(command: str, arguments: Sequence[str]) -> Options:
    """Read the command line of `demo` or `start`."""
    parser = argparse.ArgumentParser(prog=f"manage.py {command}", allow_abbrev=False)
    parser.add_argument("--port", type=_port, default=8000, help="the port to serve on (8000)")
    if command == "start":
        parser.add_argument("--bind", default="127.0.0.1", help="the address to serve on (127.0.0.1)")
    read = parser.parse_args(arguments)
    return Options(command == "demo", getattr(read, "bind", "127.0.0.1"), read.port)


def _port(text: str) -> int:
    if not text.isdigit() or not 1 <= int(text) <= 65535:
        raise argparse.ArgumentTypeError(f"a port is a number from 1 to 65535, not {text!r}")
    return int(text)


def require_free_port(wanted: Options, command: str, patience: float = 0.0) -> None:
    """Raise Stop when somebody else serves there already, for longer than `patience` seconds."""
    deadline = time.monotonic() + patience
    while True:
        try:
            return _try_port(wanted, command)
        except Stop:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.2)


def _try_port(wanted: Options, command: str) -> None:
    try:
        family, _, _, _, address = socket.getaddrinfo(wanted.bind, wanted.port, type=socket.SOCK_STREAM)[0]
    except OSError as error:
        raise Stop(f"{wanted.bind} is not an address of this machine: {error.strerror}.") from error
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(address)
        except PermissionError:
            raise Stop(f"Port {wanted.port} is for root alone: choose one above 1023 with --port.") from None
        except OSError as error:
            if error.errno == errno.EADDRNOTAVAIL:
                raise Stop(f"{wanted.bind} is not an address of this machine.") from error
            again = f"python3 manage.py {command} --port {wanted.port + 1 if wanted.port < 65535 else 8000}"
            raise Stop(
                f"Port {wanted.port} on {wanted.bind} is busy ({error.strerror}). Try: {again}"
            ) from error


class Site:
    """One site: its marker, its services, and its three programs."""

    def __init__(self, wanted: Options, state: Path) -> None:
        self.wanted = wanted
        self.state = state
        self.marker = state / f"{wanted.name}.lock"
        self.ready = state / f"{wanted.name}.ready"
        self.supervisor = Supervisor()
        self.last_words: list[str] = []

    def already_at(self) -> str | None:
        """Return the address at which this site is running already, or "" while that one starts."""
        with self.marker.open("a") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                try:
                    return str(json.loads(self.ready.read_text())["url"])
                except (FileNotFoundError, ValueError, KeyError):
                    return ""
        return None

    def run(self) -> int:
        """Serve until a signal comes."""
        with ExitStack() as stack:
            marker = stack.enter_context(self.marker.open("a"))
            try:
                fcntl.flock(marker, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise Stop("It is being started already.") from None
            self.ready.unlink(missing_ok=True)
            services = None
            if not environment.external():
                services = stack.enter_context(running(self.state, wait_for_others=False))
            stack.callback(self._stop)
            self._prepare(services)
            self._start(services)
            self.ready.write_text(json.dumps({"pid": os.getpid(), "url": self.wanted.url}))
            self._greet()
            while True:
                time.sleep(0.3)
                self._tend(services)

    def _stop(self) -> None:
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, signal.SIG_IGN)
        self.ready.unlink(missing_ok=True)
        say("Stopping …")
        self.supervisor.stop()

    def _environment(self, services: Services | None, role: str) -> dict[str, str]:
        scratch = self.state / "tmp"
        scratch.mkdir(exist_ok=True)
        env = {
            **os.environ,
            **environment.base(self.state, role=role, demo=self.wanted.demo),
            **environment.addresses(services, demo=self.wanted.demo),
            "TMPDIR": str(scratch),
        }
        if self.wanted.bind not in ("0.0.0.0", "::") and "TALLOW_ALLOWED_HOSTS" not in env:  # noqa: S104
            env["TALLOW_ALLOWED_HOSTS"] = f"localhost,127.0.0.1,[::1],{self.wanted.bind}"
        return env

    def _prepare(self, services: Services | None) -> None:
        name = database_name(demo=self.wanted.demo)
        computed = Stamp(self.state / f"{name}.computed")
        if services and databases.ensure(services, name):
            computed.remove()
        say("Preparing the database …")
        self._python("Preparing the database", ["-m", "club.boot.prepare"], services, "owner")
        if not computed.fits("yes"):
            say("Computing confidence (once, it takes a while) …")
            self._python("Computing confidence", ["-m", "django", "refit"], services, "worker")
            computed.write("yes")

    def _python(self, what: str, argv: Sequence[str], services: Services | None, role: str) -> None:
        env = self._environment(services, role)
        log = self.state / "log" / f"{self.wanted.name}-prepare.log"
        run([sys.executable, *argv], what=what, log=log, env=env, cwd=ROOT, relay=self._relay)

    def _relay(self, line: str) -> bool:
        if line.startswith(NOW):
            say(line.removeprefix(NOW))
        elif line.startswith(LAST):
            self.last_words.append(line.removeprefix(LAST))
        return line.startswith((NOW, LAST))

    def programs(self, services: Services | None) -> list[Child]:
        """Return web, worker and beat, in the order in which they are stopped."""
        bind = f"[{self.wanted.bind}]" if ":" in self.wanted.bind else self.wanted.bind
        gunicorn = ["gunicorn", "club.wsgi:application", "--worker-class", "gthread", "--workers", "2"]
        gunicorn += ["--threads", "4", "--bind", f"{bind}:{self.wanted.port}", "--no-control-socket"]
        gunicorn += ["--timeout", "60", "--graceful-timeout", "8", "--preload"]
        gunicorn += ["--worker-tmp-dir", str(self.state / "tmp")]
        celery = ["celery", "--app", "club.celery:app"]
        worker = [*celery, "worker", "--concurrency", "1", "--loglevel", "INFO"]
        worker += ["--without-gossip", "--without-mingle"]
        beat = [*celery, "beat", "--loglevel", "INFO", "--pidfile", ""]
        return [
            # QUIT is what makes gunicorn and Celery leave at once when their supervisor is gone.
            self._child("web", gunicorn, services, "web", signal.SIGQUIT),
            self._child("worker", worker, services, "worker", signal.SIGQUIT),
            self._child("beat", beat, services, "worker", signal.SIGTERM),
        ]

    def _child(
        self, name: str, module: Sequence[str], services: Services | None, role: str, death: signal.Signals
    ) -> Child:
        return Child(
            name,
            [sys.executable, "-m", *module],
            self.state / "log" / f"{self.wanted.name}-{name}.log",
            env=self._environment(services, role),
            cwd=ROOT,
            death_signal=death,
        )

    def _start(self, services: Services | None) -> None:
        say("Starting …")
        web, *others = self.programs(services)
        self.supervisor.start(web)
        # The others would take the processor from it, and a person waits for the page.
        web.wait_until(self._answers, 60)
        for child in others:
            self.supervisor.start(child)

    def _answers(self) -> bool:
        host = "127.0.0.1" if self.wanted.bind == "0.0.0.0" else self.wanted.bind  # noqa: S104
        link = http.client.HTTPConnection(host, self.wanted.port, timeout=5)
        try:
            link.request("GET", "/", headers={"Host": "localhost"})
            return link.getresponse().status < 500
        except OSError:
            return False
        finally:
            link.close()

    def _tend(self, services: Services | None) -> None:
        if services:
            for child in services.fallen():
                time.sleep(self.supervisor.note_fall(child))
                services.revive(child)
        self.supervisor.tend()

    def _greet(self) -> None:
        lines = ["", f"  Tallow is at {self.wanted.url}"]
        if self.wanted.demo:
            lines += ["", "  The demo club's sign-ins (its people, waters and data are invented):"]
            lines += [f"    {persona:<10}  tallow-{persona}" for persona in PERSONAS]
        # The set-up key's command knows the path, and this one where the site is.
        lines += ["  " + line.replace(" at /", f" at {self.wanted.url}") for line in self.last_words]
        lines += ["", "  Ctrl-C stops it.", ""]
        sys.stdout.write("\n".join(lines) + "\n")
        sys.stdout.flush()
