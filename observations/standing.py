"""What is read of findings and decisions as it stood at a cut-off: put right in one statement for each list."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, TypeVar

from django.db import models

_Row = TypeVar("_Row", bound=models.Model)
Settle = Callable[[list[Any]], None]
_waiting: ContextVar[dict[Settle, list[Any]] | None] = ContextVar("waiting", default=None)


def put_right(settle: Settle, row: Any) -> None:
    """Let `settle` put a row right: with the others of its list, or alone where it is read alone."""
    waiting = _waiting.get()
    if waiting is None:
        settle([row])
    else:
        waiting.setdefault(settle, []).append(row)


@contextmanager
def _together() -> Iterator[None]:
    waiting: dict[Settle, list[Any]] = {}
    token = _waiting.set(waiting)
    try:
        yield
    finally:
        _waiting.reset(token)
    for settle, rows in waiting.items():
        settle(rows)


class AsItStood(models.QuerySet[_Row]):
    """A list of rows that `from_db` puts right: before anything is prefetched by what they say."""

    _result_cache: list[_Row] | None
    _iterable_class: Any

    def _fetch_all(self) -> None:
        if self._result_cache is None:
            with _together():
                self._result_cache = list(self._iterable_class(self))
        super()._fetch_all()
