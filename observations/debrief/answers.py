"""What the member said on the debrief's page, checked: nothing here touches the database.

A field is named `<id of the draft>-<what>`. Every message names the value and the rule.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from django.core.exceptions import ValidationError

from observations.debrief_models import DebriefDraft
from observations.log_fields import parse_number
from observations.models import PROVING, SONAR, EchoGroup, Finding, Method, Species

LATER, DISCARD, SPOT, LOOK, HAZARD = "later", "discard", "spot", "look", "hazard"
# Nothing first: the answer that is given least and is worth as much.
THERE = (
    (EchoGroup.Band.NONE.value, "nothing"),
    (EchoGroup.Band.FEW.value, "1–3"),
    (EchoGroup.Band.SOME.value, "4–8"),
    (EchoGroup.Band.MANY.value, "9–20"),
    (EchoGroup.Band.MORE.value, "more"),
    (DISCARD, "no look"),
    (LATER, "later"),
)
_BANDS = set(EchoGroup.Band.values)
# What a stop can have been looked at with, besides what proves.
LOOKED_WITH = (*SONAR, Method.EYE)
AS_THE_SPOT, SELF = "", "self"


@dataclass(frozen=True)
class Proof:
    """What a camera or the rod told at a stop; without a species it found none."""

    method: str
    species: str = ""
    count: int = 1
    tie: str = Finding.Tie.COVER.value
    minutes: float | None = None


@dataclass(frozen=True)
class StopAnswer:
    """What was there at a stop: a band of echoes with what they were looked at with, a proof, or both."""

    draft: DebriefDraft
    band: str = ""
    method: str = ""
    placement: str = ""
    call: str = ""
    probability: float | None = None
    proof: Proof | None = None
    is_look: bool = True


@dataclass(frozen=True)
class PlaceAnswer:
    """What a waypoint is, or a stop at no spot that the member sees."""

    draft: DebriefDraft
    what: str
    name: str = ""
    cover: str = ""
    structure: str = ""


@dataclass
class Answers:
    """All that was answered, and the messages by field."""

    stops: list[StopAnswer] = field(default_factory=list)
    places: list[PlaceAnswer] = field(default_factory=list)
    errors: dict[str, list[str]] = field(default_factory=dict)

    def say(self, name: str, message: str) -> None:
        self.errors.setdefault(name, []).append(message)

    @property
    def number(self) -> int:
        return len(self.stops) + len(self.places)


class _Said:
    """The fields of one draft."""

    def __init__(self, draft: DebriefDraft, data: Mapping[str, str], answers: Answers) -> None:
        self.draft, self.data, self.answers = draft, data, answers

    def text(self, name: str) -> str:
        text = self.data.get(f"{self.draft.pk}-{name}", "").strip()
        if "\0" in text:
            self.wrong(name, "A NUL character is no part of a text.")
            return ""
        return text

    def wrong(self, name: str, message: str) -> None:
        self.answers.say(f"{self.draft.pk}-{name}", message)

    def one_of(self, name: str, allowed: set[str], default: str = "") -> str:
        value = self.text(name) or default
        if value and value not in allowed:
            self.wrong(name, f'"{value[:40]}" is not one of the choices.')
            return ""
        return value

    def number(self, name: str, low: float, high: float, unit: str) -> float | None:
        text = self.text(name)
        if not text:
            return None
        try:
            value = parse_number(text)
        except ValidationError as error:
            self.wrong(name, error.messages[0])
            return None
        if not low <= value <= high:
            self.wrong(name, f"{text[:20]} is not possible: it must lie between {low:g} and {high:g} {unit}.")
            return None
        return value


def read_answers(
    stops: list[DebriefDraft],
    places: list[DebriefDraft],
    data: Mapping[str, str],
    species: Mapping[str, Species],
    *,
    organises: bool,
    words: Mapping[str, set[str]],
    scopes: set[str],
) -> Answers:
    """Return what was answered of open stops at spots, and of waypoints and stops elsewhere.

    `words` are the club's words for `cover` and `structure`, `scopes` whose evidence the looks may be. What was
    left open stays so.
    """
    out = Answers()
    default = data.get("method", "")
    if default not in LOOKED_WITH:
        if data.get("method"):
            out.say("method", f'"{default[:40]}" is not one of the choices.')
        default = Method.SONAR_2D
    if data.get("scope", AS_THE_SPOT) not in scopes:
        out.say("scope", f'"{data["scope"][:40]}" is not one of the choices.')
    for draft in stops:
        if (answer := _stop(_Said(draft, data, out), default, species)) is not None:
            out.stops.append(answer)
    for draft in places:
        if (place := _place(_Said(draft, data, out), organises, words)) is not None:
            out.places.append(place)
    return out


def _stop(said: _Said, default: str, species: Mapping[str, Species]) -> StopAnswer | None:
    answer = said.one_of("answer", {value for value, _ in THERE})
    if answer == DISCARD:
        return StopAnswer(said.draft, is_look=False)
    if answer == LATER:
        return None
    proof = _proof(said, species)
    if not answer:
        for name in ("call", "sure", "placement"):
            if said.text(name):
                said.wrong("answer", "Say how many echoes there were, or take the rest out.")
                break
        return StopAnswer(said.draft, proof=proof) if proof else None
    method = said.one_of("method", set(LOOKED_WITH), default)
    call = said.one_of("call", set(species))
    sure = said.number("sure", 1, 100, "%")
    placement = said.one_of("placement", set(EchoGroup.Placement.values))
    if answer == EchoGroup.Band.NONE and (call or sure or placement):
        said.wrong("call", "There were no echoes to call: take the call out, or say how many there were.")
    if sure is not None and not call:
        said.wrong("sure", "How sure belongs to a call.")
    return StopAnswer(said.draft, answer, method, placement, call, sure / 100 if sure else None, proof)


def _proof(said: _Said, species: Mapping[str, Species]) -> Proof | None:
    method = said.one_of("proof", {method.value for method in PROVING})
    found = said.one_of("species", {code for code, one in species.items() if not one.is_wider})
    count = said.number("count", 1, 10_000, "fish")
    minutes = said.number("minutes", 0, 1440, "minutes")
    tie = said.one_of("tie", set(Finding.Tie.values), Finding.Tie.COVER.value)
    if not method:
        if found or count or minutes:
            said.wrong("proof", "Say whether it was the camera or the rod.")
        return None
    if count is not None and (not found or count != round(count)):
        said.wrong("count", "A whole number of one species." if found else "Say of which species.")
    return Proof(method, found, int(count or 1), tie, minutes)


def _place(said: _Said, organises: bool, words: Mapping[str, set[str]]) -> PlaceAnswer | None:
    allowed = {SPOT, DISCARD, LATER}
    allowed |= {LOOK} if said.draft.kind == DebriefDraft.Kind.WAYPOINT and said.draft.spot_id else set()
    allowed |= {HAZARD} if organises else set()
    what = said.one_of("answer", allowed)
    if what in ("", LATER):
        return None
    answer = PlaceAnswer(
        said.draft,
        what,
        said.text("name") or said.draft.name,
        said.one_of("cover", words["cover"]),
        said.one_of("structure", words["structure"]),
    )
    if what in (SPOT, HAZARD):
        most = 80 if what == SPOT else 120
        if not answer.name:
            said.wrong("name", f"A {what} needs a name.")
        elif len(answer.name) > most:
            said.wrong("name", f"A name has at most {most} characters.")
    if what == LOOK and said.draft.started_at is None:
        said.wrong("answer", "This waypoint has no time: log the look on the log page.")
    return answer
