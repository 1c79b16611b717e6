"""What manage.py does with its arguments before anything is installed."""

import os
import shutil
import socket
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from club.boot import cli, environment, site
from club.boot.paths import ROOT, ensure_state_dir
from club.boot.words import Stop


def test_without_arguments_it_says_what_there_is(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run([]) == 0
    shown = capsys.readouterr().out
    for command in ("demo", "start", "test", "services", "--demo"):
        assert command in shown


@pytest.mark.parametrize("port", ["0", "65536", "-1", "http", "80.5", ""])
def test_a_port_that_is_none_is_refused_by_name(port: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        site.options("demo", [f"--port={port}"])
    assert f"a port is a number from 1 to 65535, not '{port}'" in capsys.readouterr().err


def test_the_demo_can_be_bound_to_this_machine_only() -> None:
    assert site.options("demo", ["--port", "8001"]) == site.Options(True, "127.0.0.1", 8001)
    with pytest.raises(SystemExit):
        site.options("demo", ["--bind", "0.0.0.0"])  # noqa: S104


def test_a_club_is_served_on_this_machine_unless_told_otherwise() -> None:
    assert site.options("start", []).bind == "127.0.0.1"
    assert site.options("start", ["--bind", "::1"]).url == "http://[::1]:8000/"


def test_a_busy_port_is_told_with_a_way_out() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(Stop, match=rf"^Port {port} on 127\.0\.0\.1 is busy .* Try: .* demo --port \d+$"):
            site.require_free_port(site.Options(True, "127.0.0.1", port), "demo")


def test_a_port_that_is_let_go_in_time_is_taken() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        threading.Timer(0.5, taken.close).start()
        site.require_free_port(site.Options(True, "127.0.0.1", port), "demo", patience=20)


def test_an_address_of_another_machine_is_refused() -> None:
    # 192.0.2.1 is from the block kept for documentation (RFC 5737).
    with pytest.raises(Stop, match=r"^192\.0\.2\.1 is not an address of this machine"):
        site.require_free_port(site.Options(False, "192.0.2.1", 8000), "start")


def test_a_stop_and_a_full_disk_are_one_line_and_an_error(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def full(argv: list[str]) -> int:
        raise OSError(28, "No space left on device", "x")

    monkeypatch.setattr(cli, "_run", full)
    assert cli.run(["check"]) == 1
    assert capsys.readouterr().err.strip().splitlines() == [
        "tallow: The disk is full: free some space and run this again. Nothing is lost."
    ]


def test_an_old_python_is_told_in_one_line() -> None:
    program = (
        "import runpy, sys; sys.version_info = (3, 9, 0, 'final', 0); sys.argv = ['manage.py', 'demo'];"
        "runpy.run_path('manage.py', run_name='__main__')"
    )
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-c", program], cwd=ROOT, env={"PATH": "/nowhere"}, capture_output=True, text=True
    )
    assert done.returncode == 1
    assert done.stderr.startswith("Tallow needs Python 3.11 or newer; this is Python 3.9.")
    assert done.stderr.count("\n") == 1


def test_before_django_only_the_standard_library_is_imported() -> None:
    bare = shutil.which("python3", path="/usr/bin") or sys.executable
    program = (
        "import sys; import club.boot.cli, club.boot.site, club.boot.packages, club.boot.services;"
        "print([name for name in ('django', 'celery', 'psycopg') if name in sys.modules])"
    )
    done = subprocess.run(  # noqa: S603
        [bare, "-S", "-c", program],
        cwd=ROOT,
        env={"PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
    )
    assert done.stdout.strip() == "[]", done.stderr


def test_servers_of_others_are_used_and_none_is_started(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DATABASE_URL", "postgresql://elsewhere/club")
    assert environment.external()
    assert environment.addresses(None, demo=False) == {}


def test_the_state_of_another_user_is_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TALLOW_STATE_DIR", str(tmp_path))
    monkeypatch.setattr(os, "geteuid", lambda: os.getuid() + 1)
    with pytest.raises(Stop, match=r"belongs to user .*: run this as"):
        ensure_state_dir()


def test_the_secret_key_is_made_once_and_private(tmp_path: Path) -> None:
    path = environment.secret_key_file(tmp_path)
    key = path.read_text()
    assert len(key) >= 50
    assert path.stat().st_mode & 0o077 == 0
    assert environment.secret_key_file(tmp_path).read_text() == key


def test_a_second_start_finds_the_first(tmp_path: Path) -> None:
    import fcntl

    one = site.Site(site.Options(True, "127.0.0.1", 8000), tmp_path)
    assert one.already_at() is None
    with one.marker.open("a") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        assert one.already_at() == ""
        one.ready.write_text('{"url": "http://127.0.0.1:8000/"}')
        assert one.already_at() == "http://127.0.0.1:8000/"
    # A ready file that a killed one left means nothing without the lock.
    assert one.already_at() is None
