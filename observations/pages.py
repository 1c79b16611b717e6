"""The reading pages: chart, spot sheet and the panel beside the chart."""

import json
import uuid
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_safe

from club.access import public
from club.figures import MONTHS_LONG
from club.models import AudiencePolicy, Club
from club.units import Units
from club.viewer import ViewedRequest
from observations.explaining import moved_words, narrowing_words
from observations.models import History, Species
from observations.reading import GRADES, ChartFilter, chart_features, grade_counts, histories
from observations.reliability import current_refit
from observations.season_words import season_of
from observations.words import evidence_rows, looks_at
from spots.disclosure_models import Channel
from spots.disclosures import held_back
from spots.linking import shared_by_viewer, twins
from spots.minimap import minimap
from spots.models import Water
from spots.precision import ReleasedSpot, position_of, released_spot
from spots.resting import come_back_words, level_now_words

FIRST_LOOKS = 12


def local_month(water: Water, moment: datetime) -> int:
    return moment.astimezone(ZoneInfo(water.time_zone)).month


def figure_months(row: History) -> list[dict[str, Any]]:
    """Return the twelve months as the figures take them."""
    return [{**month, "lo": month["low"], "hi": month["high"]} for month in row.months]


def chosen_water(request: ViewedRequest) -> Water | None:
    """Return the water the reader asked for, or the one they looked at last, or the largest."""
    wanted = request.GET.get("water") or request.COOKIES.get("water", "")
    try:
        found = Water.objects.filter(pk=uuid.UUID(wanted)).first()
    except ValueError:
        found = None
    return found or Water.objects.order_by("-area_ha", "name").first()


def _season(text: str) -> int | None:
    return int(text) if text.isdigit() and 1 <= int(text) <= 12 else None


@require_safe
@public
def chart(request: ViewedRequest) -> HttpResponse:
    """What is known on this water, as exactly as the reader may know it?"""
    water = chosen_water(request)
    if water is None:
        return redirect("/waters/")
    species = list(Species.objects.filter(is_wider=False))
    codes = {item.code: item.name for item in species}
    asked = {name: request.GET.get(name, "") for name in ("species", "grade", "season")}
    chosen = {
        "species": asked["species"] if asked["species"] in codes else "",
        "grade": asked["grade"] if asked["grade"] in GRADES else "",
        "season": asked["season"] if _season(asked["season"]) else "",
    }
    view = "list" if request.GET.get("view") == "list" else "chart"
    known = _known_codes(water)
    context = {
        "water": water,
        "waters": list(Water.objects.all()),
        "species": [{"code": item.code, "name": item.name} for item in species if item.code in known],
        "chosen": chosen,
        "view": view,
        "signed_in": request.viewer.member_id is not None,
        "chart_url": f"/api/waters/{water.id}/chart/",
        "chart_config": {
            "water": str(water.id),
            "species": codes,
            "length_unit": Units.of(request.member).length,
            "why_held": _why_held(request),
            "chart_url": f"/api/waters/{water.id}/chart/",
        },
        "depth_words": f"Depths in {Units.of(request.member).depth_name} below full pool",
        "month": local_month(water, request.moment),
    }
    if view == "list":
        wanted = ChartFilter(
            water=water.id, species=chosen["species"], grade=chosen["grade"], season=_season(chosen["season"])
        )
        page = chart_features(wanted, request.viewer, Channel.CHART)
        features = json.loads(page.features)
        context["held_back"] = held_back(page.held_back)
        context["spots"] = [
            {**f["properties"], "id": f["id"], "species_name": codes.get(f["properties"]["species"], "")}
            for f in features
        ]
    if not request.viewer.is_member:
        context["verified_months"] = verified_by_month(water)
        policy = AudiencePolicy.objects.filter(audience="public").first()
        context["least_search"] = policy.minimum_ha if policy else None
    response = render(request, "chart.html", context)
    response.set_cookie(
        "water", str(water.id), max_age=180 * 86400, samesite="Lax", httponly=True, secure=request.is_secure()
    )
    return response


def _why_held(request: ViewedRequest) -> str:
    """Return why the daily cap would hold positions back, for the script to say when it does."""
    words = held_back(1) if request.viewer.member_id else None
    return words.why if words else ""


def _known_codes(water: Water) -> set[str]:
    """Return the species worth offering as a filter: those with a history that the reader may see."""
    return set(History.objects.filter(spot__water=water).values_list("species_id", flat=True).distinct())


def verified_by_month(water: Water) -> list[dict[str, Any]]:
    """Return, for each species verified on the water, the months in which it was, from published histories."""
    found: dict[str, dict[str, Any]] = {}
    published = History.objects.filter(spot__water=water, edition=History.Edition.PUBLISHED, verified__gt=0)
    for row in published.select_related("species").order_by("pk"):
        entry = found.setdefault(
            row.species_id,
            {
                "name": row.species.name,
                "order": row.species.order,
                "spots": 0,
                "months": [False] * 12,
                "last": row.last_verified,
            },
        )
        entry["spots"] += 1
        entry["months"] = [
            a or month["grade"] == "verified" for a, month in zip(entry["months"], row.months, strict=True)
        ]
        if row.last_verified and (entry["last"] is None or row.last_verified > entry["last"]):
            entry["last"] = row.last_verified
    return sorted(found.values(), key=lambda entry: entry["order"])


def _facts(spot: ReleasedSpot, units: Units) -> str:
    """Say cover, structure and depth as far as they are the reader's to know."""
    if spot.band_from_m is not None:
        if spot.band_to_m is None:
            return f"Where the chart is deeper than {units.depth_text(spot.band_from_m)}"
        return f"Where the chart shows {units.depth_range(spot.band_from_m, spot.band_to_m)}"
    place = " on a ".join(
        part for part in (spot.cover if spot.cover != "none" else "", spot.structure or "") if part
    )
    depth = units.depth_range(spot.depth_min_m, spot.depth_max_m)
    return ", ".join(part for part in (place[:1].upper() + place[1:], depth) if part)


def _squares(spot: ReleasedSpot) -> int:
    """Count the parts of a zone, for the words beside it."""
    geometry = spot.geometry or {}
    return len(geometry.get("coordinates", [])) if geometry.get("type") == "MultiPolygon" else 1


def _spot_context(spot: ReleasedSpot, units: Units) -> dict[str, Any]:
    club = Club.objects.first()
    hours = spot.zone_ha / club.search_ha_per_hour if club and spot.zone_ha else None
    return {
        "id": spot.id,
        "name": spot.label,
        "precision": "exact" if spot.is_exact else spot.precision,
        "sharing": spot.sharing,
        "cover": _facts(spot, units),
        "zone_ha": spot.zone_ha,
        "search_hours": hours,
        "squares": _squares(spot),
        "paused": spot.paused,
        "rest_until": spot.rest_until,
        "has_position": spot.precision == "exact",
    }


def _last_words(row: History, spot: ReleasedSpot, moment: datetime) -> tuple[str, str]:
    """Return when a species was last verified, and how long ago, as exactly as the reader may know."""
    if row.last_verified is None:
        return "", ""
    at = row.last_verified
    if not spot.is_exact:
        return f"{at:%b %Y}", ""
    days = (moment - at).days
    ago = "today" if days == 0 else "yesterday" if days == 1 else f"{days} days ago"
    return f"{at.day} {at:%b %Y}", ago if days < 400 else ""


@require_safe
@public
def spot_panel(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """What stands here, and how sure is it?"""
    spot = released_spot(key, channel=Channel.UNSEEN)
    units = Units.of(request.member)
    water = Water.objects.get(pk=spot.water_id)
    rows = histories(spot, request.viewer)
    wanted = request.GET.get("species", "")
    row = next((row for row in rows if row.species_id == wanted), None) or _most_telling(rows)
    context: dict[str, Any] = {
        "spot": _spot_context(spot, units),
        "may_log": spot.is_exact and request.viewer.is_member,
        "month": local_month(water, request.moment),
        "probability": None,
        "held_back": held_back(int(spot.held)),
    }
    if row:
        last, ago = _last_words(row, spot, request.moment)
        looks = looks_at(spot.id) if spot.is_exact and request.viewer.is_member else []
        season = _season(request.GET.get("season", ""))
        chance = (
            row.months[season - 1]
            if season
            else {"probability": row.probability, "low": row.low, "high": row.high}
        )
        context |= {
            "species_name": row.species.name.capitalize(),
            "when": f"in {MONTHS_LONG[season - 1]}" if season else "now",
            "month": season or context["month"],
            "probability": chance["probability"],
            "lo": chance["low"],
            "hi": chance["high"],
            "counts": grade_counts(row),
            "months": figure_months(row),
            "looks": row.looks,
            "last_verified": last,
            "last_verified_words": ago,
            # What moved it moved today's figure, not another month's.
            "moved": [] if season else moved_words(row, looks, units),
        }
    return render(request, "parts/spot_panel.html", context)


def _most_telling(rows: list[History]) -> History | None:
    """Return the history with the best grade, then the likeliest."""
    return min(
        rows,
        key=lambda row: (
            -(bool(row.verified)),
            -bool(row.landed or row.seen),
            -row.probability,
            row.species.order,
        ),
        default=None,
    )


@require_safe
@public
def spot_sheet(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """What has this spot really held, by season, and how sure is that today?"""
    spot = released_spot(key, channel=Channel.PAGE)
    units = Units.of(request.member)
    water = Water.objects.get(pk=spot.water_id)
    rows = histories(spot, request.viewer)
    with_evidence = [row for row in rows if any(grade_counts(row).values())]
    others = [row for row in rows if row not in with_evidence]
    in_full = spot.is_exact and request.viewer.is_member
    looks = looks_at(spot.id) if in_full else []
    shown = looks if "all" in request.GET else looks[:FIRST_LOOKS]
    table: list[dict[str, Any]] = []
    for row in with_evidence:
        last, ago = _last_words(row, spot, request.moment)
        table.append(
            {
                "row": row,
                "name": row.species.name.capitalize(),
                "counts": grade_counts(row),
                "last": last,
                "ago": ago,
                "moved": moved_words(row, looks, units),
                "narrowing": narrowing_words(row),
            }
        )
    seasons = [season_of(row, units) for row in with_evidence]
    position = position_of(spot)
    refit = current_refit() if request.viewer.is_member else None
    context = {
        "water": water,
        "spot": spot,
        "facts": _facts(spot, units),
        "place": _spot_context(spot, units),
        "table": table,
        "others": others,
        "moved": [entry for entry in table if entry["moved"] or entry["narrowing"]],
        # Nothing is known here yet: what would tell most of the likeliest species.
        "first_looks": narrowing_words(rows[0]) if in_full and rows and not table else "",
        "ribbons": [(entry["name"], figure_months(entry["row"])) for entry in table],
        "seasons": seasons,
        "has_bands": any(season.bands for season in seasons),
        "has_catch": any(season.catch for season in seasons),
        "not_caught": [season for season in seasons if season.catch and not season.catch.caught],
        "has_places": any(season.places for season in seasons),
        "month": local_month(water, request.moment),
        "evidence": evidence_rows(shown, units, request.moment),
        "looks": len(looks),
        "tries": any(look.presentations.all() for look in looks),
        "in_full": in_full,
        "may_log": in_full,
        "may_edit": spot.owned,
        "may_share": spot.owned and bool(shared_by_viewer([spot.id])),
        "twins": twins(spot),
        "held_back": held_back(int(spot.held)),
        "scope": with_evidence[0].scope.partition(":")[0] if with_evidence else "",
        "as_of": rows[0].as_of if rows else None,
        "computed_at": rows[0].computed_at if rows else None,
        "refit": refit,
        "come_back": come_back_words(spot.come_back, units),
        "level_now": level_now_words(water.pk, spot.come_back, request.moment, units),
        "position": position,
        "map": minimap(spot, water, units),
        "chart_url": f"/api/waters/{water.id}/chart/",
        "thin": not rows and not spot.is_exact,
    }
    return render(request, "spots/sheet.html", context)
