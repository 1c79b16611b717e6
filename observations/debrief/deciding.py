"""What was answered becomes looks, spots and hazards: all of it or nothing."""

import uuid
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.contrib.gis.geos import Point
from django.core.exceptions import ValidationError
from django.db import transaction

from club.models import Member
from club.viewer import Viewer
from observations.debrief.answers import HAZARD, LOOK, SELF, SPOT, Answers, PlaceAnswer, Proof, StopAnswer
from observations.debrief.drafting import LAID_M
from observations.debrief.laying import attach, away, choose_stop
from observations.debrief_models import DebriefDraft, DebriefPicture
from observations.log_words import LOG_DEPTH
from observations.models import Call, EchoGroup, Method, Observation, Trip
from observations.picture_times import Told
from observations.services import FindingDraft, GroupDraft, LookDraft, record_look
from spots.models import Feature, Position, Spot
from spots.services import SpotDraft, create_spot

_State = DebriefDraft.State
# The look at a waypoint lasts no longer than it takes to press the key.
_MARKED = timedelta(minutes=1)


@dataclass
class Decided:
    """How much of each there is now."""

    looks: int = 0
    spots: int = 0
    hazards: int = 0
    discarded: int = 0


class Decider:
    """Saves the answers of one trip."""

    def __init__(self, trip: Trip, member: Member, viewer: Viewer, moment: datetime, scope: str) -> None:
        self.trip, self.member, self.viewer, self.moment = trip, member, viewer, moment
        self.scope = f"member:{member.pk}" if scope == SELF else scope
        self.zone = ZoneInfo(trip.water.time_zone)
        self.done = Decided()

    def save(self, answers: Answers) -> Decided:
        """Save all answers. Raises ValidationError by fields of the page, with nothing saved."""
        errors: dict[str, list[str]] = {}
        with transaction.atomic():
            for stop in answers.stops:
                self._each(stop.draft, errors, lambda stop=stop: self._stop(stop))  # type: ignore[misc]
            for place in answers.places:
                self._each(place.draft, errors, lambda place=place: self._place(place))  # type: ignore[misc]
            if errors:
                raise ValidationError(errors)
        return self.done

    def _each(self, draft: DebriefDraft, errors: dict[str, list[str]], act: Callable[[], None]) -> None:
        try:
            act()
        except ValidationError as error:
            errors[f"{draft.pk}-answer"] = error.messages

    def _close(self, draft: DebriefDraft, state: str, **changes: object) -> None:
        draft.state, draft.decided_at = state, self.moment
        for name, value in changes.items():
            setattr(draft, name, value)
        draft.save(update_fields=["state", "decided_at", *changes])

    def _stop(self, answer: StopAnswer) -> None:
        draft = answer.draft
        if not answer.is_look:
            self._close(draft, _State.DISCARDED)
            self.done.discarded += 1
            return
        looks: list[Observation] = []
        group = None
        if answer.band:
            none = answer.band == EchoGroup.Band.NONE
            group = GroupDraft(
                id=uuid.uuid5(draft.pk, "group"),
                band=answer.band,
                placement=answer.placement,
                call=answer.call,
                probability=answer.probability,
            )
            looks.append(self._record(draft, answer.method, draft.pk, groups=(group,)))
            group = None if none else group
        if answer.proof:
            looks.append(self._prove(draft, answer.proof, group, after=bool(looks)))
        self.done.looks += len(looks)
        attach(list(DebriefPicture.objects.filter(draft=draft, used_at=None)), looks[0].pk, self.moment)
        self._close(draft, _State.CONFIRMED, look_id=looks[0].pk)

    def _record(self, draft: DebriefDraft, method: str, key: uuid.UUID, **said: object) -> Observation:
        assert draft.started_at and draft.ended_at and draft.spot_id  # noqa: S101 - a stop at a spot
        at = draft.started_at + (_MARKED if said.pop("after", False) else timedelta(0))
        offset = at.astimezone(self.zone).utcoffset()
        values: dict[str, object] = {
            "minutes": round((draft.ended_at - draft.started_at).total_seconds() / 60, 1),
            **said,
        }
        spot = Spot.objects.select_related("water").get(pk=draft.spot_id)
        look = LookDraft(
            id=key,
            spot=spot,
            observer=self.member,
            method=method,
            started_at=at,
            utc_offset_min=round(offset.total_seconds() / 60) if offset else 0,
            water_temp_c=None if draft.water_temp_c is None else round(draft.water_temp_c, 2),
            settings={} if draft.depth_m is None else {LOG_DEPTH: round(draft.depth_m, 2)},
            scope=self._scope(spot),
            source=Observation.Source.DEBRIEF,
            seal=Call.Seal.MEMORY,
            trip=self.trip,
            **values,  # type: ignore[arg-type]
        )
        return record_look(look, self.viewer, self.moment)

    def _scope(self, spot: Spot) -> str:
        """Return the chosen scope; a team's stands at the club's spots and its own, elsewhere the spot's."""
        is_teams = self.scope.startswith("team:")
        return "" if is_teams and spot.scope not in ("club", self.scope) else self.scope

    def _prove(
        self, draft: DebriefDraft, proof: Proof, group: GroupDraft | None, *, after: bool
    ) -> Observation:
        found: tuple[FindingDraft, ...] = ()
        if proof.species:
            found = (
                FindingDraft(
                    id=uuid.uuid5(draft.pk, "finding"),
                    species=proof.species,
                    count=proof.count,
                    tie=proof.tie,
                    settles=group.id if group else None,
                ),
            )
        hours = proof.minutes / 60 if proof.method == Method.ROD and proof.minutes is not None else None
        return self._record(
            draft,
            proof.method,
            uuid.uuid5(draft.pk, "proof"),
            after=after,
            # How long the boat lay there is not how long the camera was down.
            minutes=proof.minutes,
            rod_hours=None if hours is None else round(hours, 4),
            findings=found,
        )

    def _place(self, answer: PlaceAnswer) -> None:
        draft = answer.draft
        if answer.what == SPOT:
            self._make_spot(answer)
        elif answer.what == LOOK:
            self._ask_of_look(draft)
        elif answer.what == HAZARD:
            Feature.objects.create(
                water=self.trip.water, kind=Feature.Kind.HAZARD, text=answer.name, place=draft.place
            )
            self._close(draft, _State.CONFIRMED)
            self.done.hazards += 1
        else:
            self._close(draft, _State.DISCARDED)
            self.done.discarded += 1

    def _make_spot(self, answer: PlaceAnswer) -> None:
        draft = answer.draft
        spot, _ = create_spot(
            SpotDraft(
                water=self.trip.water,
                name=answer.name,
                scope=f"member:{self.member.pk}",
                point=Point(draft.place.x, draft.place.y, srid=4326),
                source=Position.Source.IMPORT,
                cover=answer.cover,
                structure=answer.structure,
                notes=draft.notes,
            ),
            self.viewer,
            self.moment,
        )
        self.done.spots += 1
        if draft.kind == DebriefDraft.Kind.WAYPOINT:
            self._close(draft, _State.CONFIRMED, made_spot_id=spot.pk)
        else:
            # The stop is at a spot now, and may be asked about.
            draft.made_spot_id = draft.spot_id = spot.pk
            draft.away_m = 0.0
            draft.save(update_fields=["made_spot", "spot", "away_m"])
        homeless = DebriefDraft.objects.filter(
            trip=self.trip, kind=DebriefDraft.Kind.STOP, state=_State.OPEN, spot=None
        )
        for stop in homeless:
            metres = away(draft.place.y, draft.place.x, stop.place)
            if metres <= LAID_M:
                stop.spot_id, stop.away_m = spot.pk, metres
                stop.save(update_fields=["spot", "away_m"])

    def _ask_of_look(self, mark: DebriefDraft) -> None:
        """Let a waypoint be a question like a stop: what was there?"""
        assert mark.started_at  # noqa: S101 - checked with the answers
        DebriefDraft.objects.create(
            trip=self.trip,
            member=self.member,
            kind=DebriefDraft.Kind.STOP,
            started_at=mark.started_at,
            ended_at=mark.started_at + _MARKED,
            place=mark.place,
            spot_id=mark.spot_id,
            away_m=mark.away_m,
            depth_m=mark.depth_m,
            water_temp_c=mark.water_temp_c,
            name=mark.name,
        )
        self._close(mark, _State.CONFIRMED)


def shift_pictures(
    loose: Iterable[DebriefPicture], stops: Sequence[DebriefDraft], minutes: float, moment: datetime
) -> int:
    """Lay pictures anew whose clock ran ahead by so many minutes; return how many lie at a stop now."""
    laid = 0
    for picture in loose:
        if picture.taken_at is None:
            continue
        picture.taken_at -= timedelta(minutes=minutes)
        picture.save(update_fields=["taken_at"])
        if (stop := choose_stop(Told(picture.taken_at), stops)) is not None:
            keep_pictures([picture], stop, moment)
            laid += 1
    return laid


def keep_pictures(kept: Iterable[DebriefPicture], draft: DebriefDraft, moment: datetime) -> None:
    """Lay pictures to a stop by hand; where that is a look already, they are its own at once."""
    rows = list(kept)
    DebriefPicture.objects.filter(pk__in=[row.pk for row in rows]).update(draft=draft)
    if draft.look_id:
        attach(rows, draft.look_id, moment)
