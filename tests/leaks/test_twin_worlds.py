"""Twin worlds: two clubs that differ only in a secret answer alike whoever may not know it.

Status, headers, cookies, body and order are compared byte for byte; no output is edited. What had to be made
equal, all of it input:

- the database: the second is a clone of the first (CREATE DATABASE … TEMPLATE), and the secret is written then;
- the clock, which stands still from then on;
- sessions and tokens, which were opened before the cloning;
- chance (`os.urandom` and what draws on it), which starts from one seed with every request: the masks of CSRF
  tokens, the padding of compressed pages and new ids come from there;
- the worker: it has run in both worlds (`refit`), and what was published is published anew in both, so that
  every aggregate has had its chance to tell;
- the ids asked for: those of the secret itself are asked for in both worlds, where they do not exist too.
"""

import os
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from typing import Any

import pytest
import time_machine
from django.test import override_settings

from observations import jobs
from observations.models import History
from tests.leaks.reading import ask
from tests.leaks.secrets_of_twins import LOOK, SECRETS, SPOT
from tests.leaks.test_no_response_holds_a_hidden_position import ROWS, patterns
from tests.leaks.worlds import World
from tests.standing import clone, drop, using

Answers = dict[str, tuple[int, bytes, bytes]]
ASKED_LEAST = 150
# Every secret for everybody who may not know it takes a quarter of an hour on two busy cores. Each run of the
# suite compares all secrets at once for a rival and for somebody signed out; TALLOW_TWINS=every does the rest.
EVERY = os.environ.get("TALLOW_TWINS") == "every"
ALWAYS = ("rival", "nobody")
EVERYWHERE = sorted(set(patterns()) & set(ROWS))
# Where every secret is to be read by those who may.
TOLD_AT = ("api/observations/", "api/pictures/", "api/spots/", "spots/<uuid:key>/")
# One worker keeps the answers of the first world.
pytestmark = pytest.mark.xdist_group("twins")


def work(moment: datetime) -> None:
    """Let the worker compute and publish everything there is."""
    History.objects.filter(edition=History.Edition.PUBLISHED).delete()
    assert jobs.refit(moment) is not None
    assert History.objects.filter(edition=History.Edition.PUBLISHED).exists()


def answers(world: World, persona: str, routes: Sequence[str]) -> Answers:
    """Ask for these routes in every way there is, as one persona: {method, path and body: what came back}."""
    ids = {**world.ids, "spots": [*world.ids["spots"], SPOT], "looks": [*world.ids["looks"], LOOK]}
    client = world.client(persona)
    out: Answers = {}
    for route in routes:
        for path, body in ROWS[route](ids):
            got = ask(client, path, body)
            out[f"{path} {body or ''}"] = got.status, got.answer, got.channels["cookies"]
    return out


class Twins:
    """The first world, asked once for each persona, and the making of second ones."""

    def __init__(self, world: World, base: str) -> None:
        self.world, self.base = world, base
        self.moment = world.moment + timedelta(seconds=90)
        self.first = f"{base}_first"
        self.known: dict[str, Answers] = {}
        self.made = ""
        with self._standing_in(self.first, world.name):
            work(self.moment)

    def _standing_in(self, name: str, source: str = "") -> Any:
        if source:
            clone(source, name)
        return _standing(name, self.world, self.moment)

    def without(self, persona: str) -> Answers:
        if persona not in self.known:
            with self._standing_in(self.first):
                self.known[persona] = answers(self.world, persona, EVERYWHERE)
        return self.known[persona]

    def second(self, secret: str) -> str:
        name = f"{self.base}_second"
        if secret == self.made:
            return name
        self.made = secret
        with self._standing_in(name, self.world.name):
            for write in SECRETS[secret].apply:
                write(self.world, self.moment)
            work(self.moment)
        return name

    def within(self, name: str, persona: str, routes: Sequence[str] = EVERYWHERE) -> Answers:
        with self._standing_in(name):
            return answers(self.world, persona, routes)


class _standing:  # noqa: N801 - a context manager
    """The default connection leads to a world, and the clock stands."""

    def __init__(self, name: str, world: World, moment: datetime) -> None:
        self.parts: list[Any] = [
            using(name),
            override_settings(MEDIA_ROOT=world.media),
            time_machine.travel(moment, tick=False),
        ]

    def __enter__(self) -> None:
        for part in self.parts:
            part.__enter__()

    def __exit__(self, *error: Any) -> None:
        for part in reversed(self.parts):
            part.__exit__(*error)


@pytest.fixture
def db(django_db_blocker: Any) -> Iterator[None]:
    """No transaction around these tests: each world is stood in by itself."""
    with django_db_blocker.unblock():
        yield


@pytest.fixture(scope="module")
def twins(world: World, django_db_blocker: Any) -> Iterator[Twins]:
    base = world.name.removesuffix("_world")
    with django_db_blocker.unblock():
        yield Twins(world, base)
        drop(f"{base}_first")
        drop(f"{base}_second")


def differing(one: Answers, other: Answers) -> list[str]:
    assert one.keys() == other.keys()
    return [f"{key}\n  {_first(one[key], other[key])}" for key in one if one[key] != other[key]]


def _first(one: tuple[int, bytes, bytes], other: tuple[int, bytes, bytes]) -> str:
    a, b = repr(one), repr(other)
    at = next((i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), min(len(a), len(b)))
    return f"…{a[max(0, at - 90) : at + 60]}\n  …{b[max(0, at - 90) : at + 60]}"


@pytest.mark.usefixtures("db")
def test_the_same_world_asked_twice_answers_alike(twins: Twins) -> None:
    """Otherwise the rest would fail for no secret's sake. Of every three routes one stands for all."""
    again = twins.within(twins.first, "rival", EVERYWHERE if EVERY else EVERYWHERE[::3])
    known = twins.without("rival")
    assert again and differing({key: known[key] for key in again}, again) == []


@pytest.mark.usefixtures("db")
@pytest.mark.parametrize("name", SECRETS if EVERY else ["everything"])
def test_who_may_not_know_a_secret_cannot_tell_the_worlds_apart(twins: Twins, name: str) -> None:
    secret = SECRETS[name]
    second = twins.second(name)
    told: list[str] = []
    for persona in secret.unknown_to if EVERY else ALWAYS:
        before = twins.without(persona)
        assert len(before) > ASKED_LEAST
        told += [f"{persona}: {line}" for line in differing(before, twins.within(second, persona))]
    assert not told, "\n".join(told)


@pytest.mark.usefixtures("db")
def test_who_may_know_it_can(twins: Twins) -> None:
    """The other half: the same comparison sees the secret where it may be seen."""
    second = twins.second("everything")
    for persona in ("organiser", "member", "captain") if EVERY else ("captain",):
        first, other = (twins.within(name, persona, TOLD_AT) for name in (twins.first, second))
        assert differing(first, other), persona
