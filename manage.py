#!/usr/bin/env python3
"""The one entry: `demo`, `start`, `test`, `services` and Django's own commands. `--help` lists them."""

# This file is read by whatever `python3` is: it must parse on old ones, to tell them so in one line.
import os
import shutil
import sys
from pathlib import Path

OLDEST = (3, 11)


def main():  # type: () -> None
    """Hand over to club.boot, on a Python that can run it."""
    if sys.version_info < OLDEST:
        for minor in (14, 13, 12, 11):
            newer = shutil.which("python3.%d" % minor)  # noqa: UP031
            if newer:
                os.execv(newer, [newer] + sys.argv)  # noqa: S606, RUF005
        sys.exit(
            "Tallow needs Python 3.11 or newer; this is Python %d.%d. "  # noqa: UP031
            "Debian 12, Ubuntu 24.04 or newer have one, or use: docker compose up" % sys.version_info[:2]
        )
    state = os.environ.get("TALLOW_STATE_DIR") or str(Path(__file__).resolve().parent / ".local")
    # Compiled modules go there too, here and in every program started from here: without them each start
    # of Django takes seconds longer.
    sys.pycache_prefix = os.environ["PYTHONPYCACHEPREFIX"] = str(Path(state) / "pycache")
    sys.dont_write_bytecode = False
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

    from club.boot.cli import run

    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
