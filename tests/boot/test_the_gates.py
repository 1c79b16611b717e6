"""`test` runs everything, and any failure counts."""

import subprocess
from collections.abc import Sequence
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from club.boot import gates


@pytest.fixture
def ran(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """Stand in for the programs: note what is run, and fail those whose command line holds a chosen word."""
    seen: dict[str, Any] = {"commands": [], "failing": "nothing fails"}

    def run(argv: Sequence[str], **kwargs: Any) -> SimpleNamespace:
        seen["commands"].append((" ".join(argv), kwargs["env"]))
        return SimpleNamespace(returncode=int(seen["failing"] in " ".join(argv)))

    @contextmanager
    def running(state: Path) -> Any:
        yield SimpleNamespace(environment=lambda name: {"DATABASE_URL": f"postgresql:///{name}"})

    monkeypatch.setattr(subprocess, "run", run)
    monkeypatch.setattr(gates, "running", running)
    monkeypatch.setattr(gates.databases, "names", lambda services, prefix: [])
    monkeypatch.setattr(gates.databases, "drop", lambda services, unwanted: None)
    monkeypatch.setattr(gates.databases, "ensure", lambda services, name: True)
    return seen


def test_all_gates_run_and_pytest_last(ran: dict[str, Any], tmp_path: Path) -> None:
    assert gates.test([], tmp_path) == 0
    commands = [command for command, _ in ran["commands"]]
    for word in (
        "ruff check",
        "ruff format --check",
        "mypy",
        "lint-imports",
        "makemigrations --check",
        "--deploy",
    ):
        assert any(word in command for command in commands[:-1]), word
    assert "-m pytest" in commands[-1]


@pytest.mark.parametrize(
    "word", ["ruff check", "format", "mypy", "lint-imports", "makemigrations", "--deploy", "pytest"]
)
def test_one_failure_fails_the_whole_and_the_rest_still_runs(
    ran: dict[str, Any], tmp_path: Path, word: str
) -> None:
    ran["failing"] = word
    assert gates.test([], tmp_path) != 0
    assert "-m pytest" in ran["commands"][-1][0]


def test_arguments_go_to_pytest_alone(ran: dict[str, Any], tmp_path: Path) -> None:
    assert gates.test(["tests/boot", "-x"], tmp_path) == 0
    assert len(ran["commands"]) == 1
    assert ran["commands"][0][0].endswith("-m pytest tests/boot -x")


def test_tests_run_as_the_owner(ran: dict[str, Any], tmp_path: Path) -> None:
    gates.test(["tests/boot"], tmp_path)
    assert ran["commands"][0][1]["TALLOW_DB_ROLE"] == "owner"


def test_the_deployment_check_is_made_as_behind_tls(ran: dict[str, Any], tmp_path: Path) -> None:
    gates.test([], tmp_path)
    (deploy,) = [env for command, env in ran["commands"] if "--deploy" in command]
    assert deploy["TALLOW_HTTPS"] == "1"
    assert deploy["TALLOW_DB_ROLE"] == "web"


def test_only_a_test_runs_own_databases_carry_its_number() -> None:
    assert [gates.run_number(name) for name in ("tallow_12", "test_tallow_12", "test_tallow_12_gw0")] == [
        12
    ] * 3
    assert gates.run_number("test_tallow_123_gw1") == 123
    for kept in ("tallow", "tallow_demo", "test_tallow", "postgres", "template1", "tallow_before"):
        assert gates.run_number(kept) is None
