"""A lint: whoever reads a place past `spots/precision.py` fails here.

Row-level security would still refuse what is not the viewer's; this is for the rules that only precision.py
applies: what is shown instead of a place, the daily cap, the log of disclosures, a cut-off.
"""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
APPS = ("club", "spots", "observations")

# Who may touch the rows of a place, and why.
READERS = {
    "spots/models.py": "declares them",
    "spots/precision.py": "the door",
    "spots/services.py": "writes them",
    "spots/zones.py": "publishes a new spot in its zones",
    "spots/views.py": "gives an owner their own form back",
    "spots/sharing.py": "names to an owner, at the desk, what they share",
    "observations/log_queries.py": "names for the log page, of spots seen exactly, under row-level security",
    "observations/leaving.py": "hands a leaver what is their own",
    "observations/bench/federation.py": "seeds an invented federation, and serves nothing",
}
# Who may write SQL about those tables.
IN_SQL = {
    "spots/precision.py": "the door",
    "spots/policies.py": "guards them",
    "spots/rules.py": "guards them",
    "spots/removal_policies.py": "empties those that an owner takes back",
    "spots/moving.py": "asks whether a point lies outside the zone of the writer's own spot",
    "observations/evidence.py": "the worker's: cover decides which looks are pooled",
    "observations/bench/maps.py": "measures the bare query in a database of its own, and serves nothing",
}
# Who may turn a geometry into text. Charts draw waters, which are public; the rest draws what `release` gave.
DRAWERS = {
    "spots/precision.py": "the door",
    "spots/minimap.py": "the water around a released geometry",
    "spots/charting.py": "waters, contours and features, all public",
    "observations/reading.py": "the shown geometry of `release`",
}
PRIVATE = {"Position", "Sheet", "SpotZone", "Past"}
# What of them is no row: the words of their lists, and their types in an annotation.
WORDS = {"Source", "Provenance", "Kind", "DoesNotExist"}
TABLES = re.compile(r"\bspots_(position|sheet|spotzone|past)\b")
DRAWING = re.compile(r"\b(ST_As\w+|ST_X|ST_Y|ST_Dump\w*)\b")
LOOKUP = re.compile(r"(^|__)(position|sheet)(__|$)")


def _annotations(tree: ast.AST) -> set[int]:
    """Return the ids of nodes that stand in annotations."""
    out: set[int] = set()
    for node in ast.walk(tree):
        parts = [getattr(node, "annotation", None), getattr(node, "returns", None)]
        out |= {id(inner) for part in parts if part is not None for inner in ast.walk(part)}
    return out


def violations(source: str, module: str) -> Iterator[str]:
    """Yield what a module does that it may not."""
    tree = ast.parse(source)
    names = {
        alias.asname or alias.name: alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module == "spots.models"
        for alias in node.names
    }
    words = {
        id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Attribute) and node.attr in WORDS
    }
    harmless = words | _annotations(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and names.get(node.id) in PRIVATE and id(node) not in harmless:
            if module not in READERS:
                yield f"line {node.lineno} uses the rows of {names[node.id]}"
        elif isinstance(node, ast.Attribute) and node.attr in PRIVATE - {"Past"} and module not in READERS:
            yield f"line {node.lineno} reaches {node.attr} through its module"
        elif isinstance(node, ast.Call) and module not in READERS:
            yield from _lookups(node)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            if (found := TABLES.search(node.value)) and module not in IN_SQL:
                yield f"line {node.lineno} names {found.group(0)}"
            if (found := DRAWING.search(node.value)) and module not in DRAWERS:
                yield f"line {node.lineno} draws with {found.group(0)}"
        if isinstance(node, ast.ClassDef) and node.name == "Meta":
            for line in node.body:
                of = line.value if isinstance(line, ast.Assign) else None
                if isinstance(of, ast.Name) and names.get(of.id) in PRIVATE | {"Spot"}:
                    yield f"line {line.lineno} makes a form or a serializer of all of {of.id}"


def _lookups(call: ast.Call) -> Iterator[str]:
    """Yield the parts of a queryset's call that reach from another table into a place."""
    name = call.func.attr if isinstance(call.func, ast.Attribute) else ""
    if name in {"filter", "exclude", "get", "annotate", "aggregate", "alias"}:
        for keyword in call.keywords:
            if keyword.arg and re.search(r"(^|__)(position|sheet)__", keyword.arg):
                yield f"line {call.lineno} asks for {keyword.arg}"
    if name in {"select_related", "prefetch_related", "values", "values_list", "only", "order_by", "F"}:
        for argument in call.args:
            if isinstance(argument, ast.Constant) and LOOKUP.search(str(argument.value)):
                yield f"line {call.lineno} reads {argument.value}"


def modules() -> list[str]:
    return sorted(
        str(path.relative_to(ROOT))
        for app in APPS
        for path in (ROOT / app).rglob("*.py")
        if "migrations" not in path.parts and "demo" not in path.parts
    )


@pytest.mark.parametrize("module", modules())
def test_a_module_reads_no_place_past_the_door(module: str) -> None:
    assert list(violations((ROOT / module).read_text(), module)) == []


def test_every_exception_is_still_needed() -> None:
    """Or it would stand open for whoever comes next."""
    for table in (READERS, IN_SQL, DRAWERS):
        for module in table:
            assert (ROOT / module).exists(), module
    for module in READERS:
        text = (ROOT / module).read_text()
        assert any(re.search(rf"\b{name}\b", text) for name in (*PRIVATE, "sheet", "position")), module
    for module in DRAWERS:
        assert DRAWING.search((ROOT / module).read_text()), module
    for module in IN_SQL:
        assert TABLES.search((ROOT / module).read_text()) or module == "spots/rules.py", module


@pytest.mark.parametrize(
    "planted",
    [
        "from spots.models import Position\ndef f(): return Position.objects.all()",
        "from spots.models import Position as P\ndef f(key): return P.objects.get(pk=key).point",
        "from spots.models import SpotZone\nrows = list(SpotZone.objects.values())",
        "from spots import models\nrows = models.Sheet.objects.all()",
        "from observations.models import Observation\nrows = Observation.objects.values('spot__position__point')",
        "from observations.models import Observation\nrows = Observation.objects.select_related('spot__sheet')",
        "from spots.models import Spot\nrows = Spot.objects.filter(position__point__within=box)",
        "from spots.models import Spot\nrows = Spot.objects.order_by('sheet__name')",
        "def f(cursor): cursor.execute('SELECT point FROM spots_position')",
        "def f(cursor): cursor.execute('SELECT ST_AsText(p.point) FROM x p')",
        "def f(cursor, t): cursor.execute(f'SELECT ST_X(g) FROM {t}')",
        "from spots.models import Spot\nclass S:\n    class Meta:\n        model = Spot",
        "from spots.models import Sheet\nclass F:\n    class Meta:\n        model = Sheet",
    ],
)
def test_a_way_round_that_is_planted_is_found(planted: str) -> None:
    assert list(violations(planted, "observations/planted.py"))


def test_the_words_of_a_list_are_no_row() -> None:
    harmless = (
        "from spots.models import Position, Sheet\n"
        "def f(of: Position | None) -> Sheet: return Position.Source.TYPED, Sheet.Provenance.FOUND"
    )
    assert list(violations(harmless, "observations/planted.py")) == []


def test_templates_are_given_no_place_to_read() -> None:
    """A related row read in a template would be a query of its own."""
    reads = re.compile(r"\b(spot|look|row|item|feature)\.(spot\.)?(position|sheet)\.")
    for template in sorted((ROOT / "templates").rglob("*.html")):
        assert not reads.search(template.read_text()), template
