"""Child processes: ended in order, insisted upon, and gone when their parent is killed."""

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from club.boot.paths import ROOT
from club.boot.procs import Child, run, tail
from club.boot.words import Stop

SLEEPER = [sys.executable, "-c", "import time; time.sleep(60)"]
STUBBORN = [
    sys.executable,
    "-c",
    "import signal, time; signal.signal(15, signal.SIG_IGN); print('up', flush=True); time.sleep(60)",
]


def _gone(pid: int, seconds: float) -> bool:
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        try:
            if "Z" in Path(f"/proc/{pid}/stat").read_text().split(")")[1].split()[0]:
                return True
        except FileNotFoundError:
            return True
        time.sleep(0.02)
    return False


def test_killing_the_parent_ends_the_child(tmp_path: Path) -> None:
    program = (
        "import sys, time; from pathlib import Path; from club.boot.procs import Child\n"
        f"child = Child('sleeper', {SLEEPER!r}, Path({str(tmp_path / 'log')!r}))\n"
        "child.start(); print(child.pid, flush=True); time.sleep(60)"
    )
    parent = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, cwd=ROOT)  # noqa: S603
    assert parent.stdout
    pid = int(parent.stdout.readline())
    assert Path(f"/proc/{pid}").exists()
    parent.kill()
    parent.communicate()
    assert _gone(pid, 10)


def test_a_child_that_will_not_end_is_killed(tmp_path: Path) -> None:
    child = Child("stubborn", STUBBORN, tmp_path / "log", patience=0.2)
    child.start()
    child.wait_until(lambda: "up" in tail(child.log), 20)
    pid = child.pid
    child.stop()
    assert _gone(pid, 5)


def test_what_a_child_started_goes_with_it(tmp_path: Path) -> None:
    code = (
        "import subprocess, sys, time; p = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(60)']);"
        "print(p.pid, flush=True); time.sleep(60)"
    )
    child = Child("family", [sys.executable, "-c", code], tmp_path / "log")
    child.start()
    child.wait_until(lambda: tail(child.log).endswith("\n"), 20)
    grandchild = int(tail(child.log))
    child.stop()
    assert _gone(grandchild, 5)


def test_a_server_that_ends_while_starting_is_one_line_with_its_log(tmp_path: Path) -> None:
    child = Child(
        "thing", [sys.executable, "-c", "raise SystemExit('No space left on device')"], tmp_path / "log"
    )
    child.start()
    with pytest.raises(Stop, match=r"^Starting thing failed: The disk is full\. Details: .*log$"):
        child.wait_until(lambda: False, 20)


def test_a_server_that_is_never_ready_is_given_up(tmp_path: Path) -> None:
    child = Child("thing", SLEEPER, tmp_path / "log", stop_signal=signal.SIGKILL)
    child.start()
    with pytest.raises(Stop, match="not ready after 0 s"):
        child.wait_until(lambda: False, 0.1)
    child.stop()


def test_a_program_that_fails_is_one_line_and_is_logged(tmp_path: Path) -> None:
    with pytest.raises(Stop, match=r"^Doing it failed: bad luck\. Details: "):
        run([sys.executable, "-c", "raise SystemExit('bad luck')"], what="Doing it", log=tmp_path / "log")
    assert "bad luck" in (tmp_path / "log").read_text()


def test_marked_lines_are_passed_on_as_they_come() -> None:
    taken: list[str] = []

    def relay(line: str) -> bool:
        if line.startswith("> "):
            taken.append(line)
        return line.startswith("> ")

    code = "print('> a'); print('b'); print('> c')"
    assert run([sys.executable, "-c", code], what="It", relay=relay) == "b\n"
    assert taken == ["> a", "> c"]
