"""`test`: the linters and checks, then pytest; every one runs, and the worst result counts."""

import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from club.boot import databases, environment, system
from club.boot.paths import ROOT
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
        failed = [] if arguments else _gates(env)
        options = list(arguments) or ["-n", "2", "--dist", "loadgroup"]
        code = _step("pytest", [sys.executable, "-m", "pytest", *options], env)
        databases.drop_like(services, f"test_{name}")
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
    return subprocess.run(argv, cwd=ROOT, env=env).returncode  # noqa: S603


def _drop_leftovers(services: Services) -> None:
    """Drop the test databases of runs that were killed: theirs carry the number of a process that is gone."""
    for name in databases.names(services, "test_tallow_"):
        number = name.removeprefix("test_tallow_").split("_")[0]
        if number.isdigit() and not Path(f"/proc/{number}").exists():
            databases.drop_like(services, name)
