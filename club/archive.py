"""A club in one file: the database as pg_dump's custom format and the pictures, in a tar.

A restore goes into a new database beside the old one and takes its name at the end: whatever fails before
that leaves everything as it was.
"""

import json
import os
import shutil
import subprocess
import tarfile
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any

import psycopg
from django.conf import settings
from django.db import connection
from psycopg import sql

FORMAT = 1
_ABOUT, _DUMP, _MEDIA = "tallow.json", "database.dump", "media"
HALF_SENT = "parts"
"""Beside the pictures: originals on their way in (observations/parts.py), which no backup keeps."""


class ArchiveError(Exception):
    """A backup or restore cannot be made; the text says why in one line."""


@dataclass(frozen=True)
class About:
    """What an archive says of itself."""

    format: int
    made_at: str
    demo: bool
    pictures: int


def _pictures(media: Path) -> list[Path]:
    found = media.rglob("*") if media.exists() else ()
    return sorted(path for path in found if path.is_file() and HALF_SENT not in path.relative_to(media).parts)


def back_up(target: Path) -> About:
    """Write the archive to `target`, whole or not at all, readable by its owner alone."""
    if target.exists():
        raise ArchiveError(f"{target} exists already; choose another name.")
    half = target.with_name(target.name + ".part")
    media = Path(settings.MEDIA_ROOT)
    try:
        with tempfile.TemporaryDirectory(dir=target.parent, prefix=".tallow-") as scratch:
            dump = Path(scratch) / _DUMP
            # The database first: a picture added meanwhile is one too many, and never one too few.
            _tool("pg_dump", "--format=custom", f"--file={dump}")
            files = _pictures(media)
            about = About(FORMAT, datetime.now(UTC).isoformat(timespec="seconds"), settings.DEMO, len(files))
            note = Path(scratch) / _ABOUT
            note.write_text(json.dumps(asdict(about)))
            os.close(os.open(half, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
            with tarfile.open(half, "w") as archive:
                archive.add(note, _ABOUT)
                archive.add(dump, _DUMP)
                for file in files:
                    archive.add(file, f"{_MEDIA}/{file.relative_to(media).as_posix()}")
        half.replace(target)
    finally:
        half.unlink(missing_ok=True)
    return about


def restore(source: Path, *, force: bool) -> About:
    """Put the archive in the place of this database and its pictures; `force` when there is a club in it."""
    with _opened(source) as archive:
        about = _read_about(archive, source)
        if about.demo != settings.DEMO:
            kind = "the demo club" if about.demo else "a club"
            raise ArchiveError(f"{source} is a backup of {kind}, and this is the other's database.")
        if not force and _has_members():
            raise ArchiveError("There is a club in this database. With --force the backup takes its place.")
        name = str(connection.settings_dict["NAME"])
        fresh, media = f"{name}_restored", Path(settings.MEDIA_ROOT)
        media.mkdir(mode=0o700, parents=True, exist_ok=True)
        arriving = Path(tempfile.mkdtemp(dir=media, prefix=".restored-"))
        connection.close()
        try:
            with tempfile.TemporaryDirectory(dir=media, prefix=".dump-") as scratch:
                dump = Path(scratch) / _DUMP
                _copy(archive, _DUMP, dump)
                _unpack_media(archive, arriving)
                _load(dump, fresh, Path(scratch))
            _swap_databases(name, fresh)
        except BaseException:
            shutil.rmtree(arriving, ignore_errors=True)
            _drop(fresh)
            raise
        _swap_media(media, arriving)
    return about


def _has_members() -> bool:
    from club.models import Member

    if Member._meta.db_table not in connection.introspection.table_names():
        return False
    return Member.objects.exists()


@contextmanager
def _opened(source: Path) -> Iterator[tarfile.TarFile]:
    try:
        with tarfile.open(source, "r:") as archive:
            yield archive
    except FileNotFoundError:
        raise ArchiveError(f"{source} is not there.") from None
    except tarfile.TarError as error:
        raise ArchiveError(f"{source} is not a whole backup: {error}.") from error


def _read_about(archive: tarfile.TarFile, source: Path) -> About:
    try:
        member = archive.extractfile(_ABOUT)
        assert member  # noqa: S101
        about = About(**json.load(member))
    except (KeyError, ValueError, TypeError, AssertionError):
        raise ArchiveError(f"{source} is not a backup of Tallow.") from None
    if about.format != FORMAT:
        raise ArchiveError(f"{source} has the backup format {about.format}; this program reads {FORMAT}.")
    return about


def _copy(archive: tarfile.TarFile, name: str, target: Path) -> None:
    try:
        content = archive.extractfile(name)
    except KeyError:
        raise ArchiveError(f"The backup lacks {name}.") from None
    if content is None:
        raise ArchiveError(f"The backup's {name} is not a file.")
    target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    with content, target.open("xb") as file:
        shutil.copyfileobj(content, file)
    target.chmod(0o600)


def _unpack_media(archive: tarfile.TarFile, arriving: Path) -> None:
    """Unpack plain files under media/ alone: an archive's other entries cannot write elsewhere."""
    for member in archive:
        path = PurePosixPath(member.name)
        if path.parts[0] != _MEDIA:
            continue
        if not member.isfile() or ".." in path.parts or len(path.parts) < 2:
            raise ArchiveError(f'The backup has an entry that no backup has: "{member.name}".')
        _copy(archive, member.name, arriving.joinpath(*path.parts[1:]))


def _load(dump: Path, fresh: str, scratch: Path) -> None:
    """Load the dump into the new database; PostGIS is there from the template, and not ours to touch."""
    _drop(fresh)
    with _maintenance() as server:
        server.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(fresh)))
    listing = _tool("pg_restore", "--list", str(dump))
    wanted = scratch / "contents"
    # Each line ends with the owner's name: what is not ours came with the template.
    lines = [line for line in listing.splitlines() if line.split()[-1:] == [_login()["user"]]]
    wanted.write_text("\n".join(lines) + "\n")
    options = ["--exit-on-error", "--single-transaction", f"--use-list={wanted}"]
    _tool("pg_restore", *options, f"--dbname={fresh}", str(dump))


def _swap_databases(name: str, fresh: str) -> None:
    old = f"{name}_before"
    _drop(old)
    rename = sql.SQL("ALTER DATABASE {} RENAME TO {}")
    with _maintenance() as server:
        try:
            server.execute(rename.format(sql.Identifier(name), sql.Identifier(old)))
        except psycopg.errors.ObjectInUse:
            raise ArchiveError("The site is running: stop it, and restore again.") from None
        try:
            server.execute(rename.format(sql.Identifier(fresh), sql.Identifier(name)))
        except BaseException:
            server.execute(rename.format(sql.Identifier(old), sql.Identifier(name)))
            raise
    _drop(old)


def _swap_media(media: Path, arriving: Path) -> None:
    """Let the new pictures take the old ones' place; the folder itself may be a mount and stays."""
    for entry in media.iterdir():
        if entry != arriving:
            shutil.rmtree(entry) if entry.is_dir() else entry.unlink()
    for entry in arriving.iterdir():
        entry.rename(media / entry.name)
    arriving.rmdir()


def _drop(name: str) -> None:
    with _maintenance() as server:
        server.execute(sql.SQL("DROP DATABASE IF EXISTS {}").format(sql.Identifier(name)))


@contextmanager
def _maintenance() -> "Iterator[psycopg.Connection[tuple[Any, ...]]]":
    parts = {**_login(), "dbname": "postgres"}
    with psycopg.connect(**parts, autocommit=True) as server:
        yield server


def _login() -> dict[str, Any]:
    known = connection.settings_dict
    parts = {
        "host": known["HOST"],
        "port": known["PORT"],
        "user": known["USER"],
        "password": known["PASSWORD"],
    }
    return {key: value for key, value in {**parts, "dbname": known["NAME"]}.items() if value}


def _tool(name: str, *arguments: str) -> str:
    """Run one of PostgreSQL's own programs, of the server's version, signed in as we are."""
    with _maintenance() as server:
        major = server.info.server_version // 10000
    debian = Path(f"/usr/lib/postgresql/{major}/bin") / name
    program = str(debian) if debian.exists() else shutil.which(name)
    if program is None:
        raise ArchiveError(f"{name} is missing: apt install postgresql-client-{major}")
    names = {
        "host": "PGHOST",
        "port": "PGPORT",
        "user": "PGUSER",
        "password": "PGPASSWORD",
        "dbname": "PGDATABASE",
    }
    env = {**os.environ, **{names[key]: str(value) for key, value in _login().items()}}
    done = subprocess.run([program, *arguments], env=env, capture_output=True, text=True)  # noqa: S603
    if done.returncode:
        said = done.stderr.strip().splitlines() or ["no message"]
        raise ArchiveError(f"{name} failed: {said[0]}")
    return done.stdout
