"""What was sent for a debrief, sorted by what the files are: logs, waypoints, pictures."""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Any, BinaryIO, Protocol, cast

from observations.files import gpx_track, nmea
from observations.files.fixes import Log, LogError
from observations.files.gpx_track import Mark
from observations.picture_times import Told, told_by
from observations.pictures import MAX_BYTES as MOST_PICTURE_BYTES
from spots.files.report import FileError, Remark

MOST_LOG_BYTES = 64 * 1024 * 1024
MOST_FILES = 90
_PICTURES = (b"\xff\xd8\xff", b"\x89PNG\r\n", b"RIFF")
_PICTURE_NAMES = (".jpg", ".jpeg", ".png", ".webp", ".heic", ".heif")
_XML = (b"<", b"\xff\xfe<", b"\xfe\xff\0<")


class Upload(Protocol):
    """Django's uploaded file, as far as it is read here."""

    @property
    def name(self) -> str | None: ...
    @property
    def size(self) -> int | None: ...
    @property
    def file(self) -> Any: ...

    def read(self, size: int = ..., /) -> bytes: ...
    def seek(self, offset: int, /) -> Any: ...


@dataclass
class Sent:
    """The logs and waypoints of the files, read, and the pictures, not read yet."""

    logs: list[Log] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    pictures: list[Upload] = field(default_factory=list)

    @property
    def fixes(self) -> int:
        return sum(len(log.time) for log in self.logs)


def _is_picture(file: Upload, head: bytes) -> bool:
    return (
        head.startswith(_PICTURES)
        or head[4:8] == b"ftyp"
        or (file.name or "").lower().endswith(_PICTURE_NAMES)
    )


def sort(files: Iterable[Upload]) -> Sent:
    """Read the logs among the files. Raises FileError with a remark for each file that is refused."""
    sent, problems = Sent(), []
    for number, file in enumerate(files):
        name = (file.name or "file")[-80:]
        if number == MOST_FILES:
            problems.append(Remark(0, "files", "", f"At most {MOST_FILES} files are taken at once."))
            break
        head = file.read(16)
        file.seek(0)
        if _is_picture(file, head):
            sent.pictures.append(file)
            continue
        try:
            _read_log(file, head, sent)
        except FileError as error:
            problems += [Remark(one.line, name, one.value, one.rule) for one in error.remarks]
        except LogError as error:
            problems.append(Remark(0, name, "", str(error)))
    if problems:
        raise FileError(*problems)
    return sent


def _read_log(file: Upload, head: bytes, sent: Sent) -> None:
    if (file.size or 0) > MOST_LOG_BYTES:
        raise LogError(
            f"It has {(file.size or 0) / 1024**2:.0f} MB; a log has at most {MOST_LOG_BYTES // 1024**2} MB."
        )
    if not file.size:
        raise LogError("The file is empty.")
    if not head.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(_XML):
        log = nmea.read(cast(BinaryIO, file.file))
        if not len(log.time):
            raise LogError("No sentence in it says where the boat was, and when.")
        sent.logs.append(log)
        return
    day = gpx_track.read(file.read())
    if not len(day.log.time) and not day.marks:
        raise LogError("It holds neither a waypoint nor a track whose points have times.")
    if len(day.log.time):
        sent.logs.append(day.log)
    sent.marks += day.marks


@dataclass(frozen=True)
class SentPicture:
    """One picture file: its bytes, and what it told before its metadata goes."""

    name: str
    raw: bytes
    told: Told

    @property
    def digest(self) -> str:
        return hashlib.sha256(self.raw).hexdigest()


def read_picture(file: Upload, zone: tzinfo) -> SentPicture:
    """Read one picture, whose local times are of `zone`. One byte beyond the most tells that it is too large."""
    raw = file.read(MOST_PICTURE_BYTES + 1)
    name = file.name or "picture"
    return SentPicture(name, raw, told_by(raw, name, zone))
