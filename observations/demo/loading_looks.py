"""Put the demo's trips, looks, proofs and pictures into the database, in bulk and in order of time."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import timedelta

from django.db import connection

from observations.clearing_models import Clearance, ClearedPicture
from observations.demo.checking import SHOWN_METHOD_DAY
from observations.demo.echoart import Box
from observations.demo.loading import Loader, key_of
from observations.demo.marked import marks_on
from observations.demo.outings import ZONE
from observations.demo.pictures import Studio
from observations.demo.rows import Demo, FindingRow, GroupRow, LookRow, PictureRow
from observations.marking import MarkDraft
from observations.marking_models import Mark
from observations.models import (
    BlindName,
    Call,
    Confirmation,
    EchoGroup,
    Finding,
    Observation,
    Picture,
    Presentation,
    Trip,
)
from observations.pictures import clean_picture, store, write_copy

SEALING = timedelta(seconds=50)
"""From the start of a look to the seal on its call."""


def load_looks(demo: Demo, loader: Loader) -> None:
    """Trips, looks, groups, calls, findings, presentations and confirmations."""
    Trip.objects.bulk_create(
        Trip(
            id=key_of("trip", trip.key),
            member=loader.members[trip.member],
            water=loader.waters[trip.water],
            started_at=trip.started_at,
            ended_at=trip.ended_at,
            note=trip.note,
        )
        for trip in demo.trips
    )
    known = {trip.key for trip in demo.trips}
    Observation.objects.bulk_create([_look(look, loader, known) for look in demo.looks], batch_size=1000)
    pairs = [(look, order, group) for look in demo.looks for order, group in enumerate(look.groups)]
    EchoGroup.objects.bulk_create([_group(*pair) for pair in pairs], batch_size=1000)
    Call.objects.bulk_create([_call(look, group) for look, _, group in pairs if group.call], batch_size=1000)
    Finding.objects.bulk_create(
        [_finding(look, finding, loader) for look in demo.looks for finding in look.findings], batch_size=1000
    )
    Presentation.objects.bulk_create(
        Presentation(
            id=key_of("presentation", f"{look.key} {turn}"),
            look_id=key_of("look", look.key),
            what=row.what,
            minutes=row.minutes,
            response=row.response,
        )
        for look in demo.looks
        for turn, row in enumerate(look.presentations)
    )
    _confirmations(demo, loader)


def _look(row: LookRow, loader: Loader, trips: set[int]) -> Observation:
    return Observation(
        id=key_of("look", row.key),
        spot=loader.spots[row.spot],
        trip_id=key_of("trip", row.trip) if row.trip in trips else None,
        observer=loader.members[row.observer],
        method=row.method,
        started_at=row.started_at,
        utc_offset_min=row.utc_offset_min,
        minutes=row.minutes,
        rod_hours=row.rod_hours,
        settings=row.settings,
        secchi_m=row.secchi_m,
        clarity=row.clarity,
        water_temp_c=row.water_temp_c,
        pool_level_m=row.pool_level_m,
        wind_m_s=row.wind_m_s,
        wind_from_deg=row.wind_from_deg,
        sky=row.sky,
        note=row.note,
        scope=loader.scope(row.scope),
        random_check=row.random_check,
        received_at=row.received_at,
    )


def _group(look: LookRow, order: int, group: GroupRow) -> EchoGroup:
    return EchoGroup(
        id=key_of("group", group.key),
        look_id=key_of("look", look.key),
        order=order,
        band=group.band,
        count=group.count,
        placement=group.placement,
        depth_m=group.depth_m,
    )


def _call(look: LookRow, group: GroupRow) -> Call:
    sealed = look.started_at + SEALING
    return Call(
        group_id=key_of("group", group.key),
        species_id=group.call,
        probability=group.probability,
        size=group.size,
        sealed_at=sealed,
        withdrawn_at=sealed + SEALING if group.withdrawn else None,
    )


def _finding(look: LookRow, row: FindingRow, loader: Loader) -> Finding:
    return Finding(
        id=key_of("finding", row.key),
        look_id=key_of("look", look.key),
        species_id=row.species,
        count=row.count,
        lengths_mm=list(row.lengths_mm[: row.count]),
        fate=row.fate,
        depth_m=row.depth_m,
        settles_id=key_of("group", row.settles) if row.settles else None,
        tie=row.tie,
        observer=loader.members[look.observer],
        scope=loader.scope(look.scope),
        received_at=look.received_at,
    )


def _confirmations(demo: Demo, loader: Loader) -> None:
    """Decisions in order of time, each after the species was named blind."""
    decided = sorted(demo.confirmations, key=lambda row: (row.at, row.finding, row.checker))
    BlindName.objects.bulk_create(
        BlindName(
            id=key_of("blind", f"{row.finding} {row.checker}"),
            finding_id=key_of("finding", row.finding),
            checker=loader.members[row.checker],
            named_species_id=row.species or None,
            created_at=row.at,
        )
        for row in decided
    )
    Confirmation.objects.bulk_create(
        Confirmation(
            id=key_of("confirmation", f"{row.finding} {row.checker}"),
            finding_id=key_of("finding", row.finding),
            checker=loader.members[row.checker],
            named_species_id=row.species or None,
            decision=row.decision,
            reason=row.reason,
            created_at=row.at,
        )
        for row in decided
    )


def load_pictures(demo: Demo, loader: Loader, tell: Callable[[str], None]) -> int:
    """Draw the pictures and store them as an upload would be; return how many."""
    studio = Studio(demo)
    looks = {look.key: look for look in demo.looks}
    for row in demo.pictures:
        look = looks[row.look]
        fish: list[Box] = []
        clean = clean_picture(io.BytesIO(studio.jpeg(row, fish)), "drawn.jpg")
        finding = Finding.objects.get(pk=key_of("finding", row.finding)) if row.finding else None
        saved = Observation.objects.get(pk=key_of("look", look.key))
        (picture,) = store([(clean, finding)], saved, loader.members[look.observer], look.received_at)
        if row.kind == "board" or (demo.visits[look.visit].target and _shown_side_by_side(look)):
            of = next((one for one in look.findings if one.key == row.finding), None)
            _draw(marks_on(row, fish, demo.visits[look.visit].target or "", of, picture), row, picture)
    _clear(loader)
    tell(
        f"{len(demo.pictures)} drawn pictures, {ClearedPicture.objects.count()} of them cleared for everybody"
    )
    return len(demo.pictures)


def _shown_side_by_side(look: LookRow) -> bool:
    return look.started_at.astimezone(ZONE).date() == SHOWN_METHOD_DAY


def _draw(drafts: list[MarkDraft], row: PictureRow, picture: Picture) -> None:
    Mark.objects.bulk_create(
        Mark(
            id=key_of("mark", f"{row.key} {number}"),
            picture=picture,
            kind=draft.kind,
            shape=draft.shape,
            points=list(draft.points),
            value=draft.value,
            low=draft.low,
            high=draft.high,
            basis=dict(draft.basis),
            created_at=picture.created_at + SEALING,
        )
        for number, draft in enumerate(drafts)
    )


def _clear(loader: Loader) -> None:
    """Clear the club's proved pictures, each by its owner and by a checker who is somebody else."""
    checkers = [person for person in loader.members.values() if person.is_checker]
    club = Picture.objects.filter(look__scope="club", look__withdrawn_at=None).select_related(
        "look__observer"
    )
    for picture in club.order_by("created_at", "look_id"):
        with connection.cursor() as cursor:
            cursor.execute("SELECT observations_proved_species(%s)", [picture.pk])
            if cursor.fetchone()[0] is None:
                continue
        owner = picture.look.observer
        cleared_id = key_of("cleared", f"{picture.look_id} {picture.finding_id}")
        clearance = Clearance.objects.create(
            id=key_of("clearance", f"{picture.look_id} {picture.finding_id}"),
            picture=picture,
            owner=owner,
            offered_at=picture.created_at,
        )
        write_copy(picture, cleared_id)
        clearance.checker = next(checker for checker in checkers if checker != owner)
        clearance.cleared_at, clearance.cleared_id = picture.created_at + SEALING, cleared_id
        clearance.save()
