"""Long-running commands: `services`, and the site itself as `demo` or `start`."""

import time
from collections.abc import Sequence
from pathlib import Path

from club.boot import databases
from club.boot.procs import Child, tail
from club.boot.services import running
from club.boot.words import Stop, failure, say


def services(state: Path) -> int:
    """Keep PostgreSQL and Redis up until Ctrl-C or SIGTERM."""
    with running(state, wait_for_others=False) as servers:
        databases.ensure(servers, "tallow")
        for name, value in servers.environment("tallow").items():
            say(f"export {name}='{value}'")
        say("PostgreSQL and Redis are up. Ctrl-C stops them.")
        while True:
            _watch(servers.children)
            time.sleep(0.5)


def _watch(children: Sequence[Child]) -> None:
    for child in children:
        if child.ended() is not None:
            raise failure(f"{child.name}", tail(child.log), child.log)


def site(command: str, arguments: Sequence[str], state: Path) -> int:
    raise Stop(f"{command} is not here yet")
