"""The private PostgreSQL and Redis: made in an awkward place, healed, shared, closed to everyone else."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
import redis

from club.boot import databases
from club.boot.cluster import Cluster
from club.boot.paths import ROOT
from club.boot.services import Services, running

pytestmark = pytest.mark.xdist_group("private servers")


@pytest.fixture(scope="module")
def services(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Services]:
    """Servers in a 0700 folder whose path is too long for a unix socket, with a first run's wreck in it."""
    state = tmp_path_factory.mktemp("private") / ("a long name " * 9).strip() / ".local"
    state.mkdir(parents=True)
    state.parent.chmod(0o700)
    (state / "log").mkdir()
    assert len(str(state)) > 107
    wreck = state / "postgres" / "data.new"
    wreck.mkdir(parents=True)
    (wreck / "PG_VERSION").write_text("9.6")
    with running(state) as services:
        databases.ensure(services, "tallow")
        yield services


def _connect(
    services: Services, role: str, database: str = "tallow"
) -> "psycopg.Connection[tuple[object, ...]]":
    host = services.cluster.socket_folder()
    return psycopg.connect(host=host, user=role, dbname=database, autocommit=True)


def test_a_database_is_made_once(services: Services) -> None:
    assert not databases.ensure(services, "tallow")
    assert databases.names(services, "tallow") == ["tallow"]


@pytest.mark.parametrize("role", ["tallow_owner", "tallow_web", "tallow_worker"])
def test_no_role_is_above_row_level_security(services: Services, role: str) -> None:
    with _connect(services, role) as link:
        row = link.execute(
            "SELECT rolsuper, rolbypassrls, rolcreaterole, rolcreatedb FROM pg_roles WHERE rolname = current_user"
        ).fetchone()
    assert row == (False, False, False, role == "tallow_owner")


@pytest.mark.parametrize("role", ["tallow_web", "tallow_worker"])
@pytest.mark.parametrize(
    "statement",
    [
        "CREATE TABLE public.mine (id int)",
        "CREATE SCHEMA mine",
        "CREATE DATABASE mine",
        "SET ROLE tallow_owner",
    ],
)
def test_web_and_worker_can_own_nothing(services: Services, role: str, statement: str) -> None:
    with _connect(services, role) as link, pytest.raises(psycopg.errors.InsufficientPrivilege):
        link.execute(statement.encode())


def test_the_owner_makes_databases_with_postgis_and_becomes_the_others(services: Services) -> None:
    with _connect(services, "tallow_owner") as link:
        link.execute("CREATE TABLE ours (id int)")
        assert link.execute("SELECT ST_AsText(ST_Point(1, 2))").fetchone() == ("POINT(1 2)",)
        for role in ("tallow_web", "tallow_worker"):
            link.execute(f"SET ROLE {role}".encode())
            assert link.execute("SELECT current_user").fetchone() == (role,)
            link.execute("RESET ROLE")
        link.execute("DROP TABLE ours")


@pytest.mark.parametrize("role", ["postgres", os.environ.get("USER", "root")])
def test_nobody_else_can_sign_in(services: Services, role: str) -> None:
    with pytest.raises(psycopg.OperationalError, match=r"pg_hba\.conf"):
        _connect(services, role)


def test_no_port_is_opened(services: Services) -> None:
    inodes = set()
    for pid in [child.pid for child in services._children]:
        for entry in Path(f"/proc/{pid}/fd").iterdir():
            inodes.add(str(entry.readlink()).removeprefix("socket:[").removesuffix("]"))
    assert inodes
    listening = []
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]:
            fields = line.split()
            # 0A is the state LISTEN.
            if fields[3] == "0A" and fields[9] in inodes:
                listening.append(line)
    assert listening == []


def test_others_cannot_get_at_the_data(services: Services) -> None:
    for path in (services.cluster.path, services.cluster.data, services.broker.path):
        assert path.stat().st_mode & 0o077 == 0


def test_redis_answers_and_keeps_nothing_on_disk(services: Services) -> None:
    link = redis.Redis.from_url(services.environment("tallow")["REDIS_URL"])
    assert link.ping()
    settings = link.config_get("save")
    assert settings == {"save": ""}
    link.close()


def test_another_command_joins_instead_of_starting_its_own(services: Services) -> None:
    program = (
        "import sys; from pathlib import Path; from club.boot import databases\n"
        "from club.boot.services import running\n"
        "with running(Path(sys.argv[1])) as services:\n"
        "    print(services.ours, databases.names(services, 'tallow'))"
    )
    argv = [sys.executable, "-c", program, str(services.state)]
    done = subprocess.run(argv, cwd=ROOT, capture_output=True, text=True)  # noqa: S603
    assert done.stdout.strip() == "False ['tallow']", done.stderr


def test_a_killed_database_comes_back_at_the_same_address(services: Services) -> None:
    url = services.environment("tallow")["DATABASE_URL"]
    server = services._children[0]
    assert server.process
    server.process.kill()
    server.process.wait()
    assert services.fallen() == [server]
    services.revive(server)
    with psycopg.connect(url, user="tallow_web") as link:
        assert link.execute("SELECT 1").fetchone() == (1,)


def test_a_killed_redis_is_noticed_and_healed(services: Services) -> None:
    assert services.fallen() == []
    broker = services._children[1]
    assert broker.process
    broker.process.kill()
    broker.process.wait()
    assert services.fallen() == [broker]
    services.revive(broker)
    assert services.fallen() == []
    link = redis.Redis.from_url(services.environment("tallow")["REDIS_URL"])
    assert link.ping()
    link.close()


def test_databases_that_a_killed_test_run_left_are_dropped(services: Services) -> None:
    from club.boot import gates

    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    databases.ensure(services, f"tallow_{gone.pid}")
    databases.ensure(services, f"test_tallow_{gone.pid}_gw0")
    databases.ensure(services, f"test_tallow_{os.getpid()}_gw0")
    gates._drop_leftovers(services)
    assert databases.names(services, "test_tallow_") == [f"test_tallow_{os.getpid()}_gw0"]
    assert databases.names(services, "tallow") == ["tallow"]


def test_what_a_crash_left_is_not_taken_for_a_running_server(tmp_path: Path) -> None:
    cluster = Cluster(tmp_path)
    cluster.data.mkdir(parents=True)
    (cluster.path / "run").mkdir()
    (cluster.path / "run" / ".s.PGSQL.5432.lock").write_text("1\n")
    # This very process is alive, but it is no PostgreSQL in that folder.
    (cluster.data / "postmaster.pid").write_text(f"{os.getpid()}\n")
    cluster._clear_leftovers()
    assert not (cluster.data / "postmaster.pid").exists()
    assert list((cluster.path / "run").iterdir()) == []
