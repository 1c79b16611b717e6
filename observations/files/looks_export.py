"""The looks at spots that the viewer sees exactly, as the CSV that `looks_csv` reads."""

import csv
import io
import uuid
from collections import Counter
from collections.abc import Iterator
from datetime import timedelta, timezone
from typing import Any

from django.db.models import Prefetch, Q, QuerySet

from club.models import Member
from observations.files.looks_csv import COLUMNS, settings_text
from observations.models import SONAR, Confirmation, Finding, Method, Observation
from spots.disclosure_models import Channel
from spots.files.table import guarded
from spots.models import Water
from spots.precision import released_spots


def write_looks(
    water_id: uuid.UUID | None = None, *, observer_id: uuid.UUID | None = None
) -> tuple[str, int]:
    """Return the CSV, oldest look first, and of how many spots the daily cap holds everything back.

    Withdrawn looks and calls are left out. With `observer_id` it is that member's own looks, wherever they
    were; one at a spot that the viewer does not see exactly comes without its place.
    """
    released = released_spots(water_id=water_id, channel=Channel.EXPORT)
    spots = {spot.id: spot for spot in released if spot.is_exact}
    names = _member_names(observer_id)
    waters = dict(Water.objects.values_list("pk", "name"))
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, COLUMNS, restval="")
    writer.writeheader()
    confirmed: QuerySet[Confirmation] = Confirmation.objects.filter(
        Confirmation.standing(), decision=Confirmation.Decision.CONFIRMED
    ).order_by("created_at")
    wanted = Q(observer_id=observer_id) if observer_id else Q(spot__in=spots)
    looks = (
        Observation.objects.filter(wanted, withdrawn_at=None)
        .order_by("started_at", "id")
        .prefetch_related(
            "groups__call__species",
            "presentations",
            Prefetch("findings", Finding.objects.select_related("species").order_by("species__order")),
            Prefetch("findings__confirmations", confirmed, to_attr="confirmed"),
        )
    )
    for look in looks.iterator(chunk_size=2000):
        spot = spots.get(look.spot_id)
        shown = spot.geometry if spot and spot.precision == "exact" else None
        position = shown["coordinates"] if shown else ("", "")
        common = {
            "spot": guarded(spot.label) if spot else "",
            "water": guarded(waters[spot.water_id]) if spot else "",
            "lon": position[0],
            "lat": position[1],
            "started_at": look.started_at.astimezone(
                timezone(timedelta(minutes=look.utc_offset_min))
            ).isoformat(),
            "observer": guarded(names[look.observer_id]),
            "method": Method(look.method).label,
        }
        of_the_look = {
            "minutes": _number(look.minutes),
            "settings": guarded(settings_text(look.settings)),
            "secchi_m": _number(look.secchi_m),
            "water_temp_c": _number(look.water_temp_c),
            "rod_hours": _number(look.rod_hours),
        }
        for number, row in enumerate(_rows(look, names)):
            writer.writerow({**common, **(of_the_look if number == 0 else {}), **row})
    return out.getvalue(), sum(spot.held for spot in released)


def _member_names(own: uuid.UUID | None) -> dict[uuid.UUID, str]:
    """Return each member's name, or the sign-in name where two share one; who has left has a number.

    `own` is whose own data it is: their name stands, whether or not they have left.
    """
    people = list(Member.objects.order_by("left_at", "pk"))
    shared = Counter(person.name.casefold() for person in people)
    names, former = {}, 0
    for person in people:
        if person.left_at and person.pk != own:
            former += 1
            names[person.pk] = f"former member {former}"
        else:
            names[person.pk] = person.username if shared[person.name.casefold()] > 1 else person.name
    return names


def _rows(look: Observation, names: dict[uuid.UUID, str]) -> Iterator[dict[str, Any]]:
    """Yield what differs between the rows of one look: its groups or findings beside its presentations."""
    shows_echoes = look.method in SONAR or look.method == Method.EYE
    rows = [_group(group) for group in look.groups.all()] if shows_echoes else []
    rows += [_finding(finding, names) for finding in look.findings.all()]
    rows = rows or [{"finding_count": 0}]
    for number, tried in enumerate(look.presentations.all()):
        if number == len(rows):
            break
        rows[number] |= {"presentation": guarded(tried.what), "response": tried.response}
    yield from rows


# A count that was given as a band goes out as the band's lowest number.
_LOWEST = {"none": 0, "1-3": 1, "4-8": 4, "9-20": 9, "more": 21}


def _group(group: Any) -> dict[str, Any]:
    call = getattr(group, "call", None)
    row = {
        "echoes": _LOWEST[group.band] if group.count is None else group.count,
        "placement": group.placement,
        "depth_m": _number(group.depth_m),
    }
    if call is not None and call.withdrawn_at is None:
        row |= {
            "call": call.species.name,
            "call_probability": _number(call.probability),
            "call_size": call.size,
        }
    return row


def _finding(finding: Any, names: dict[uuid.UUID, str]) -> dict[str, Any]:
    return {
        "finding_species": finding.species.name,
        "finding_count": finding.count,
        "finding_length_mm": " ".join(map(str, finding.lengths_mm)),
        "depth_m": _number(finding.depth_m),
        "tie": finding.tie,
        "confirmed_by": guarded(names[finding.confirmed[0].checker_id]) if finding.confirmed else "",
    }


def _number(value: float | None) -> str:
    return "" if value is None else repr(int(value)) if value == int(value) else repr(value)
