"""The supervisor restarts what falls, waits longer each time, and gives up where a restart does not help."""

import sys
import time
from pathlib import Path

import pytest

from club.boot.procs import Child
from club.boot.supervisor import FALLS, WITHIN_SECONDS, Record, Supervisor
from club.boot.words import Stop


def test_pauses_grow_and_then_it_is_hopeless() -> None:
    record = Record(clock=lambda: 100.0)
    pauses = [record.fell() for _ in range(FALLS)]
    assert pauses == [0.0, 1.0, 2.0, 4.0, None]


def test_falls_long_ago_do_not_count() -> None:
    now = [0.0]
    record = Record(clock=lambda: now[0])
    for _ in range(3 * FALLS):
        assert record.fell() == 0.0
        now[0] += WITHIN_SECONDS + 1


def test_a_fallen_program_runs_again(tmp_path: Path) -> None:
    supervisor = Supervisor()
    child = Child("sleeper", [sys.executable, "-c", "import time; time.sleep(60)"], tmp_path / "log")
    supervisor.start(child)
    assert child.process
    first = child.pid
    child.process.kill()
    child.process.wait()
    deadline = time.monotonic() + 10
    while child.pid in (0, first) and time.monotonic() < deadline:
        supervisor.tend()
    assert child.pid not in (0, first)
    supervisor.stop()


def test_a_program_that_keeps_falling_stops_the_site_with_its_last_words(tmp_path: Path) -> None:
    supervisor = Supervisor()
    child = Child("web", [sys.executable, "-c", "raise SystemExit('settings are wrong')"], tmp_path / "log")
    child.log.write_text("settings are wrong\n")
    with pytest.raises(Stop, match="web keeps ending: it failed: settings are wrong"):
        for _ in range(FALLS):
            supervisor.note_fall(child)


def test_programs_are_ended_in_the_order_in_which_they_were_started(tmp_path: Path) -> None:
    supervisor = Supervisor()
    log = tmp_path / "order"
    for name in ("web", "worker", "beat"):
        code = (
            "import pathlib, signal, sys, time\n"
            f"def end(*_):\n    with open({str(log)!r}, 'a') as f: f.write('{name} ')\n    sys.exit()\n"
            f"signal.signal(15, end); pathlib.Path({str(tmp_path)!r}, '{name}.up').touch(); time.sleep(60)"
        )
        child = Child(name, [sys.executable, "-c", code], tmp_path / "log")
        supervisor.start(child)
        child.wait_until((tmp_path / f"{name}.up").exists, 20)
    supervisor.stop()
    assert log.read_text().split() == ["web", "worker", "beat"]
