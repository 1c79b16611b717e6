"""The one setting of a sonar that the fit reads: whether small returns were filtered out."""

from collections.abc import Mapping
from typing import Any

SMALL_FILTERED = "small_filtered"
"""Its name in a look's settings: `true` by the log page and the API, `yes` in a file."""
YES, NO = ("true", "yes"), ("false", "no", "")
# Of observations_observation o.
SMALL_ARE_FILTERED = f"COALESCE(lower(o.settings ->> '{SMALL_FILTERED}') IN {YES}, false)"


def filters_small(settings: Mapping[str, Any]) -> bool:
    return _said(settings) in YES


def is_understood(settings: Mapping[str, Any]) -> bool:
    """Say whether the setting is yes or no, or not there."""
    return _said(settings) in YES + NO


def _said(settings: Mapping[str, Any]) -> str:
    return str(settings.get(SMALL_FILTERED, "")).lower()
