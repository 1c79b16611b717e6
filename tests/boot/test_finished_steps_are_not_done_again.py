"""Stamps: what makes the second start quick, and a half-finished first one heal."""

import os
import re
from pathlib import Path

from club.boot import packages
from club.boot.packages import Stamp, digest
from club.boot.paths import ROOT
from club.boot.prepare import static_digest


def test_a_stamp_fits_what_it_was_written_for_and_nothing_else(tmp_path: Path) -> None:
    stamp = Stamp(tmp_path / "stamp")
    assert not stamp.fits("a")
    stamp.write("a")
    assert stamp.fits("a")
    assert not stamp.fits("b")
    stamp.remove()
    assert not stamp.fits("a")


def test_a_stamp_cut_short_does_not_fit(tmp_path: Path) -> None:
    (tmp_path / "stamp").write_text("")
    assert not Stamp(tmp_path / "stamp").fits("a")


def test_a_changed_lock_has_another_digest(tmp_path: Path) -> None:
    lock = tmp_path / "lock"
    lock.write_text("one==1")
    before = digest([lock])
    lock.write_text("one==2")
    assert digest([lock]) != before


def test_text_does_not_move_between_files_unseen(tmp_path: Path) -> None:
    first, second = tmp_path / "a", tmp_path / "b"
    first.write_text("xy")
    second.write_text("z")
    before = digest([first, second])
    first.write_text("x")
    second.write_text("yz")
    assert digest([first, second]) != before


def test_a_changed_static_file_is_collected_again(tmp_path: Path) -> None:
    file = tmp_path / "page.css"
    file.write_text("a")
    before = static_digest([tmp_path])
    assert static_digest([tmp_path]) == before
    os.utime(file, ns=(1, 1))
    assert static_digest([tmp_path]) != before


def test_an_environment_without_its_stamp_is_not_ready(tmp_path: Path, monkeypatch: object) -> None:
    assert packages.VENV_PYTHON.parent.parent == packages.VENV
    assert not packages.Stamp(tmp_path / "none").fits(packages._venv_wanted("run"))


def _pins(name: str) -> dict[str, str]:
    return dict(re.findall(r"^([a-z0-9._-]+)==(\S+)", (ROOT / name).read_text(), flags=re.M))


def test_what_runs_is_what_is_tested() -> None:
    run, test = _pins("requirements.lock"), _pins("requirements-test.lock")
    assert len(run) > 20
    assert {name: test.get(name) for name in run} == run


def test_every_pin_has_hashes_and_no_address() -> None:
    for name in ("requirements.lock", "requirements-test.lock", "requirements-uv.lock"):
        text = (ROOT / name).read_text()
        blocks = re.split(r"^(?=[a-z0-9._-]+==)", text, flags=re.M)[1:]
        assert blocks
        assert [block for block in blocks if "--hash=sha256:" not in block] == []
        assert "://" not in text
