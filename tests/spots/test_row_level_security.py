"""The first line of defence on its own: what the database gives to a query that asks for everything."""

from datetime import timedelta
from typing import Any

import pytest
from django.db import ProgrammingError, connection, transaction
from django.utils import timezone

from club.rls import all_tables, apply
from club.viewer import PUBLIC, viewing
from observations.models import Finding, History, Observation
from spots.models import Grant, Position, Sheet, Spot, SpotZone
from tests.conftest import Cast, Places, found, look, see


def as_web(sql: str) -> int:
    """Run a count as the web role with nothing set, as a query would that forgot to say who is looking."""
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SET LOCAL ROLE tallow_web")
        cursor.execute(sql)
        (number,) = cursor.fetchone()
        cursor.execute("RESET ROLE")
    return int(number)


@pytest.mark.parametrize(
    "table",
    [
        "spots_position",
        "spots_sheet",
        "spots_spot",
        "spots_grant",
        "spots_spotzone",
        "observations_observation",
    ],
)
def test_with_no_viewer_set_the_web_role_reads_no_row(places: Places, cast: Cast, table: str) -> None:
    look(cast, "member", places.private, "camera", timezone.now(), minutes=5)
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT count(*) FROM {table}")
        assert cursor.fetchone()[0] > 0, "the owner sees rows, so zero means something"
    assert as_web(f"SELECT count(*) FROM {table}") == 0


EXACT = {
    "organiser": {"club", "shared"},
    "checker": {"shared"},
    "member": {"shared", "private"},
    "teammate": {"shared", "team"},
    "captain": {"shared", "team"},
    "rival": {"shared"},
    "newcomer": {"shared"},
    "guest": set(),
    "nobody": set(),
}


@pytest.mark.parametrize("persona", EXACT)
def test_each_persona_reads_just_the_positions_that_are_theirs(
    places: Places, cast: Cast, persona: str
) -> None:
    expected = {getattr(places, name).pk for name in EXACT[persona]}
    with see(cast, persona):
        assert set(Position.objects.values_list("pk", flat=True)) == expected
        assert set(Sheet.objects.values_list("pk", flat=True)) == expected


def test_what_one_may_not_see_cannot_be_changed_or_counted(places: Places, cast: Cast) -> None:
    with see(cast, "rival"):
        assert Spot.objects.filter(pk=places.private.pk).count() == 0
        assert Position.objects.filter(pk=places.private.pk).update(typed="x") == 0
        assert Grant.objects.filter(spot=places.private).count() == 0
        assert Grant.objects.filter(spot=places.shared).update(level=3) == 0


def test_nobody_grants_themselves_sight_of_anothers_spot(places: Places, cast: Cast) -> None:
    mine = f"member:{cast.rival.pk}"
    with pytest.raises(ProgrammingError, match="row-level security"), see(cast, "rival"):
        Grant.objects.create(spot=places.private, audience=mine, level=3, owner=mine)


def test_a_member_sees_only_the_zone_of_the_members_minimum(places: Places, cast: Cast) -> None:
    with see(cast, "newcomer"):
        minima = set(SpotZone.objects.filter(spot=places.club).values_list("minimum_ha", flat=True))
        assert minima and min(minima) == 50
    with viewing(PUBLIC, timezone.now()):
        minima = set(SpotZone.objects.filter(spot=places.club).values_list("minimum_ha", flat=True))
        assert minima and min(minima) == 250


def test_embargo_and_end_are_read_at_the_moment(places: Places, cast: Cast) -> None:
    moment = timezone.now()
    mine = f"member:{cast.rival.pk}"
    grant = Grant(spot=places.private, audience=mine, level=3, owner=places.private.owner)
    for start, end, seen in ((1, None, False), (-1, None, True), (-2, -1, False), (-1, 1, True)):
        Grant.objects.filter(audience=mine, spot=places.private).delete()
        grant.starts_at = moment + timedelta(days=start)
        grant.ends_at = None if end is None else moment + timedelta(days=end)
        grant.save(force_insert=True)
        with see(cast, "rival", moment):
            assert Position.objects.filter(pk=places.private.pk).exists() is seen, (start, end)


def test_a_private_look_is_its_owners_alone_and_a_teams_its_teams(places: Places, cast: Cast) -> None:
    now = timezone.now()
    own = look(cast, "member", places.private, "camera", now, minutes=5, findings=found("bluegill"))
    team = look(cast, "captain", places.shared, "camera", now, minutes=5, scope=f"team:{cast.alder.pk}")
    for persona, expected in {"member": {own.pk}, "teammate": {team.pk}, "rival": set(), "organiser": set(),
                              "checker": set(), "guest": set(), "nobody": set()}.items():  # fmt: skip
        with see(cast, persona):
            assert set(Observation.objects.values_list("pk", flat=True)) == expected, persona
    with see(cast, "checker"):
        assert not Finding.objects.exists(), "a private proof is not in the club's queue"


def test_a_sealed_call_cannot_be_changed_by_anyone(places: Places, cast: Cast) -> None:
    from django.db.utils import IntegrityError

    from observations.models import Call
    from tests.conftest import sonar

    look(cast, "member", places.shared, "2d", timezone.now(), groups=sonar("bluegill", 0.6))
    with pytest.raises(IntegrityError, match="sealed"), transaction.atomic():
        Call.objects.update(probability=0.9)
    with pytest.raises(ProgrammingError, match="permission denied"), see(cast, "member"):
        Call.objects.update(probability=0.9)
    with see(cast, "member"):
        assert Call.objects.update(withdrawn_at=timezone.now()) == 1


def test_the_web_role_owns_nothing_and_is_bound(db: None) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT rolname, rolsuper, rolbypassrls,"
            " (SELECT count(*) FROM pg_class WHERE relowner = r.oid) FROM pg_roles r"
            " WHERE rolname IN ('tallow_web', 'tallow_worker') ORDER BY 1"
        )
        assert cursor.fetchall() == [("tallow_web", False, False, 0), ("tallow_worker", False, False, 0)]


def test_every_table_is_declared_and_every_private_one_has_a_policy(db: None) -> None:
    """A new table without a row in some policies.py fails here."""
    declared = {table.name: table for table in all_tables()}
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT c.relname, c.relrowsecurity, (SELECT count(*) FROM pg_policy p WHERE p.polrelid = c.oid)"
            " FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace"
            " WHERE n.nspname = 'public' AND c.relkind = 'r'"
        )
        found_tables = {name: (secured, policies) for name, secured, policies in cursor.fetchall()}
    ours = {name for name in found_tables if name.split("_")[0] in {"club", "spots", "observations"}}
    assert ours <= set(declared)
    for name, table in declared.items():
        if table.private:
            secured, policies = found_tables[name]
            closed = not any((table.select, table.insert, table.update, table.delete, table.worker))
            assert secured and (policies or closed), name
    for name in found_tables:
        if name not in declared and name != "spatial_ref_sys":
            with transaction.atomic(), connection.cursor() as cursor:
                cursor.execute("SELECT has_table_privilege('tallow_web', %s, 'SELECT')", [name])
                assert cursor.fetchone()[0] is False, f"{name} is open to the web role but declared nowhere"


def test_histories_are_read_only_for_the_web_role(places: Places, cast: Cast) -> None:
    with pytest.raises(ProgrammingError, match="permission denied"), see(cast, "organiser"):
        History.objects.all().delete()


@pytest.mark.django_db
def test_while_rules_are_laid_anew_no_trigger_is_missing_to_a_site_that_runs() -> None:
    said: list[str] = []

    def hear(execute: Any, sql: str, *rest: Any) -> Any:
        said.append(" ".join(sql.split()))
        return execute(sql, *rest)

    with connection.execute_wrapper(hear):
        apply()
    taken = [number for number, sql in enumerate(said) if sql.startswith("DROP TRIGGER")]
    assert len(taken) > 20
    for number in taken:
        name = said[number].split()[4]
        laid = next(
            (at for at in range(number, len(said)) if said[at].startswith(f"CREATE TRIGGER {name} ")), None
        )
        within = [sql for sql in said[: laid or number] if sql.startswith(("SAVEPOINT", "RELEASE"))]
        before = [sql for sql in said[:number] if sql.startswith(("SAVEPOINT", "RELEASE"))]
        assert before[-1].startswith("SAVEPOINT") and within == before, said[number]
