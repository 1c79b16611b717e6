"""What the programs find in their environment (the names are read by club/settings.py)."""

import os
import secrets
from collections.abc import Mapping
from pathlib import Path

from club.boot.commands import database_name
from club.boot.paths import ROOT
from club.boot.services import Services


def external() -> bool:
    """Whether database and broker are run by somebody else: then nothing is started here."""
    return bool(os.environ.get("DATABASE_URL"))


def secret_key_file(state: Path) -> Path:
    """Return the file with the site's secret key; made on first use, whole or not at all."""
    path = state / "secret-key"
    if not path.exists():
        half = state / f"secret-key.{os.getpid()}"
        half.touch(mode=0o600)
        half.write_text(secrets.token_urlsafe(50))
        try:
            # A link, not a rename: whoever comes second keeps the first one's key.
            os.link(half, path)
        except FileExistsError:
            pass
        finally:
            half.unlink()
    return path


def base(state: Path, *, role: str, demo: bool) -> dict[str, str]:
    """Return what every program gets, on top of the caller's own environment."""
    env = {
        "DJANGO_SETTINGS_MODULE": "club.settings",
        "TALLOW_STATE_DIR": str(state),
        "TALLOW_DB_ROLE": role,
        "TALLOW_DEMO": "1" if demo else "",
        "PYTHONPATH": os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH", "")])),
    }
    if not os.environ.get("TALLOW_SECRET_KEY") and not os.environ.get("TALLOW_SECRET_KEY_FILE"):
        env["TALLOW_SECRET_KEY_FILE"] = str(secret_key_file(state))
    return env


def addresses(services: Services | None, *, demo: bool, database: str | None = None) -> Mapping[str, str]:
    """Return DATABASE_URL and REDIS_URL of our own servers; nothing when they are somebody else's."""
    if external():
        return {}
    if services is None:
        return {"DATABASE_URL": f"postgresql:///{database or database_name(demo=demo)}"}
    return services.environment(database or database_name(demo=demo))
