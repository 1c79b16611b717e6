"""A look at a place that is no spot yet: a private spot is made where the member is, or where they point."""

import uuid
from datetime import datetime
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.contrib.gis.geos import Point
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.http import HttpResponseBase, JsonResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from club.access import members_only
from club.keyed import keyed_id
from club.units import Units
from club.viewer import ViewedRequest, Viewer
from observations.log_fields import Measured, MeasureField, depth_of, plain
from observations.models import Method
from spots.bearings import FURTHEST_M, Sighting
from spots.files.coordinates import parse_position
from spots.files.places import water_at
from spots.models import Position, Spot, Water
from spots.services import SpotDraft, check_on_earth, create_spot

HERE, BEARING = "here", "bearing"


class HereForm(forms.Form):
    """A point here, or the boat's position with bearing and range to the target."""

    id = forms.UUIDField(error_messages={"required": "The page lost its number: open it again."})
    how = forms.ChoiceField(
        choices=((HERE, "A point here"), (BEARING, "Seen from the boat")), initial=HERE, required=False
    )
    position = forms.CharField(
        max_length=80, label="Position", error_messages={"required": "Give a position."}
    )
    # What the receiver said of its fix, and the position that it said it of: nothing is known of one typed over it.
    accuracy = forms.FloatField(required=False, min_value=0, max_value=100_000)
    fixed = forms.CharField(required=False, max_length=80)
    name = forms.CharField(required=False, max_length=80, label="Name")
    method = forms.ChoiceField(choices=[("", ""), *Method.choices], required=False)

    def __init__(self, units: Units, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.fields["bearing"] = MeasureField(plain("°"), 0, 360, label="Bearing from true north")
        self.fields["range"] = MeasureField(depth_of(units), 0, FURTHEST_M, label="Range")

    def clean_position(self) -> Point:
        latitude, longitude = parse_position(self.cleaned_data["position"])
        point = Point(longitude, latitude, srid=4326)
        check_on_earth(point)
        return point

    def clean(self) -> dict[str, object]:
        data: dict[str, object] = super().clean() or {}
        if data.get("how") == BEARING:
            for name, words in (
                ("bearing", "the bearing to the target"),
                ("range", "the range to the target"),
            ):
                if data.get(name) is None and name not in self.errors:
                    self.add_error(name, f"Give {words}, or choose a point here.")
        return data

    def sighting(self) -> Sighting | None:
        data = self.cleaned_data
        if data.get("how") != BEARING:
            return None
        bearing: Measured = data["bearing"]
        distance: Measured = data["range"]
        return Sighting(data["position"], bearing.si, distance.si)

    def draft(self, viewer: Viewer, moment: datetime) -> SpotDraft:
        """Return the private spot. Raises ValidationError naming the field where it lies on no water."""
        data, sighting = self.cleaned_data, self.sighting()
        typed = self.data.get("position", "").strip()
        fixed = bool(typed) and typed == data.get("fixed", "").strip()
        fix_m: float | None = data.get("accuracy") if fixed else None
        point: Point = data["position"]
        source = Position.Source.PHONE if fixed else Position.Source.TYPED
        error = fix_m
        if sighting:
            point, source = sighting.target(), Position.Source.BEARING
            error = sighting.error_m(fix_m)
            typed = f"{typed}; {data['bearing'].typed}°, {data['range'].typed} {data['range'].unit}"
        water = water_at(point)
        return SpotDraft(
            id=spot_id_of(viewer, data["id"]),
            water=water,
            name=data.get("name", "").strip() or default_name(water, moment),
            scope=f"member:{viewer.member_id}",
            point=point,
            typed=typed if len(typed) <= 80 else "",
            source=source,
            error_m=None if error is None else round(error, 1),
            sighting=sighting,
            grants=(),
        )


def spot_id_of(viewer: Viewer, page: uuid.UUID) -> uuid.UUID:
    """Return the id of the spot that a page's number makes: each member's own, so that none meets another's."""
    return keyed_id("tallow.here", f"{viewer.member_id} {page}")


def default_name(water: Water, moment: datetime) -> str:
    """`Point, 25 Nov 2026 14:05`, by the water's clock."""
    at = moment.astimezone(ZoneInfo(water.time_zone))
    return f"Point, {at.day} {at:%b %Y %H:%M}"


@members_only
@require_http_methods(["GET", "HEAD", "POST"])
def here(request: ViewedRequest) -> HttpResponseBase:
    """Make a private spot here, or where the boat sees a target, and go on to log at it.

    The page has a number of its own, so that a post sent again is the same spot.
    """
    units = Units.of(request.member)
    how = BEARING if request.GET.get("how") == BEARING else HERE
    initial = {"id": uuid.uuid4(), "how": how, "method": request.GET.get("method", "")}
    form = HereForm(units, request.POST or None, initial=initial)
    if request.method == "POST":
        if form.is_valid():
            made = spot_id_of(request.viewer, form.cleaned_data["id"])
            if Spot.objects.filter(pk=made).exists() or _made(request, form):
                return _log_at(request, form)
        if request.headers.get("Accept") == "application/json":
            return JsonResponse({"errors": form.errors}, status=422)
    context = {"form": form, "units": units, "how": form["how"].value() or HERE}
    return render(request, "log/here.html", context, status=422 if form.errors else 200)


def _made(request: ViewedRequest, form: HereForm) -> bool:
    """Save the spot; False after telling the form why not."""
    try:
        with transaction.atomic():
            _, warnings = create_spot(
                form.draft(request.viewer, request.moment), request.viewer, request.moment
            )
    except IntegrityError:
        # The same page, sent again before the first answer: it waited here until that one stood.
        if Spot.objects.filter(pk=spot_id_of(request.viewer, form.cleaned_data["id"])).exists():
            return True
        form.add_error("position", "This page's number is already in use: open the page again.")
        return False
    except ValidationError as error:
        details = error.message_dict if hasattr(error, "error_dict") else {"position": error.messages}
        for name, told in details.items():
            for message in told:
                form.add_error(name if name in form.fields else "position", message)
        return False
    for warning in warnings:
        messages.warning(request, warning)
    return True


def _log_at(request: ViewedRequest, form: HereForm) -> HttpResponseBase:
    method = form.cleaned_data.get("method")
    url = f"/log/?spot={spot_id_of(request.viewer, form.cleaned_data['id'])}" + (
        f"&method={method}" if method else ""
    )
    if request.headers.get("Accept") == "application/json":
        return JsonResponse({"url": url})
    return redirect(url)
