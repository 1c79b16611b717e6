"""Row-level security: the mechanism. The rules themselves stand in each app's `policies.py`.

After every migration the grants and policies are laid anew from those modules, so that what the database
enforces and what the code says cannot drift apart. Rules are inline EXISTS, never a function per row: a
function cost 28 times as much when every row was read.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Any

from django.db import connections, transaction

# Scalar sub-selects, so that the planner evaluates them once and not for every row.
AUDIENCES = "(SELECT string_to_array(current_setting('tallow.audiences', true), ' '))::text[]"
MEMBER = "(SELECT nullif(current_setting('tallow.member', true), '')::uuid)"
MOMENT = "(SELECT nullif(current_setting('tallow.moment', true), '')::timestamptz)"

# What is frozen for the viewer (club.viewer.Freeze): cut-offs by water, their own side, audiences kept. Only
# the question whether anything is stands in a sub-select: the others are rarely asked, and each sub-select
# makes every plan longer.
FROZEN = "(SELECT nullif(current_setting('tallow.frozen', true), '')::jsonb)"
SIDE = "string_to_array(current_setting('tallow.side', true), ' ')"
KEPT = "string_to_array(current_setting('tallow.kept', true), ' ')"


def cut_off(water: str) -> str:
    """Return the SQL expression of the cut-off of a water that is frozen for the viewer, or null."""
    return f"(nullif(current_setting('tallow.frozen', true), '')::jsonb ->> ({water})::text)::timestamptz"


def thawed_or(water: str, frozen: str, thawed: str = "true") -> str:
    """Return the condition `frozen` where the water of this SQL expression is frozen, else `thawed`.

    In `frozen`, `{at}` stands for the cut-off. CASE keeps the order: while nothing is frozen, which is
    nearly always, only the first branch costs.
    """
    at = cut_off(water)
    return f"(CASE WHEN {FROZEN} IS NULL OR {at} IS NULL THEN {thawed} ELSE {frozen.replace('{at}', at)} END)"


@dataclass(frozen=True)
class Table:
    """The rights of the web and worker roles on one table.

    `select`, `insert`, `update`, `delete` are SQL conditions for the web role, or None when it has no such
    right. A table with `private=False` has no policies: its rows are for everybody who may use the site.
    """

    name: str
    select: str | None = "true"
    insert: str | None = None
    update: str | None = None
    delete: str | None = None
    private: bool = True
    worker: Sequence[str] = ("SELECT",)
    # Columns the web role may change; None means all. Sealed things name the few that may move.
    update_columns: tuple[str, ...] | None = None


_WEB = (("SELECT", "select", "USING"), ("INSERT", "insert", "WITH CHECK"), ("UPDATE", "update", "USING"),
        ("DELETE", "delete", "USING"))  # fmt: skip


def statements(table: Table) -> list[str]:
    """Return the SQL that lays one table's grants and policies, whatever stood there before."""
    out = [f"REVOKE ALL ON {table.name} FROM tallow_web, tallow_worker"]
    out.append(f"ALTER TABLE {table.name} {'ENABLE' if table.private else 'DISABLE'} ROW LEVEL SECURITY")
    for verb, field, clause in _WEB:
        condition = getattr(table, field)
        out.append(f"DROP POLICY IF EXISTS web_{field} ON {table.name}")
        if condition is None:
            continue
        columns = ""
        if verb == "UPDATE" and table.update_columns:
            columns = f" ({', '.join(table.update_columns)})"
        out.append(f"GRANT {verb}{columns} ON {table.name} TO tallow_web")
        if table.private:
            out.append(
                f"CREATE POLICY web_{field} ON {table.name} FOR {verb} TO tallow_web {clause} ({condition})"
            )
    out.append(f"DROP POLICY IF EXISTS worker ON {table.name}")
    if table.worker:
        out.append(f"GRANT {', '.join(table.worker)} ON {table.name} TO tallow_worker")
        if table.private:
            out.append(
                f"CREATE POLICY worker ON {table.name} TO tallow_worker USING (true) WITH CHECK (true)"
            )
    return out


def all_tables() -> list[Table]:
    """Return the rules of every app, in order."""
    tables: list[Table] = []
    for app in ("club", "spots", "observations"):
        tables += import_module(f"{app}.policies").TABLES
    return tables


def apply(using: str = "default") -> None:
    """Lay all grants, policies and triggers. Run as the owner."""
    with connections[using].cursor() as cursor:
        cursor.execute("REVOKE CREATE ON SCHEMA public FROM PUBLIC")
        cursor.execute("GRANT USAGE ON SCHEMA public TO tallow_web, tallow_worker")
        cursor.execute("GRANT USAGE ON ALL SEQUENCES IN SCHEMA public TO tallow_web, tallow_worker")
        for statement in _laid("FUNCTIONS"):  # policies may call them
            cursor.execute(statement)
        for table in all_tables():
            cursor.execute("SELECT to_regclass(%s) IS NOT NULL", [table.name])
            if cursor.fetchone()[0]:  # a migration of one app alone comes before the others' tables
                # At once for each table: a site that runs meanwhile never meets one without its rights.
                # Its lock comes first: a statistics run that waits for the row of rights would hold what is wanted.
                with transaction.atomic(using=using):
                    cursor.execute(f"LOCK TABLE {table.name} IN ACCESS EXCLUSIVE MODE")
                    for statement in statements(table):
                        cursor.execute(statement)
        at_once: list[str] = []
        for statement in [*_laid("TRIGGERS"), ""]:
            at_once.append(statement)
            if statement.startswith("DROP TRIGGER"):
                continue  # with what takes its place: what it guards is always guarded
            with transaction.atomic(using=using):
                for one in filter(None, at_once):
                    cursor.execute(one)
            at_once.clear()


def _laid(name: str) -> list[str]:
    """Return the statements of this name in every app's policies, in order."""
    apps = ("club", "spots", "observations")
    return [line for app in apps for line in getattr(import_module(f"{app}.policies"), name, [])]


def apply_after_migrate(*, plan: Any = None, using: str, **kwargs: object) -> None:
    """Lay them after `migrate`, which says its plan. Emptying the tables (`flush`) says none, and undoes nothing."""
    if plan is not None and connections[using].vendor == "postgresql":
        apply(using)
