"""Databases in the private cluster, made by the owner. Runs in the virtual environment: psycopg is there."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from club.boot.services import Services
from club.boot.words import failure

if TYPE_CHECKING:
    import psycopg


def ensure(services: Services, name: str) -> bool:
    """Create the database if it is not there; return whether it was made now."""
    import psycopg
    from psycopg import sql

    with _owner(services) as connection:
        if connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", [name]).fetchone():
            return False
        try:
            connection.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
        except psycopg.errors.DuplicateDatabase:
            return False
        return True


def names(services: Services, prefix: str) -> list[str]:
    """Return the names of the databases that begin with `prefix`."""
    with _owner(services) as connection:
        rows = connection.execute("SELECT datname FROM pg_database WHERE starts_with(datname, %s)", [prefix])
        return [name for (name,) in rows.fetchall()]


def drop(services: Services, unwanted: Iterable[str]) -> None:
    """Drop these databases, whoever is connected."""
    from psycopg import sql

    with _owner(services) as connection:
        for name in unwanted:
            connection.execute(
                sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name))
            )


@contextmanager
def _owner(services: Services) -> "Iterator[psycopg.Connection[tuple[Any, ...]]]":
    import psycopg

    host = services.cluster.socket_folder()
    try:
        with psycopg.connect(
            host=host, user="tallow_owner", dbname="postgres", autocommit=True
        ) as connection:
            yield connection
    except psycopg.OperationalError as error:
        raise failure("Reaching the database", str(error), services.cluster.log) from error
