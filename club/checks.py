"""System checks: combinations that must not start."""

from collections.abc import Sequence
from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, Tags, register
from django.db import connection


@register(Tags.database)
def the_web_role_owns_nothing(databases: Sequence[str] | None = None, **kwargs: Any) -> list[CheckMessage]:
    """Refuse a database login that row-level security does not bind."""
    if not databases or settings.DB_ROLE == "owner":
        return []
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT r.rolsuper OR r.rolbypassrls,"
            " (SELECT count(*) FROM pg_class c WHERE c.relowner = r.oid)"
            " FROM pg_roles r WHERE r.rolname = current_user"
        )
        unbound, owned = cursor.fetchone()
    errors: list[CheckMessage] = []
    if unbound:
        errors.append(
            Error(
                "This database role is a superuser or bypasses row-level security.",
                hint="Sign in as tallow_web or tallow_worker.",
                id="club.E001",
            )
        )
    if owned:
        errors.append(
            Error(
                f"This database role owns {owned} tables, and an owner is not bound by their policies.",
                hint="Let tallow_owner own them; web and worker own nothing.",
                id="club.E002",
            )
        )
    return errors
