"""What the map costs: a whole request, and precision with its policies, beside the bare query."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import connection
from django.test import Client

from club.models import Level, Member
from club.viewer import Viewer, viewer_of, viewing
from observations import reading
from observations.bench.federation import Federation
from observations.bench.timing import Figure, interleaved
from spots import precision

IN_VIEW = 500


@dataclass(frozen=True)
class Asked:
    """The map's own statement, as one request of it sent it, with its values and its answer."""

    sql: str
    values: dict[str, Any]
    text: str


def figures(federation: Federation, runs: int, in_view: int = IN_VIEW) -> list[Figure]:
    """Return the map's figures: a member signed in, and somebody signed out."""
    member = federation.members[1]
    return [
        *_of(federation, member, "signed in", 2.5, runs, in_view),
        *_of(federation, None, "signed out", 2.0, runs, in_view),
    ]


def _of(
    federation: Federation, member: Member | None, who: str, most: float, runs: int, in_view: int
) -> list[Figure]:
    viewer = viewer_of(member)
    client = Client()
    if member:
        client.force_login(member)
    path = _view_of(client, federation, in_view)
    asked = _asked(client, path)
    spots = asked.text.count('"type" : "Feature"')

    def request() -> object:
        response = client.get(path)
        assert response.status_code == 200, response.content  # noqa: S101
        return response

    with _told(viewer, federation.moment), _decided(asked) as (bare, floor):
        guarded = _run_as_web(asked, viewer, federation.moment)
        same = Query(
            "the same SQL run bare, without row-level security", lambda: _fetch(asked.sql, asked.values)
        )
        works = [request, same.once, guarded.once, bare.once, floor.once]
        for other in (same, guarded, bare, floor):
            if other.once() != asked.text:
                raise AssertionError(f"{other.name} does not return the map's own text, {who}.")
        whole, unguarded, with_all, undecided, least = interleaved(works, runs)
    note = f"{spots} spots in view, {len(asked.text) / 1024:.0f} KiB of GeoJSON, {federation.size.all_spots} spots."
    return [
        Figure(f"map request, {who}, whole", same.name, whole, unguarded, most, runs, note),
        Figure(
            f"map query with precision and policies, {who}",
            bare.name,
            with_all,
            undecided,
            2.0,
            runs,
            f"{note} {floor.name.capitalize()}: {least:.1f} ms.",
        ),
    ]


def _view_of(client: Client, federation: Federation, in_view: int) -> str:
    """Return the address of a box over part of one water that has about `in_view` spots for this reader."""
    outline = federation.waters[0].outline
    assert outline is not None  # noqa: S101 - seeded with one
    west, south, east, north = outline.extent
    low, high = 0.0, 1.05
    for _ in range(9):
        part = (low + high) / 2
        box = f"{west - 0.05},{south - 0.05},{west + (east - west) * part},{north + 0.05}"
        found = len(client.get(f"/api/spots/?bbox={box}&limit=1000").json()["features"])
        low, high = (part, high) if found < in_view else (low, part)
    return f"/api/spots/?bbox={box}&limit=1000"


def _asked(client: Client, path: str) -> Asked:
    """Return the statement that a request for the map sends, taken from the request itself."""
    seen: list[tuple[str, dict[str, Any]]] = []

    def watch(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        if "'FeatureCollection'" not in sql and "json_agg(json_build_object" in sql:
            seen.append((sql, params))
        return execute(sql, params, many, context)

    client.get(path)  # what is new is opened and logged here; later requests only read
    with connection.execute_wrapper(watch):
        client.get(path)
    if len(seen) != 1:
        raise AssertionError(f"The map sent {len(seen)} statements where one was expected.")
    sql, values = seen[0]
    return Asked(sql, values, _text_of(client, path))


def _text_of(client: Client, path: str) -> str:
    body = client.get(path).content.decode()
    head = '{"type":"FeatureCollection","features":'
    if not body.startswith(head):
        raise AssertionError("The map's answer does not begin with its features.")
    return body[len(head) : body.rindex(',"next":')]


@dataclass(frozen=True)
class Query:
    name: str
    once: Callable[[], str]


def _fetch(sql: str, values: dict[str, Any]) -> str:
    with connection.cursor() as cursor:
        cursor.execute(sql, values)
        return str(cursor.fetchone()[-1])


def _run_as_web(asked: Asked, viewer: Viewer, moment: datetime) -> Query:
    def once() -> str:
        with viewing(viewer, moment):
            return _fetch(asked.sql, asked.values)

    return Query("the map's own statement under row-level security", once)


@contextmanager
def _told(viewer: Viewer, moment: datetime) -> Iterator[None]:
    """The session told who is looking, as `viewing` tells a transaction, but as the owner whom no policy binds."""
    told = [str(viewer.member_id or ""), " ".join(viewer.audiences), moment.isoformat()]
    write = "SELECT " + ", ".join(
        f"set_config('tallow.{name}', %s, false)" for name in ("member", "audiences", "moment")
    )
    with connection.cursor() as cursor:
        cursor.execute(write, told)
    try:
        yield
    finally:
        with connection.cursor() as cursor:
            cursor.execute(write, ["", "", ""])


@contextmanager
def _decided(asked: Asked) -> Iterator[tuple[Query, Query]]:
    """Give the bare map query, and its floor.

    Bare: the same joins, that of each spot with its zone too, and the same answer, with who sees what decided
    before, in a table, and without policies. The floor: the answer from a table that has already everything
    which is shown.
    """
    told = precision._with_shown()
    tables = {"bench_sight": "sight", "bench_shown": "shown"}
    with connection.cursor() as cursor:
        for table, decided in tables.items():
            cursor.execute(f"CREATE TEMP TABLE {table} AS {told} SELECT * FROM {decided}", asked.values)
        for found_by_joining in ("zone_id", "band_from_m", "band_to_m"):
            cursor.execute(f"ALTER TABLE bench_sight DROP COLUMN {found_by_joining}")
        cursor.execute("CREATE INDEX ON bench_sight (spot_id)")
        cursor.execute("CREATE INDEX ON bench_shown USING gist (shown_geometry)")
        cursor.execute("ANALYZE bench_sight")
        cursor.execute("ANALYZE bench_shown")
    answer = f"{reading._CHART} SELECT {reading._FEATURES}"
    joins = told[told.index("shown AS (") :]
    bare = f"""WITH sight AS (
        SELECT b.*, sz.zone_id, sz.band_from_m, sz.band_to_m FROM bench_sight b LEFT JOIN spots_spotzone sz
        ON sz.spot_id = CASE WHEN b.level = {Level.AREA} THEN b.spot_id END AND sz.minimum_ha = b.minimum_ha
    ), {joins}, {answer}"""
    floor = f"WITH shown AS (SELECT * FROM bench_shown), {answer}"
    try:
        yield (
            Query(
                "the same map query with who sees what decided before, without row-level security",
                lambda: _fetch(bare, asked.values),
            ),
            Query("the answer from one table of all that is shown", lambda: _fetch(floor, asked.values)),
        )
    finally:
        with connection.cursor() as cursor:
            cursor.execute(f"DROP TABLE {', '.join(tables)}")
