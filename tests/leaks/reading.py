"""Asking as a reader who keeps everything: the answer, and what it left behind in logs, queue and mail."""

import logging
import random
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from unittest import mock

from django.core import mail
from django.test import Client, TestCase
from kombu import Producer

from tests.leaks.worlds import undone

# Read at every level. The rest of Django is read at the level the site runs it at: below that it writes the SQL
# and the template context of every request, and nobody's club runs so.
READ = ("club", "spots", "observations", "celery", "django.request", "django.security")


class _Lines(logging.Handler):
    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.setFormatter(logging.Formatter("%(name)s %(levelname)s %(message)s"))
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        # With the traceback, and with what was handed over beside the message.
        extra = {key: value for key, value in vars(record).items() if key not in _PLAIN}
        self.lines.append(f"{self.format(record)} {extra or ''}")


_PLAIN = set(vars(logging.makeLogRecord({}))) | {"message", "asctime", "request"}


@dataclass
class Left:
    """What a request left behind besides its answer."""

    log: list[str] = field(default_factory=list)
    queue: list[str] = field(default_factory=list)
    mails: list[str] = field(default_factory=list)


@contextmanager
def listening() -> Iterator[Left]:
    """Collect every line logged at any level, every message on its way to the broker, every mail."""
    left = Left()
    handler = _Lines()
    left.log = handler.lines
    root = logging.getLogger()
    ours = [logging.getLogger(name) for name in READ]
    levels = [logger.level for logger in ours]

    def publish(self: Producer, body: Any, **options: Any) -> None:
        left.queue.append(f"{body!r} {options!r}")

    def no_mail(messages: list[Any]) -> int:
        left.mails.extend(f"{m.subject}\n{m.to}\n{m.body}\n{m.extra_headers}" for m in messages)
        return len(messages)

    root.addHandler(handler)
    for logger in ours:
        logger.setLevel(logging.DEBUG)
    try:
        with mock.patch.object(Producer, "publish", publish):
            before = len(getattr(mail, "outbox", []))
            yield left
            no_mail(getattr(mail, "outbox", [])[before:])
    finally:
        root.removeHandler(handler)
        for logger, level in zip(ours, levels, strict=True):
            logger.setLevel(level)


@contextmanager
def seeded() -> Iterator[None]:
    """Let all chance come from one seed: masks of CSRF tokens, new ids, new keys are equal inputs then."""
    source = random.Random(20261125)  # noqa: S311
    with (
        mock.patch("os.urandom", source.randbytes),
        mock.patch("random._urandom", source.randbytes),
    ):
        yield


@dataclass(frozen=True)
class Answer:
    """Everything that came of one request, by channel."""

    status: int
    channels: dict[str, bytes]

    @property
    def answer(self) -> bytes:
        return self.channels["answer"]


def ask(client: Client, path: str, body: dict[str, Any] | None = None, method: str = "") -> Answer:
    """Ask as a browser or a script would, with what is queued on commit sent, and undo what was written.

    Without a method it is GET, or POST where there is a body.
    """
    method = method or ("GET" if body is None else "POST")
    kind: dict[str, Any] = {"content_type": "application/json"} if path.startswith("/api/") else {}
    if method not in ("GET", "HEAD", "POST"):
        kind = {"content_type": "application/json"}
    cookies = client.cookies.copy()
    with listening() as left, seeded(), undone(), TestCase.captureOnCommitCallbacks(execute=True):
        call = getattr(client, method.lower())
        response = call(path, body or {}, **kind) if method != "OPTIONS" else call(path)
        content = b"".join(response.streaming_content) if response.streaming else response.content
    client.cookies = cookies
    head = "\n".join(f"{name}: {value}" for name, value in response.items())
    set_cookies = "\n".join(cookie.OutputString() for cookie in response.cookies.values())
    return Answer(
        response.status_code,
        {
            "answer": f"{response.status_code} {response.reason_phrase}\n{head}\n\n".encode() + content,
            "cookies": set_cookies.encode(),
            "log": "\n".join(left.log).encode(),
            "queue": "\n".join(left.queue).encode(),
            "mail": "\n".join(left.mails).encode(),
        },
    )
