"""What the log page starts with: what the address says, and what the trip's last look carried."""

import uuid
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from club.units import Units
from observations.log_fields import depth_of, said, temperature_of
from observations.log_forms import WINDS, Offer
from observations.models import PROVING, Finding, Method, Observation
from spots.models import Spot


def initial_of(
    query: Mapping[str, str], spot: Spot, last: Observation | None, offer: Offer, moment: datetime
) -> dict[str, Any]:
    """Return the first values of the page's fields.

    `method` and `settles` may come with the address ("prove it"). Conditions are carried on from the trip's
    last look, on the same water only.
    """
    initial: dict[str, Any] = {"look": str(uuid.uuid4()), "spot": str(spot.pk), "lines": "1"}
    for name in ("response", "platform", "clarity", "wind", "wind_from", "sky"):
        initial[name] = ""
    scopes = [key for key, _ in offer.scopes]
    initial["scope"] = spot.scope if spot.scope in scopes else scopes[-1]
    initial["f0"] = {"tie": Finding.Tie.COVER}
    method = query.get("method", "")
    if method in Method.values:
        initial["method"] = method
    elif last:
        initial["method"] = last.method
    groups = [str(group.pk) for group in offer.settles]
    if query.get("settles") in groups:
        initial["settles"] = query["settles"]
    elif len(groups) == 1:
        initial["settles"] = groups[0]
    if last:
        initial["platform"] = last.platform
    if last and last.spot_id and _water_of(last) == spot.water_id:
        initial |= conditions_of(last, offer.units)
        initial["carried_from"] = last.started_at
    if (
        last
        and initial.get("method") == last.method
        and last.method in PROVING
        and last.rod_hours
        and last.minutes
    ):
        initial["lines"] = str(max(1, round(last.rod_hours * 60 / last.minutes)))
    return initial


def _water_of(look: Observation) -> uuid.UUID | None:
    return Spot.objects.filter(pk=look.spot_id).values_list("water_id", flat=True).first()


def conditions_of(last: Observation, units: Units) -> dict[str, str]:
    """Return a look's conditions for a form: as typed where the unit is still the member's, else converted."""
    depth, temperature = depth_of(units), temperature_of(units)
    typed = last.settings.get("typed", {})
    out: dict[str, str] = {}
    for name, value, quantity in (
        ("water_temp", last.water_temp_c, temperature),
        ("water_temp_depth", last.water_temp_depth_m, depth),
        ("secchi", last.secchi_m, depth),
        ("pool_level", last.pool_level_m, depth),
    ):
        if value is None:
            continue
        before = typed.get(name)
        out[name] = (
            before[0] if before and before[1] == quantity.unit else said(round(quantity.from_si(value), 1))
        )
    if last.wind_m_s is not None:
        out["wind"] = next((key for key, _ in WINDS if abs(float(key) - last.wind_m_s) < 0.01), "")
    if last.wind_from_deg is not None and last.wind_from_deg % 45 == 0:
        out["wind_from"] = str(last.wind_from_deg % 360)
    out["clarity"], out["sky"] = last.clarity, last.sky
    return out
