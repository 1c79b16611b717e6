"""Edits that meet: two devices change the same thing, and the second is shown both versions to choose from.

A version is a digest of what its reader saw, so that every way of writing changes it and nothing has to be
counted. A form carries the version it was filled from (`version`) and each field as it stood then (`was-<name>`).
"""

import hashlib
import json
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django import forms

from club.turns import Turn, take_turn

Texts = Mapping[str, str]


def version_of(values: Mapping[str, Any]) -> str:
    """Return 16 hex digits that stand for these values, whatever their order."""
    text = json.dumps({name: _text(value) for name, value in values.items()}, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _text(value: Any) -> str:
    return "" if value is None else str(value)


def texts_of(values: Mapping[str, Any], names: Iterable[str]) -> dict[str, str]:
    """Return values as a form sends them: line ends and edges as in what comes back."""
    return {name: _text(values.get(name)).replace("\r\n", "\n").strip() for name in names}


def wait_for_other_edits(key: uuid.UUID) -> None:
    """Of two edits of one thing at once, the second waits here, and then reads what the first has saved."""
    take_turn(Turn.EDIT, f"edit {key}")


@dataclass(frozen=True)
class Difference:
    """One field in which the two versions differ. `chosen`: `yours`, `theirs`, or nothing where both changed it."""

    name: str
    label: str
    yours: str
    theirs: str
    yours_words: str
    theirs_words: str
    chosen: str


def differences(form: forms.Form, yours: Texts, theirs: Texts, was: Texts | None) -> list[Difference]:
    """Return the fields that differ, in the form's order. Without `was`, nothing is known of who changed what."""
    found = []
    for name in theirs:
        if yours[name] == theirs[name]:
            continue
        chosen = ""
        if was is not None:
            chosen = "theirs" if yours[name] == was[name] else "yours" if theirs[name] == was[name] else ""
        field = form.fields[name]
        label = str(field.label or name.replace("_", " ").capitalize())
        words = [_words(field, text) for text in (yours[name], theirs[name])]
        found.append(Difference(name, label, yours[name], theirs[name], words[0], words[1], chosen))
    return found


def _words(field: forms.Field, text: str) -> str:
    choices = getattr(field, "choices", ())
    named = {str(value): str(label) for value, label in choices}
    unit = getattr(field, "unit", "")
    words = named.get(text, text)
    return f"{words} {unit}".strip() if words else "not said"


def conflict_context(
    form: forms.Form, data: Mapping[str, str], theirs: Texts, version: str, **more: str
) -> dict[str, Any]:
    """Return what `club/conflict.html` shows: each difference to choose, and all else that goes along with it.

    `data` is what was sent; a field that is not in it keeps what is saved. `more` has `title`, `back` (an address)
    and `back_words`.
    """
    yours = texts_of({**theirs, **{name: data[name] for name in theirs if name in data}}, theirs)
    was = texts_of({name: data[f"was-{name}"] for name in theirs}, theirs) if _has_all(data, theirs) else None
    found = differences(form, yours, theirs, was)
    differing = {one.name for one in found}
    return {
        "differences": found,
        "same": [(name, text) for name, text in theirs.items() if name not in differing],
        "was": list(theirs.items()),
        "version": version,
        **more,
    }


def _has_all(data: Mapping[str, str], names: Iterable[str]) -> bool:
    return all(f"was-{name}" in data for name in names)
