"""Putting right the conditions and the note of a look of one's own. What was seen and called stays sealed."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError

from club.versions import version_of
from observations.editing_policies import EDITABLE
from observations.models import Observation
from observations.services import LookDraft, check_conditions
from spots.events import frozen_until

__all__ = ("EDITABLE", "change_look", "look_version", "why_not_changed")

# By which names the log page keeps what was typed of a number.
_TYPED = {
    "secchi_m": "secchi",
    "water_temp_c": "water_temp",
    "water_temp_depth_m": "water_temp_depth",
    "pool_level_m": "pool_level",
}


def look_version(look: Observation) -> str:
    """Return the version of what can be changed of a look."""
    return version_of({name: getattr(look, name) for name in EDITABLE})


def why_not_changed(look: Observation, moment: datetime) -> str:
    """Return why a look stays as it is, or nothing. The database says the same (editing_policies.py)."""
    if look.withdrawn_at:
        return "This look has been taken back; it stays as it is."
    if not look.scope.startswith("member:") and frozen_until(look.spot.water_id, moment):
        return "An event’s cut-off is on: looks that others may see stay as they are until it ends."
    return ""


def change_look(
    look: Observation, changes: Mapping[str, Any], moment: datetime, typed: Mapping[str, Any] | None = None
) -> None:
    """Save changed conditions, platform or note, by their model names, in SI.

    `typed` has, for a changed number, [text, unit] as it was typed. Raises ValidationError naming the field.
    The caller has compared versions, under `wait_for_other_edits`.
    """
    if reason := why_not_changed(look, moment):
        raise ValidationError(reason)
    values = {name: changes.get(name, getattr(look, name)) for name in EDITABLE}
    check_conditions(
        LookDraft(
            spot=look.spot, observer=look.observer, method=look.method, started_at=look.started_at, **values
        )
    )
    for name, value in changes.items():
        setattr(look, name, value)
    kept = dict(look.settings.get("typed", {}))
    for name in changes:
        if name in _TYPED:
            kept.pop(_TYPED[name], None)
            if typed and _TYPED[name] in typed:
                kept[_TYPED[name]] = typed[_TYPED[name]]
    look.settings = {**{key: value for key, value in look.settings.items() if key != "typed"}}
    if kept:
        look.settings["typed"] = kept
    look.save(update_fields=[*changes, "settings"])
