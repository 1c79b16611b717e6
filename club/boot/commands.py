"""Which commands there are, what each needs, and as whom it runs. No Django here."""

from dataclasses import dataclass

OWN = ("demo", "start", "test", "services")

# The owner migrates, loads and backs up; the worker computes; everything else sees what the web sees.
_SCHEMA = {
    "migrate",
    "makemigrations",
    "showmigrations",
    "sqlmigrate",
    "optimizemigration",
    "squashmigrations",
}
_OWNER = _SCHEMA | {
    "backup",
    "restore",
    "load_demo",
    "loaddata",
    "dumpdata",
    "bench",
    "setup_key",
    "resetlink",
    "changepassword",
}
_WORKER = {"refit"}
_TEXT = {"startapp", "compilemessages", "makemessages"}
_NO_DATABASE = _TEXT | {
    "help",
    "version",
    "check",
    "diffsettings",
    "findstatic",
    "collectstatic",
    "spectacular",
    "screenshots",
}


@dataclass(frozen=True)
class Plan:
    """How a Django command runs."""

    role: str
    database: bool
    demo: bool


def plan(argv: list[str], *, demo: bool) -> Plan:
    """Return the plan for Django's command line `argv`; `demo` when the demo club was asked for."""
    command = argv[0] if argv else "help"
    if command == "load_demo":
        demo = True
    role = "owner" if command in _OWNER else "worker" if command in _WORKER else "web"
    asks = any(arg in ("-h", "--help", "--version") for arg in argv)
    database = command not in _NO_DATABASE or any(arg.startswith("--database") for arg in argv)
    return Plan(role, database and not asks, demo)


def database_name(*, demo: bool) -> str:
    """A real club and the demo never meet: each has a database of its own."""
    return "tallow_demo" if demo else "tallow"
