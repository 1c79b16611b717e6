"""Databases in the private cluster, made by the owner. Runs in the virtual environment: psycopg is there."""

from club.boot.services import Services


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


def drop_like(services: Services, prefix: str) -> None:
    """Drop the databases whose names begin with `prefix`: what a killed test run left."""
    from psycopg import sql

    found = names(services, prefix)
    with _owner(services) as connection:
        for name in found:
            connection.execute(
                sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name))
            )


def _owner(services: Services):  # type: ignore[no-untyped-def]
    import psycopg

    host = services.cluster.socket_folder()
    return psycopg.connect(host=host, user="tallow_owner", dbname="postgres", autocommit=True)
