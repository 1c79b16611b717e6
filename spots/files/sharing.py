"""Whose an import becomes, and who will then see its new spots how exactly."""

from django.core.exceptions import ValidationError

from club.models import AudiencePolicy, Level, Team
from club.viewer import Viewer

CLUB = "club"
_OWN = {"self", "private", "me", "member"}
_AUDIENCE_WORDS = {"members": "Members", "guest": "Guests", "public": "Everybody, signed out too"}


def default_scope(viewer: Viewer) -> str:
    """An organiser's import is the club's, a member's is private."""
    return CLUB if viewer.is_organiser else f"member:{viewer.member_id}"


def scope_named(text: str, viewer: Viewer) -> str:
    """Return the scope meant by `club`, `self`, `team`, a team's name, or a scope key; empty: the default.

    Raises ValidationError, naming what may be chosen.
    """
    word = text.strip()
    if not word:
        return default_scope(viewer)
    if word.casefold() == CLUB:
        return CLUB
    if word.casefold() in _OWN or word == f"member:{viewer.member_id}":
        return f"member:{viewer.member_id}"
    teams = {f"team:{team.pk}": team.name for team in Team.objects.filter(pk__in=viewer.team_ids)}
    if word.casefold() == "team" and len(teams) == 1:
        return next(iter(teams))
    wanted = word.casefold().removeprefix("team:").strip()
    for key, name in teams.items():
        if wanted in (name.casefold(), key.removeprefix("team:")):
            return key
    may = ", ".join(["self", *(f'"{name}"' for name in teams.values()), CLUB])
    raise ValidationError({"scope": f'"{word}" is not a scope of yours. Choose one of {may}.'})


def scope_words(scope: str) -> str:
    """Return a scope as pages say it."""
    if scope == CLUB:
        return "the club’s"
    if scope.startswith("team:"):
        team = Team.objects.filter(pk=scope.removeprefix("team:")).first()
        return f"of team {team.name}" if team else "of a team"
    return "yours alone"


def who_sees(scope: str, viewer: Viewer) -> list[str]:
    """Say who will see new spots of this scope, and how exactly, under the club's present policy."""
    if scope.startswith("member:"):
        return ["Only you, exactly."]
    if scope.startswith("team:"):
        return [f"Only members of the team, exactly: they become {scope_words(scope)}."]
    lines = ["Organisers, exactly." if viewer.is_organiser else "You, exactly."]
    policies = AudiencePolicy.objects.in_bulk(list(_AUDIENCE_WORDS))
    for audience, words in _AUDIENCE_WORDS.items():
        policy = policies.get(audience)
        level = min(policy.default_level, policy.ceiling_level) if policy else Level.HIDDEN
        minimum = policy.minimum_ha if policy else 0
        lines.append(f"{words}: {_level_words(level, minimum)}.")
    return lines


def _level_words(level: int, minimum_ha: int) -> str:
    if level == Level.EXACT:
        return "exactly"
    if level == Level.AREA:
        return f"within a zone of at least {minimum_ha} ha of water"
    return "only which water" if level == Level.WATER else "not at all"
