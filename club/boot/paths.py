"""Where things are: the checkout, `.venv/`, and the state under `.local/`."""

import os
from pathlib import Path

from club.boot.words import Stop

ROOT = Path(__file__).resolve().parents[2]
VENV = ROOT / ".venv"
VENV_PYTHON = VENV / "bin" / "python"


def state_dir() -> Path:
    """Return the folder for everything that Tallow writes: TALLOW_STATE_DIR, or `.local/` in the checkout."""
    return Path(os.environ.get("TALLOW_STATE_DIR") or ROOT / ".local").absolute()


def ensure_state_dir() -> Path:
    """Create the state folder and return it; refuse one that belongs to another user."""
    state = state_dir()
    state.mkdir(mode=0o700, parents=True, exist_ok=True)
    owner = state.stat().st_uid
    if owner != os.geteuid():
        raise Stop(f"{state} belongs to user {_name(owner)}: run this as {_name(owner)}, as before.")
    state.chmod(0o700)
    # The static files' server warns of a folder that is not there, before anything is collected.
    for name in ("log", "static"):
        (state / name).mkdir(exist_ok=True)
    return state


def _name(uid: int) -> str:
    import pwd

    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return str(uid)
