"""The server does not start as a role that row-level security does not bind."""

import importlib
import sys
from typing import Any

import pytest
from django.core.checks import Error
from django.core.exceptions import ImproperlyConfigured
from django.db import connection

from club.checks import the_web_role_owns_nothing


def load() -> None:
    sys.modules.pop("club.wsgi", None)
    importlib.import_module("club.wsgi")


def test_as_owner_it_refuses(db: None, settings: Any) -> None:
    settings.DB_ROLE = "owner"
    with pytest.raises(ImproperlyConfigured, match="not as owner"):
        load()


def test_a_login_that_owns_tables_is_refused_whatever_it_is_called(db: None, settings: Any) -> None:
    """The tests' own login owns the tables: said to be the web role, it is found out."""
    settings.DB_ROLE = "web"
    errors = the_web_role_owns_nothing(databases=["default"])
    assert [error.id for error in errors if isinstance(error, Error)] == ["club.E002"]
    with pytest.raises(ImproperlyConfigured, match="owns"):
        load()


def test_the_web_role_passes(db: None, settings: Any) -> None:
    settings.DB_ROLE = "web"
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL ROLE tallow_web")
    assert the_web_role_owns_nothing(databases=["default"]) == []
    with connection.cursor() as cursor:
        cursor.execute("RESET ROLE")
