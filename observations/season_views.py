"""`/season/`: where and when is this species here?"""

import uuid
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from django.db.models import Count, Q
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_safe

from club.access import public
from club.figures import MONTHS_LONG
from club.units import Units
from club.viewer import ViewedRequest
from observations.models import History, Species
from observations.pages import chosen_water, local_month
from observations.reading import histories_of
from observations.season_page import Cell, season_of_spots
from observations.season_words import catch_words, effort_words
from spots.disclosure_models import Channel
from spots.models import Water
from spots.precision import ReleasedSpot, released_spots

FIRST_SPOTS = 12


@dataclass(frozen=True)
class _There:
    """One spot in the month asked for."""

    id: uuid.UUID
    label: str
    where: str
    zone: str
    probability: float
    low: float
    high: float
    grade: str
    looks: int
    effort: str


@require_safe
@public
def season_page(request: ViewedRequest) -> HttpResponse:
    """One water, one species: the year over the spots that the reader may see, and where in one month."""
    water = chosen_water(request)
    if water is None:
        return redirect("/waters/")
    units = Units.of(request.member)
    species = _species_of(water, request)
    asked = request.GET.get("species", "")
    chosen = next((item for item in species if item.code == asked), species[0] if species else None)
    month = _month(request.GET.get("month", "")) or local_month(water, request.moment)
    context: dict[str, Any] = {
        "water": water,
        "waters": list(Water.objects.all()),
        "species": species,
        "chosen": chosen,
        "month": month,
        "month_name": MONTHS_LONG[month - 1],
        "member": request.member,
        "verified_only": not request.viewer.is_member,
    }
    if chosen:
        spots = released_spots(channel=Channel.UNSEEN, water_id=water.pk)
        told = histories_of(spots, request.viewer, chosen.code)
        rows = {spot: found[0] for spot, found in told.items()}
        season = season_of_spots(rows.values())
        there = _there(spots, rows, month, units)
        context |= {
            "season": season,
            "ribbon": [_figure(number, cell) for number, cell in enumerate(season.months, 1)]
            if season
            else [],
            "months": [_line(MONTHS_LONG[m], cell) for m, cell in enumerate(season.months)] if season else [],
            "bands": [_line(units.temperature_range(a, b), cell) for a, b, cell in season.bands]
            if season
            else [],
            "there": there if "all" in request.GET else there[:FIRST_SPOTS],
            "more": len(there) - FIRST_SPOTS if "all" not in request.GET else 0,
        }
    return render(request, "season/season.html", context)


def _species_of(water: Water, request: ViewedRequest) -> Sequence[Species]:
    """Return the species with evidence that the reader may read of, those verified at most spots first."""
    some = Q(called__gt=0) | Q(seen__gt=0) | Q(landed__gt=0) | Q(verified__gt=0)
    if not request.viewer.is_member:
        some = Q(verified__gt=0, edition=History.Edition.PUBLISHED)
    proved = Count("spot", filter=Q(verified__gt=0), distinct=True)
    counted = History.objects.filter(some, spot__water=water).values("species").annotate(proved=proved)
    order = {row["species"]: row["proved"] for row in counted.order_by()}
    return sorted(
        Species.objects.filter(pk__in=order), key=lambda item: (-order[item.code], item.order, item.code)
    )


def _month(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() and 1 <= int(text) <= 12 else None


def _figure(number: int, cell: Cell) -> dict[str, Any]:
    return {"month": number, "lo": cell.low, "hi": cell.high, **asdict(cell)}


def _line(label: str, cell: Cell) -> dict[str, Any]:
    """Return a row of the tables: the cell, its effort and its catch in words."""
    catch = None
    if cell.catch:
        rate, low, high = cell.catch
        told = {
            "caught": cell.caught,
            "rod_hours": cell.rod_hours,
            "rate": rate,
            "low": low,
            "high": high,
            "own": 1,
        }
        catch = catch_words(label, told)
    return {
        "label": label,
        "cell": cell,
        "effort": effort_words(cell.camera_minutes, cell.rod_hours),
        "catch": catch,
    }


def _there(
    spots: Sequence[ReleasedSpot], rows: dict[uuid.UUID, History], month: int, units: Units
) -> list[_There]:
    """Return the spots with looks, likeliest in the month first."""
    out = []
    for spot in spots:
        row = rows.get(spot.id)
        if row is None or not row.looks:
            continue
        cell = row.months[month - 1]
        out.append(
            _There(
                id=spot.id,
                label=spot.label,
                where="exact" if spot.is_exact else spot.precision,
                zone=f"zone {spot.zone_number}" if spot.zone_number else "",
                probability=cell["probability"],
                low=cell["low"],
                high=cell["high"],
                grade=cell["grade"],
                looks=cell["looks"],
                effort=effort_words(cell["camera_minutes"], cell["rod_hours"]),
            )
        )
    return sorted(out, key=lambda there: (-there.probability, there.label, there.id))
