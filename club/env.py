"""Strict readers of the environment: a value that cannot be understood stops the program with its name."""

import os
from pathlib import Path
from typing import Any
from urllib.parse import quote

from django.core.exceptions import ImproperlyConfigured
from psycopg.conninfo import conninfo_to_dict


def text(name: str, default: str | None = None) -> str:
    """Return the variable, or the content of the file that `<name>_FILE` points to."""
    if name in os.environ:
        return os.environ[name]
    if path := os.environ.get(f"{name}_FILE"):
        return Path(path).read_text(encoding="utf-8").strip()
    if default is None:
        raise ImproperlyConfigured(f"Set {name} (or {name}_FILE).")
    return default


def flag(name: str) -> bool:
    """Return whether the variable is "1"; empty, unset and "0" are false, anything else is an error."""
    value = os.environ.get(name, "")
    if value not in {"", "0", "1"}:
        raise ImproperlyConfigured(f'{name} must be 1, 0 or empty, not "{value}".')
    return value == "1"


def choice(name: str, default: str, allowed: set[str]) -> str:
    value = os.environ.get(name) or default
    if value not in allowed:
        raise ImproperlyConfigured(f"{name} must be one of {', '.join(sorted(allowed))}, not {value!r}.")
    return value


def database(url: str, user: str) -> dict[str, Any]:
    """Return Django's database settings from a libpq address, signed in as `user`."""
    try:
        parts = conninfo_to_dict(url)
    except Exception as error:
        raise ImproperlyConfigured(f"DATABASE_URL is not a libpq address: {error}") from error
    return {
        "ENGINE": "django.contrib.gis.db.backends.postgis",
        "NAME": parts.get("dbname", "tallow"),
        "USER": user,
        "PASSWORD": parts.get("password", ""),
        "HOST": parts.get("host", ""),
        "PORT": str(parts.get("port", "")),
    }


def redis_urls(url: str) -> tuple[str, str]:
    """Return the addresses for Celery and for redis-py; they spell a unix socket differently."""
    if url.startswith("unix://"):
        path = url.removeprefix("unix://")
        return f"redis+socket://{quote(path)}?virtual_host=0", url
    return url, url
