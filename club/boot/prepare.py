"""Runs in a process of its own, as the owner: tables, static files, the demo club, the set-up key.

One process for all of it, since each start of Django costs about a second. What a person should read is
printed with one of the marks below; club.boot.site relays it.
"""

import hashlib
import io
import sys
from collections.abc import Iterable
from pathlib import Path

NOW = "tallow-now> "
LAST = "tallow-last> "

# What packages bring and no page asks for: the API's browsing pages and the admin's map are off, and of
# the libraries the pages take one build. Compressing all this took 19 s of processor time; the rest takes 3 s.
_UNUSED = ["rest_framework", "gis", "leaflet-src*", "htmx.js", "htmx.amd.*", "htmx.cjs.*", "htmx.esm.*"]


def static_digest(folders: Iterable[Path]) -> str:
    """Return a hash of the files' names, sizes and times: equal, and nothing has to be collected again."""
    total = hashlib.sha256()
    for folder in folders:
        for file in sorted(path for path in folder.rglob("*") if path.is_file()):
            status = file.stat()
            total.update(f"{file}\0{status.st_size}\0{status.st_mtime_ns}\n".encode())
    return total.hexdigest()


def _folders() -> list[Path]:
    from django.conf import settings

    entries = settings.STATICFILES_DIRS
    return [Path(entry[1] if isinstance(entry, tuple) else entry) for entry in entries]


def _collect(state: Path) -> None:
    from django.conf import settings
    from django.core.management import call_command

    from club.boot.packages import Stamp

    stamp, wanted = Stamp(state / "static.stamp"), static_digest(_folders())
    if not stamp.fits(wanted) or not (Path(settings.STATIC_ROOT) / "staticfiles.json").exists():
        stamp.remove()
        call_command("collectstatic", interactive=False, verbosity=0, ignore_patterns=_UNUSED)
        stamp.write(wanted)


def main() -> None:
    """Prepare the database and files that DJANGO_SETTINGS_MODULE names."""
    import django

    django.setup()
    from django.conf import settings
    from django.core.management import call_command, get_commands

    call_command("migrate", interactive=False, verbosity=1)
    _collect(Path(settings.STATE_DIR))
    if settings.DEMO:
        _tell(NOW, "Loading the demo club …")
        call_command("load_demo")
    elif "setup_key" in get_commands():
        out = io.StringIO()
        call_command("setup_key", stdout=out)
        for line in out.getvalue().splitlines():
            _tell(LAST, line)


def _tell(mark: str, text: str) -> None:
    sys.stdout.write(f"{mark}{text}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
