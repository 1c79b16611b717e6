"""Which role and database a Django command gets."""

import pytest

from club.boot.commands import database_name, plan


@pytest.mark.parametrize(
    ("command", "role"),
    [
        ("shell", "web"),
        ("importfile", "web"),
        ("export", "web"),
        ("a_command_nobody_has_thought_of", "web"),
        ("migrate", "owner"),
        ("makemigrations", "owner"),
        ("backup", "owner"),
        ("restore", "owner"),
        ("load_demo", "owner"),
        ("refit", "worker"),
    ],
)
def test_each_command_has_its_role(command: str, role: str) -> None:
    assert plan([command, "some", "--argument"], demo=False).role == role


@pytest.mark.parametrize("argv", [[], ["help"], ["collectstatic"], ["check"], ["migrate", "--help"]])
def test_a_command_that_reads_no_database_starts_none(argv: list[str]) -> None:
    assert not plan(argv, demo=False).database


def test_a_check_of_the_database_starts_it() -> None:
    assert plan(["check", "--database", "default"], demo=False).database


def test_the_demo_is_never_loaded_into_the_clubs_database() -> None:
    assert plan(["load_demo"], demo=False).demo
    assert database_name(demo=True) != database_name(demo=False)
