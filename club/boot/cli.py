"""The command line: sets up what is missing, then hands over."""

import os
import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from types import FrameType

from club.boot import environment, packages, system
from club.boot.commands import OWN, database_name, plan
from club.boot.paths import ROOT, VENV, VENV_PYTHON, ensure_state_dir
from club.boot.words import Stop, os_failure, say

USAGE = """Tallow: a fishing club's shared spot and observation map.

  python3 manage.py demo [--port N]                  the demo club, on this machine alone
  python3 manage.py start [--bind ADDR] [--port N]   your club
  python3 manage.py test [pytest's arguments]        every check and test; with arguments, pytest alone
  python3 manage.py backup [FILE]                    the club in one private file; restore FILE [--force]
  python3 manage.py services                         PostgreSQL and Redis until Ctrl-C, for development
  python3 manage.py [--demo] COMMAND …               a Django command; `help` lists them

Each installs what is missing first (.venv/, .local/, and with apt when root or with sudo).
Commands that need the database start it for as long as they run, or join a running one. They run as the
web role; migrate, backup and restore as the owner, refit as the worker. With --demo before the command
(or TALLOW_DEMO=1) they see the demo club's database instead of the club's.
With DATABASE_URL (and REDIS_URL) exported, those servers are used and none is started.
TALLOW_NO_SETUP=1 installs nothing and runs on the Python that was called.
"""


def run(argv: Sequence[str]) -> int:
    """Run one command line; return the exit status."""
    try:
        return _run(list(argv))
    except Stop as stop:
        say(f"tallow: {stop}")
    except OSError as error:
        say(f"tallow: {os_failure(error)}")
    except KeyboardInterrupt:
        say("Stopped.")
        return 130
    return 1


def _run(argv: list[str]) -> int:
    demo = os.environ.get("TALLOW_DEMO") == "1"
    if argv and argv[0] == "--demo":
        demo, argv = True, argv[1:]
    if not argv or argv[0] in ("-h", "--help"):
        sys.stdout.write(USAGE)
        return 0
    if not sys.platform.startswith("linux"):
        raise Stop("Tallow runs by itself on Linux only; elsewhere use containers: docker compose up")
    state = ensure_state_dir()
    command = argv[0]
    # What would stop it later is asked first, before minutes of installing.
    served = None
    if command in ("demo", "start"):
        from club.boot import site

        served = site.Site(site.options(command, argv[1:]), state)
        if (running_at := served.already_at()) is not None:
            sys.stdout.write(
                f"It is already running at {running_at}\n" if running_at else "It is being started.\n"
            )
            return 0
        # One that was killed leaves its mark, and its web needs a moment to let go of the port.
        site.require_free_port(served.wanted, command, 15.0 if served.ready.exists() else 0.0)
    _set_up("test" if command == "test" else "run", state)
    os.umask(0o077)
    for number in (signal.SIGTERM, signal.SIGHUP):
        # Under nohup it stays ignored.
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, _leave)
    if command == "test":
        from club.boot import gates

        return gates.test(argv[1:], state)
    if command not in OWN:
        return _django(argv, state, demo=demo)
    try:
        if served:
            return served.run()
        from club.boot import serve

        return serve.services(state)
    except (KeyboardInterrupt, SystemExit):
        # That is how these are meant to end.
        say("Stopped.")
        return 0


def _set_up(kind: str, state: Path) -> None:
    """Bring everything that is installed once, and go on in the virtual environment's Python."""
    if os.environ.get("TALLOW_NO_SETUP") == "1":
        return
    # All at once: a person without apt learns everything that is missing in one line.
    needs = system.missing(servers=not environment.external(), browser=kind == "test")
    system.ensure(packages.system_needs() + needs, state / "log" / "setup.log")
    packages.ensure_venv(kind, state)
    if not packages.inside_venv():
        os.environ.pop("__PYVENV_LAUNCHER__", None)
        os.execv(VENV_PYTHON, [str(VENV_PYTHON), str(ROOT / "manage.py"), *sys.argv[1:]])  # noqa: S606
    os.environ["PATH"] = os.pathsep.join([str(VENV / "bin"), os.environ.get("PATH", "/usr/bin:/bin")])
    packages.ensure_assets(state)


def _django(argv: list[str], state: Path, *, demo: bool) -> int:
    """Run a Django command in this process, with the servers up if it needs them."""
    how = plan(argv, demo=demo)
    os.environ.update(environment.base(state, role=how.role, demo=how.demo))
    if environment.external() or not how.database:
        os.environ.update(environment.addresses(None, demo=how.demo))
        return _execute(argv)
    from club.boot import databases
    from club.boot.services import running

    with running(state) as services:
        databases.ensure(services, database_name(demo=how.demo))
        os.environ.update(environment.addresses(services, demo=how.demo))
        return _execute(argv)


def _execute(argv: list[str]) -> int:
    from django.core.management import execute_from_command_line

    try:
        execute_from_command_line(["manage.py", *argv])
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 0 if end.code is None else 1
    return 0


def _leave(number: int, frame: FrameType | None) -> None:
    raise SystemExit(128 + number)
