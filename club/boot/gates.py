"""`test`: the linters and checks, then pytest; every one runs, and the worst result counts."""

import os
import re
import signal
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from club.boot import databases, environment, system
from club.boot.paths import ROOT
from club.boot.procs import die_with_parent
from club.boot.services import Services, running
from club.boot.words import say

_MANAGE = [sys.executable, "-m", "django"]


# Checked as what it will be: the web role, behind TLS.
_DEPLOYED = {"TALLOW_HTTPS": "1", "TALLOW_ALLOWED_HOSTS": "club.example", "TALLOW_DB_ROLE": "web"}


def gate_commands() -> list[tuple[str, list[str]]]:
    """Return each gate's heading and command line."""
    python = [sys.executable, "-m"]
    return [
        ("ruff check", [*python, "ruff", "check", "."]),
        ("ruff format", [*python, "ruff", "format", "--check", "."]),
        ("mypy", [*python, "mypy"]),
        ("import rules", [str(Path(sys.executable).with_name("lint-imports"))]),
        ("migrations", [*_MANAGE, "makemigrations", "--check", "--dry-run"]),
        ("deployment check", [*_MANAGE, "check", "--deploy", "--fail-level", "WARNING"]),
    ]


def test(arguments: Sequence[str], state: Path) -> int:
    """Run the gates and pytest; with arguments, pytest alone with them. Return 0 when all passed."""
    with running(state) as services:
        _drop_leftovers(services)
        # A name of its own, so that two runs in one checkout do not take each other's databases.
        name = f"tallow_{os.getpid()}"
        env = {
            **os.environ,
            **environment.base(state, role="owner", demo=False),
            **services.environment(name),
            "TALLOW_CHROMIUM": system.chromium() or "",
        }
        databases.ensure(services, name)
        failed = [] if arguments else _gates(env)
        # One more than the two cores: tests of clocks, servers and browsers mostly wait.
        options = list(arguments) or ["-n", "3", "--dist", "loadgroup"]
        code = _step("pytest", [sys.executable, "-m", "pytest", *options], env)
        _drop(services, os.getpid())
    if failed:
        # Not after pytest's summary, which is the last thing that a reader of the log looks for.
        return code or 1
    return code


def _gates(env: dict[str, str]) -> list[str]:
    failed = []
    for heading, argv in gate_commands():
        extra = _DEPLOYED if "--deploy" in argv else {}
        if _step(heading, argv, {**env, **extra}):
            failed.append(heading)
    say("")
    say(f"FAILED before pytest: {', '.join(failed)}" if failed else "All checks before pytest passed.")
    return failed


def _step(heading: str, argv: Sequence[str], env: dict[str, str]) -> int:
    say(f"\n== {heading}")
    hook = die_with_parent(signal.SIGTERM)
    return subprocess.run(argv, cwd=ROOT, env=env, preexec_fn=hook).returncode  # noqa: S603


def run_number(database: str) -> int | None:
    """Return the process number of the test run that a database belongs to; None for any other database."""
    found = re.match(r"(?:test_)?tallow_(\d+)(?:_|$)", database)
    return int(found[1]) if found else None


def _drop(services: Services, number: int) -> None:
    databases.drop(services, [name for name in _all(services) if run_number(name) == number])


def _drop_leftovers(services: Services) -> None:
    """Drop the databases of runs that were killed: theirs carry the number of a process that is gone."""
    numbers = {run_number(name) for name in _all(services)}
    for number in numbers:
        if number is not None and not Path(f"/proc/{number}").exists():
            _drop(services, number)


def _all(services: Services) -> list[str]:
    return databases.names(services, "")
