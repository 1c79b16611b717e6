"""What the organiser sets for the three audiences of everybody: presets to start from, and saving a policy."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from club.models import LADDER_HA, AudiencePolicy, Level
from spots.granting import EVERYBODY


@dataclass(frozen=True)
class Preset:
    """A policy to start from: for each audience the default, the ceiling and the search hours at least."""

    key: str
    words: str
    about: str
    default: Mapping[str, int]
    ceiling: Mapping[str, int]
    hours: Mapping[str, float]


PRESETS = (
    Preset(
        "closed",
        "Outsiders get no zones",
        "Guests and the public see which water a spot is on, and no more, whatever an owner says. Members see"
        " zones that take four hours to search.",
        {"public": Level.WATER, "guest": Level.WATER, "members": Level.AREA},
        {"public": Level.WATER, "guest": Level.WATER, "members": Level.EXACT},
        {"public": 8, "guest": 8, "members": 4},
    ),
    Preset(
        "suggested",
        "Everybody gets zones",
        "Suggested. A working day of searching for guests and the public, two hours for members; an owner may"
        " show members more.",
        {"public": Level.AREA, "guest": Level.AREA, "members": Level.AREA},
        {"public": Level.AREA, "guest": Level.AREA, "members": Level.EXACT},
        {"public": 8, "guest": 8, "members": 2},
    ),
    Preset(
        "open",
        "Members get the club’s places",
        "What the club owns its members see exactly; guests see zones that take four hours, the public a"
        " working day.",
        {"public": Level.AREA, "guest": Level.AREA, "members": Level.EXACT},
        {"public": Level.AREA, "guest": Level.AREA, "members": Level.EXACT},
        {"public": 8, "guest": 4, "members": 2},
    ),
)

# Each audience is part of those before it: a member can sign out.
_WIDENING = ("public", "guest", "members")

FROZEN = (
    "A cut-off is on for one of the club’s waters. Until that event ends the policy can only be narrowed: no wider"
    " default, no higher ceiling, no smaller zone."
)


def rung_for(hours: float, ha_per_hour: float) -> int:
    """Return the least minimum of the ladder, in hectares, that takes at least these hours to search."""
    return next((ha for ha in LADDER_HA if ha >= hours * ha_per_hour), LADDER_HA[-1])


def check_policy(rows: Sequence[AudiencePolicy]) -> None:
    """Raise ValidationError, by form field, for a default above its ceiling or less for members than outsiders."""
    by_audience = {row.audience: row for row in rows}
    problems: dict[str, str] = {}
    for row in rows:
        if row.default_level > row.ceiling_level:
            problems[f"{row.audience}_default"] = "This is wider than the ceiling beside it."
    for outer, inner in pairwise(by_audience[name] for name in _WIDENING if name in by_audience):
        who, than = EVERYBODY[inner.audience], EVERYBODY[outer.audience].lower()
        if inner.ceiling_level < outer.ceiling_level:
            problems[f"{inner.audience}_ceiling"] = (
                f"{who} would be allowed less than {than}: signing out would show more."
            )
        if inner.minimum_ha > outer.minimum_ha:
            problems[f"{inner.audience}_minimum"] = (
                f"{who} would get larger zones than {than}: signing out would show more."
            )
    if problems:
        raise ValidationError(problems)


def save_policy(rows: Sequence[AudiencePolicy]) -> None:
    """Save the policies of several audiences, all or none. Raises ValidationError that says what cannot be.

    That a policy only narrows while a cut-off is on is the database's rule (spots/policies.py).
    """
    check_policy(rows)
    try:
        with transaction.atomic():
            for row in rows:
                row.save()
    except IntegrityError as error:
        if "only narrows" not in str(error):
            raise
        raise ValidationError(FROZEN) from error
