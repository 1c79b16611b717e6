"""What comes from the operating system: the servers, libraries and browser, and how apt brings them."""

import ctypes.util
import os
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from club.boot.words import Stop, failure, say

_LIB = Path("/usr/lib/postgresql")
_SHARE = Path("/usr/share/postgresql")
_OLDEST_POSTGRES = 15
_REDIS = ("redis-server", "valkey-server", "redis-check-rdb", "valkey-check-rdb")
_POSTGIS = "PostgreSQL with PostGIS"
_COMPOSE = "or use containers: docker compose up"


def postgres_versions() -> list[int]:
    """Return the installed PostgreSQL versions that have PostGIS, newest first (Debian's layout)."""
    return [version for version in _servers() if _has_postgis(version)]


def _servers() -> list[int]:
    folders = [path for path in _LIB.glob("*") if path.name.isdigit() and (path / "bin/postgres").exists()]
    return sorted((int(path.name) for path in folders), reverse=True)


def _has_postgis(version: int) -> bool:
    return (_SHARE / str(version) / "extension" / "postgis.control").exists()


def postgres_bindir(version: str | None) -> Path:
    """Return the folder of PostgreSQL's programs: of an existing cluster's `version`, or the newest."""
    if version is not None:
        bindir = _LIB / version / "bin"
        if not (bindir / "postgres").exists() or not _has_postgis(int(version)):
            raise Stop(
                f"The database was made by PostgreSQL {version}, which is not installed: "
                f"apt install postgresql-{version}-postgis-3"
            )
        return bindir
    versions = [found for found in postgres_versions() if found >= _OLDEST_POSTGRES]
    if not versions:
        raise Stop(
            f"PostgreSQL {_OLDEST_POSTGRES} or newer with PostGIS is missing: apt install postgresql-postgis"
        )
    return _LIB / str(versions[0]) / "bin"


def redis_server() -> Path:
    """Return the Redis (or Valkey) server.

    Debian's redis-tools has the same program as redis-check-rdb, which serves when called redis-server;
    that spares the package that would start a service of its own.
    """
    if found := _redis():
        return Path(found)
    raise Stop("Redis is missing: apt install redis-tools")


def _redis() -> str | None:
    return next(filter(None, map(shutil.which, _REDIS)), None)


def chromium() -> str | None:
    """Return the browser for the tests: TALLOW_CHROMIUM, else the system's."""
    if named := os.environ.get("TALLOW_CHROMIUM"):
        return named
    for name in ("chromium", "google-chrome-stable", "google-chrome", "chromium-browser"):
        found = shutil.which(name)
        # Ubuntu's chromium-browser is a shell script that asks for a snap.
        if found and not (name == "chromium-browser" and Path(found).read_bytes()[:2] == b"#!"):
            return found
    return None


@dataclass(frozen=True)
class Need:
    """Something the system must have: its name in words, and the Debian package."""

    words: str
    package: str


def missing(*, servers: bool, browser: bool) -> list[Need]:
    """Return what is not installed; `servers` when PostgreSQL and Redis are ours to run."""
    needs: list[Need] = []
    if servers:
        if not any(version >= _OLDEST_POSTGRES for version in postgres_versions()):
            needs.append(Need(_POSTGIS, _postgis_package()))
        if not any(
            map(shutil.which, ("redis-server", "valkey-server", "redis-check-rdb", "valkey-check-rdb"))
        ):
            needs.append(Need("Redis", "redis-tools"))
    # PostGIS brings them.
    if not all(map(ctypes.util.find_library, ("gdal", "geos_c"))) and _POSTGIS not in [
        n.words for n in needs
    ]:
        needs.append(Need("GDAL and GEOS", "gdal-bin"))
    if browser and chromium() is None:
        needs.append(Need("Chromium", "chromium"))
    return needs


def _postgis_package() -> str:
    """Return the package that fits a PostgreSQL already there, or Debian's default."""
    fitting = [version for version in _servers() if version >= _OLDEST_POSTGRES]
    return f"postgresql-{max(fitting)}-postgis-3" if fitting else "postgresql-postgis"


def ensure(needs: Sequence[Need], log: Path) -> None:
    """Install with apt what is missing, when that is possible; else say what to install."""
    if not needs:
        return
    words = ", ".join(need.words for need in needs)
    packages = [need.package for need in needs]
    become_root = _become_root()
    if not shutil.which("apt-get"):
        raise Stop(
            f"Missing: {words}. Install with your system's packages (there is no apt here), {_COMPOSE}"
        )
    if become_root is None:
        raise Stop(f"Missing: {words}. As root: apt install {' '.join(packages)}; {_COMPOSE}")
    if "chromium" in packages and not _apt_offers("chromium", become_root, log):
        raise Stop(
            "Missing: Chromium, which this system's apt does not have. Set TALLOW_CHROMIUM to a browser."
        )
    say(f"Installing {words} (apt) …")
    _apt(become_root, packages, log)


def _become_root() -> list[str] | None:
    if os.geteuid() == 0:
        return []
    if shutil.which("sudo") and subprocess.run(["sudo", "-n", "true"], capture_output=True).returncode == 0:  # noqa: S607
        return ["sudo", "-n"]
    return None


def _apt_offers(package: str, become_root: list[str], log: Path) -> bool:
    def has() -> bool:
        shown = subprocess.run(["apt-cache", "policy", package], capture_output=True, text=True)  # noqa: S603, S607
        return "Candidate:" in shown.stdout and "Candidate: (none)" not in shown.stdout

    if has():
        return True
    _root_shell(become_root, "apt-get -q update", log)
    return has()


# Debian's packages start services of their own. No cluster is made while the file stands, so none is
# started; what the package enabled for the next boot is disabled, unless PostgreSQL was here before us.
_INSTALL = """
umask 022
export DEBIAN_FRONTEND=noninteractive
fresh=; [ -e /usr/share/postgresql-common ] || fresh=1
keep=/etc/postgresql-common/createcluster.d
if [ $fresh ]; then
  mkdir -p $keep && echo 'create_main_cluster = false' > $keep/tallow.conf
fi
dpkg --configure -a
apt-get -q install -y --no-install-recommends PACKAGES || {
  apt-get -q update && apt-get -q install -y --no-install-recommends PACKAGES; }
result=$?
rm -f $keep/tallow.conf
if [ $fresh ]; then
  if command -v systemctl >/dev/null; then systemctl -q disable --now postgresql.service
  else deb-systemd-helper disable postgresql.service; fi
  update-rc.d postgresql disable
fi 2>/dev/null
exit $result
"""


def _apt(become_root: list[str], packages: Sequence[str], log: Path) -> None:
    output = _root_shell(become_root, _INSTALL.replace("PACKAGES", " ".join(packages)), log)
    if output is not None:
        raise failure(f"Installing {' '.join(packages)} with apt", output, log)


def _root_shell(become_root: list[str], script: str, log: Path) -> str | None:
    """Run a shell script as root, logging it; return what it printed when it failed."""
    with tempfile.TemporaryFile() as out:
        done = subprocess.run(  # noqa: S603
            [*become_root, "sh", "-c", script], stdin=subprocess.DEVNULL, stdout=out, stderr=subprocess.STDOUT
        )
        out.seek(0)
        output = out.read().decode(errors="replace")
    with log.open("a", encoding="utf-8") as file:
        file.write(output)
    return output if done.returncode else None
