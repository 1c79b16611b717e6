"""How long and how large what is said of a look may be: for every way in, with the forms' own words before it."""

import json
import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from observations.models import Call, Finding, Observation, Platform, Presentation
from observations.sonar_filter import SMALL_FILTERED, is_understood

if TYPE_CHECKING:
    from observations.services import LookDraft

LONGEST_NOTE = 4000
MOST_GROUPS, MOST_FINDINGS, MOST_PRESENTATIONS, MOST_SETTINGS = 50, 100, 100, 40
Say = Callable[[str, str], None]


def check_limits(draft: "LookDraft", say: Say) -> None:
    """Tell `say` each field that is beyond a limit, with its value and the rule."""
    if draft.wind_from_deg is not None and not 0 <= draft.wind_from_deg <= 360:
        say(
            "wind_from_deg",
            f"{draft.wind_from_deg} is not a direction: it must lie between 0 and 360 degrees.",
        )
    _text("note", draft.note, LONGEST_NOTE, say)
    _text("sky", draft.sky, 40, say)
    _one_of("platform", draft.platform, Platform.values, say)
    _one_of("clarity", draft.clarity, Observation.Clarity.values, say)
    _settings(draft.settings, say)
    _number_of("echoes", len(draft.groups), MOST_GROUPS, "groups of echoes", say)
    _number_of("finding_species", len(draft.findings), MOST_FINDINGS, "findings", say)
    _number_of("presentation", len(draft.presentations), MOST_PRESENTATIONS, "presentations", say)
    for group in draft.groups:
        _one_of("call_size", group.size, Call.Size.values, say)
    for finding in draft.findings:
        depth = finding.depth_m
        if depth is not None and not (math.isfinite(depth) and 0 <= depth <= 500):
            say("depth_m", f"{depth:g} m is not possible: a depth lies between 0 and 500 m.")
        _one_of("fate", finding.fate, Finding.Fate.values, say)
    for what, minutes, response in draft.presentations:
        if not what.strip():
            say("presentation", "Say what was put in front of the fish.")
        _text("presentation", what, 120, say)
        if minutes is not None and not (math.isfinite(minutes) and 0 <= minutes <= 1440):
            say("presentation", f"{minutes:g} minutes is not possible: it must lie between 0 and 1440.")
        _one_of("response", response, Presentation.Response.values, say)


def _text(name: str, value: str, most: int, say: Say) -> None:
    if len(value) > most:
        say(name, f"{len(value)} letters; at most {most} fit.")
    if "\0" in value:
        say(name, "It holds a NUL, which no text has.")


def _one_of(name: str, value: str, allowed: list[str], say: Say) -> None:
    if value and value not in allowed:
        say(name, f'"{value[:40]}" is not one of {", ".join(allowed)}.')


def _number_of(name: str, number: int, most: int, what: str, say: Say) -> None:
    if number > most:
        say(name, f"{number} {what}; at most {most} belong to one look.")


def _settings(settings: dict[str, Any], say: Say) -> None:
    _number_of("settings", len(settings), MOST_SETTINGS, "settings", say)
    if not is_understood(settings):
        say("settings", f'"{SMALL_FILTERED}" must be yes or no, not "{str(settings[SMALL_FILTERED])[:40]}".')
    for name, value in settings.items():
        _text("settings", name, 60, say)
        if isinstance(value, str):
            _text("settings", value, LONGEST_NOTE if name == "note" else 200, say)
        elif isinstance(value, int | float) and not abs(value) < 1e15:
            say("settings", f'"{name[:40]}" is not a possible number.')
        elif len(json.dumps(value)) > 20_000:
            say("settings", f'"{name[:40]}" is too long.')
