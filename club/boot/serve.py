"""`services`: PostgreSQL and Redis until Ctrl-C, for development."""

import sys
import time
from pathlib import Path

from club.boot import databases
from club.boot.services import running
from club.boot.supervisor import Supervisor


def services(state: Path) -> int:
    """Keep PostgreSQL and Redis up until Ctrl-C or SIGTERM."""
    with running(state, wait_for_others=False) as servers:
        databases.ensure(servers, "tallow")
        sys.stdout.write("PostgreSQL and Redis are up until Ctrl-C. Other commands join by themselves.\n")
        for name, value in servers.environment("tallow").items():
            sys.stdout.write(f"export {name}='{value}'\n")
        sys.stdout.flush()
        falls = Supervisor()
        while True:
            time.sleep(0.3)
            for child in servers.fallen():
                time.sleep(falls.note_fall(child))
                servers.revive(child)
