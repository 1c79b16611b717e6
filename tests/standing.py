"""Clubs that stand ready: databases cloned within the test server, filled once a run and cleared never.

A test that wants the cast, the water or the places runs in a transaction of a database that holds them already,
and is rolled back there as anywhere. A test that really commits (threads, a live server) makes its own.
"""

import copy
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from django.db import connection


def clone(source: str, target: str) -> None:
    """Make a copy of a database to which nobody is connected."""
    with connection._nodb_cursor() as cursor:
        cursor.execute(f'DROP DATABASE IF EXISTS "{target}"')
        cursor.execute(f'CREATE DATABASE "{target}" TEMPLATE "{source}" STRATEGY file_copy')


def drop(name: str) -> None:
    with connection._nodb_cursor() as cursor:
        cursor.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')


def stand_in(name: str) -> None:
    """Let the default connection lead to this database from now on."""
    if connection.settings_dict["NAME"] != name:
        connection.close()
        connection.settings_dict["NAME"] = name


@contextmanager
def using(name: str) -> Iterator[None]:
    """Let the default connection lead to another database for a while."""
    before = connection.settings_dict["NAME"]
    stand_in(name)
    try:
        yield
    finally:
        stand_in(before)


class Ready:
    """The empty test database, and the fuller ones that grew out of it, each from the one before.

    Parameters
    ----------
    steps : the fixtures that can stand ready, in their order, each with what makes it from those before it.
    """

    def __init__(self, steps: dict[str, Callable[..., Any]]) -> None:
        self.empty: str = connection.settings_dict["NAME"]
        self.steps = steps
        self.made: dict[str, Any] = {}

    def name(self, step: str) -> str:
        return f"{self.empty}_{step}"

    def enter(self, asked: set[str]) -> None:
        """Stand in the fullest database that holds nothing beyond what is asked for; make it if need be."""
        last = self.empty
        for step, make in self.steps.items():
            if step not in asked:
                break
            if step not in self.made:
                stand_in(self.empty)
                connection.close()
                clone(last, self.name(step))
                with using(self.name(step)):
                    self.made[step] = make(*self.made.values())
            last = self.name(step)
        stand_in(last)

    def holding(self, step: str) -> Any:
        """Return a copy of what this step made, where the connection stands in it; else None."""
        steps = list(self.steps)
        here = connection.settings_dict["NAME"]
        if here not in map(self.name, steps[steps.index(step) :]):
            return None
        return copy.deepcopy(self.made[step])

    def leave(self) -> None:
        stand_in(self.empty)
        for step in self.made:
            drop(self.name(step))
