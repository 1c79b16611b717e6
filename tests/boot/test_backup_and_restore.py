"""A backup is one private file from which the whole club comes back, or nothing changes."""

import io
import json
import os
import shutil
import subprocess
import sys
import tarfile
from collections.abc import Callable, Iterator
from pathlib import Path

import psycopg
import pytest

from club.boot import databases, environment
from club.boot.paths import ROOT
from club.boot.services import Services, running

# The tests of this file share servers, which take seconds to make.
pytestmark = pytest.mark.xdist_group("backup")

Manage = Callable[..., "subprocess.CompletedProcess[str]"]

ADD = "from club.models import Member; Member.objects.create_user('{}', password='a long pass phrase')"
LIST = "from club.models import Member; print('members', *sorted(m.username for m in Member.objects.all()))"


@pytest.fixture(scope="module")
def services(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Services]:
    state = tmp_path_factory.mktemp("archive")
    (state / "log").mkdir()
    with running(state) as services:
        databases.ensure(services, "tallow")
        yield services


@pytest.fixture(scope="module")
def manage(services: Services) -> Manage:
    """Run a Django command as the owner on the club's own database."""

    def run(*argv: str) -> "subprocess.CompletedProcess[str]":
        env = {
            **os.environ,
            **environment.base(services.state, role="owner", demo=False),
            **services.environment("tallow"),
        }
        argv = (sys.executable, "-W", "ignore", "-m", "django", *argv)
        return subprocess.run(argv, env=env, cwd=ROOT, capture_output=True, text=True)  # noqa: S603

    done = run("migrate", "--noinput", "--verbosity=0")
    assert done.returncode == 0, done.stderr
    return run


def _members(manage: Manage) -> list[str]:
    lines = manage("shell", "-c", LIST).stdout.splitlines()
    return next(line.split()[1:] for line in lines if line.startswith("members"))


@pytest.fixture(scope="module")
def backup(services: Services, manage: Manage) -> Path:
    """A backup of a club with one member and one picture, after which both were changed."""
    media = services.state / "media"
    (media / "ab").mkdir(parents=True)
    (media / "ab" / "one.jpg").write_bytes(b"first")
    (media / "parts").mkdir()
    (media / "parts" / "half.sent").write_bytes(b"an original, with all its metadata")
    assert manage("shell", "-c", ADD.format("ada")).returncode == 0
    file = services.state / "club.tar"
    done = manage("backup", str(file))
    assert done.returncode == 0, done.stderr
    assert "1 pictures" in done.stdout
    with tarfile.open(file) as archive:
        assert not [name for name in archive.getnames() if "parts" in name]
    shutil.rmtree(media / "parts")
    (media / "ab" / "one.jpg").write_bytes(b"changed")
    (media / "two.jpg").write_bytes(b"second")
    assert manage("shell", "-c", ADD.format("bob")).returncode == 0
    return file


def test_a_backup_is_private(backup: Path) -> None:
    assert backup.stat().st_mode & 0o077 == 0
    assert list(backup.parent.glob("*.part")) == []


def test_a_backup_never_overwrites(manage: Manage, backup: Path) -> None:
    before = backup.read_bytes()
    done = manage("backup", str(backup))
    assert done.returncode == 1
    assert "exists already" in done.stderr
    assert backup.read_bytes() == before


def test_a_club_is_not_replaced_by_mistake(manage: Manage, backup: Path) -> None:
    done = manage("restore", str(backup))
    assert done.returncode == 1
    assert "--force" in done.stderr
    assert _members(manage) == ["ada", "bob"]


def _archive(path: Path, about: dict[str, object], entries: dict[str, bytes]) -> Path:
    with tarfile.open(path, "w") as archive:
        for name, content in {"tallow.json": json.dumps(about).encode(), **entries}.items():
            entry = tarfile.TarInfo(name)
            entry.size = len(content)
            archive.addfile(entry, io.BytesIO(content))
    return path


ABOUT: dict[str, object] = {"format": 1, "made_at": "2026-11-01T00:00:00+00:00", "demo": False, "pictures": 0}


@pytest.mark.parametrize(
    ("about", "entries", "words"),
    [
        ({**ABOUT, "format": 2}, {}, "has the backup format 2"),
        ({**ABOUT, "demo": True}, {}, "is a backup of the demo club"),
        ({"name": "something else"}, {}, "is not a backup of Tallow"),
        (ABOUT, {}, "lacks database.dump"),
        (ABOUT, {"database.dump": b"no dump"}, "pg_restore failed"),
        (ABOUT, {"database.dump": b"", "media/../../out": b"x"}, "an entry that no backup has"),
    ],
)
def test_a_bad_archive_changes_nothing(
    manage: Manage,
    services: Services,
    backup: Path,
    tmp_path: Path,
    about: dict[str, object],
    entries: dict[str, bytes],
    words: str,
) -> None:
    done = manage("restore", "--force", str(_archive(tmp_path / "bad.tar", about, entries)))
    assert done.returncode == 1
    assert words in done.stderr
    assert _members(manage) == ["ada", "bob"]
    media = services.state / "media"
    assert sorted(path.name for path in media.iterdir()) == ["ab", "two.jpg"]
    assert databases.names(services, "tallow") == ["tallow"]


def test_a_file_cut_short_changes_nothing(manage: Manage, backup: Path, tmp_path: Path) -> None:
    cut = tmp_path / "cut.tar"
    cut.write_bytes(backup.read_bytes()[: backup.stat().st_size // 2])
    done = manage("restore", "--force", str(cut))
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert _members(manage) == ["ada", "bob"]


def test_a_running_site_is_not_pulled_from_under_its_members(
    manage: Manage, services: Services, backup: Path
) -> None:
    with psycopg.connect(services.environment("tallow")["DATABASE_URL"], user="tallow_web"):
        done = manage("restore", "--force", str(backup))
    assert done.returncode == 1
    assert "The site is running" in done.stderr
    assert databases.names(services, "tallow") == ["tallow"]
    assert _members(manage) == ["ada", "bob"]


def test_everything_comes_back_as_it_was(manage: Manage, services: Services, backup: Path) -> None:
    done = manage("restore", "--force", str(backup))
    assert done.returncode == 0, done.stderr
    assert _members(manage) == ["ada"]
    media = services.state / "media"
    files = {
        path.relative_to(media).as_posix(): path.read_bytes() for path in media.rglob("*") if path.is_file()
    }
    assert files == {"ab/one.jpg": b"first"}
    assert databases.names(services, "tallow") == ["tallow"]


def test_what_comes_back_is_still_guarded(manage: Manage, services: Services, backup: Path) -> None:
    """Policies, grants and owners are part of the backup; without them row-level security would be gone."""
    manage("restore", "--force", str(backup))
    url = services.environment("tallow")["DATABASE_URL"]
    with psycopg.connect(url, user="tallow_web") as web:
        guarded = web.execute(
            "SELECT count(*) FROM pg_class c WHERE relrowsecurity AND relowner = 'tallow_owner'::regrole"
            " AND EXISTS (SELECT 1 FROM pg_policy p WHERE p.polrelid = c.oid)"
        ).fetchone()
        assert guarded and guarded[0] > 5
        owned = web.execute("SELECT count(*) FROM pg_class WHERE relowner = current_user::regrole").fetchone()
        assert owned == (0,)
        assert web.execute("SELECT count(*) FROM spots_position").fetchone() == (0,)
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            web.execute("TRUNCATE spots_position")
