"""One club in a database of its own for all the tests here: filled once, undone after each test."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.db import connection
from django.test import Client

from tests.conftest import Cast, Places
from tests.leaks import worlds
from tests.leaks.worlds import Ids, World
from tests.standing import Ready, clone, drop, stand_in, using


@pytest.fixture(scope="session")
def world(ready: Ready, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    with django_db_blocker.unblock():
        stand_in(ready.empty)
        connection.close()
        name = f"{ready.empty}_world"
        clone(ready.empty, name)
        made = worlds.build(name, tmp_path_factory.mktemp("world"))
    yield made
    with django_db_blocker.unblock():
        drop(name)


@pytest.fixture
def db(world: World, django_db_blocker: Any, settings: Any) -> Iterator[None]:
    """In place of pytest-django's: stand in the world; whatever the test writes is undone."""
    settings.MEDIA_ROOT = world.media
    with django_db_blocker.unblock(), using(world.name), worlds.undone():
        yield


@pytest.fixture
def cast(db: None, world: World) -> Cast:
    return world.cast


@pytest.fixture
def places(db: None, world: World) -> Places:
    return world.places


@pytest.fixture
def ids(db: None, world: World) -> Ids:
    return world.ids


@pytest.fixture
def client_of(db: None, world: World) -> Callable[..., Client]:
    return world.client
