"""The shapes of looks, trips and species in the API. One declared shape for reading and for writing."""

import math
from datetime import datetime, timedelta
from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from club.api_parts import LocalTimeField, Strict, local_time
from club.models import Member
from observations.debrief_models import Track
from observations.editing import look_version
from observations.models import (
    Call,
    EchoGroup,
    Finding,
    Method,
    Observation,
    Platform,
    Presentation,
    Species,
    Trip,
)

_LONG_TEXT = 4000
_SETTINGS = 40


class SpeciesShape(serializers.ModelSerializer[Species]):
    """A node of the species tree. A wider kind can be called but never proved."""

    class Meta:
        model = Species
        fields = ["code", "name", "scientific_name", "parent", "is_wider", "max_length_mm"]
        read_only_fields = fields


class MemberShape(serializers.ModelSerializer[Member]):
    name = serializers.CharField(source="shown_name", read_only=True)

    class Meta:
        model = Member
        fields = ["id", "name"]


class CallShape(Strict):
    """What the observer says a group is: sealed when saved, never edited."""

    species = serializers.CharField(
        source="species_id", max_length=40, help_text="Code of a species or wider kind, or `not-fish`."
    )
    probability = serializers.FloatField(required=False, allow_null=True, help_text="Above 0, at most 1.")
    size = serializers.ChoiceField(Call.Size.choices, required=False, allow_blank=True)
    sealed_at = serializers.DateTimeField(read_only=True)
    seal = serializers.ChoiceField(Call.Seal.choices, read_only=True)
    withdrawn_at = serializers.DateTimeField(read_only=True, allow_null=True)


class GroupShape(Strict):
    """One group of echoes. Give `count` or `band`; 0 or `none` says: looked, and saw none."""

    id = serializers.UUIDField(required=False)
    count = serializers.IntegerField(required=False, allow_null=True)
    band = serializers.ChoiceField(EchoGroup.Band.choices, required=False)
    placement = serializers.ChoiceField(EchoGroup.Placement.choices, required=False, allow_blank=True)
    depth_m = serializers.FloatField(required=False, allow_null=True)
    call = CallShape(required=False, allow_null=True)


class FindingShape(Strict):
    """A species seen on camera or landed, and the group that it settles.

    Without `settles` that is the group of the visit's latest earlier sonar look of the same observer, if it
    has one only.
    """

    id = serializers.UUIDField(required=False)
    species = serializers.CharField(source="species_id", max_length=40, help_text="Code of a species.")
    count = serializers.IntegerField(required=False)
    lengths_mm = serializers.ListField(
        child=serializers.IntegerField(max_value=100_000), required=False, max_length=500
    )
    fate = serializers.ChoiceField(Finding.Fate.choices, required=False, allow_blank=True)
    depth_m = serializers.FloatField(required=False, allow_null=True, min_value=0, max_value=500)
    tie = serializers.ChoiceField(Finding.Tie.choices, required=False)
    settles = serializers.UUIDField(source="settles_id", required=False, allow_null=True)
    grade = serializers.SerializerMethodField()
    verified_at = serializers.DateTimeField(read_only=True, allow_null=True)
    corrected_species = serializers.CharField(source="corrected_species_id", read_only=True, allow_null=True)

    def validate_depth_m(self, value: float | None) -> float | None:
        return _finite(value)

    @extend_schema_field(serializers.ChoiceField(["seen", "landed", "verified"]))
    def get_grade(self, finding: Finding) -> str:
        if finding.verified_at:
            return "verified"
        return "landed" if finding.look.method == Method.ROD else "seen"


class PresentationShape(Strict):
    """What was put in front of the fish, for how long, and the response."""

    what = serializers.CharField(max_length=120)
    minutes = serializers.FloatField(required=False, allow_null=True, min_value=0, max_value=1440)
    response = serializers.ChoiceField(Presentation.Response.choices, required=False, allow_blank=True)

    def validate_minutes(self, value: float | None) -> float | None:
        return _finite(value)


class ConditionsShape(Strict):
    """Water, wind and sky. Metres, degrees Celsius, metres a second."""

    secchi_m = serializers.FloatField(required=False, allow_null=True)
    clarity = serializers.ChoiceField(Observation.Clarity.choices, required=False, allow_blank=True)
    water_temp_c = serializers.FloatField(required=False, allow_null=True)
    water_temp_depth_m = serializers.FloatField(required=False, allow_null=True)
    pool_level_m = serializers.FloatField(
        required=False, allow_null=True, help_text="Relative to full pool: below it is negative."
    )
    wind_m_s = serializers.FloatField(required=False, allow_null=True)
    wind_from_deg = serializers.IntegerField(required=False, allow_null=True, min_value=0, max_value=360)
    sky = serializers.CharField(required=False, allow_blank=True, max_length=40)


class LookShape(Strict):
    """One look with all that belongs to it."""

    id = serializers.UUIDField(
        required=False, help_text="Made by the client, so that a look sent again is the same look."
    )
    spot = serializers.UUIDField(source="spot_id")
    observer = MemberShape(read_only=True)
    method = serializers.ChoiceField(Method.choices)
    started_at = LocalTimeField(help_text="ISO 8601 with offset. The offset is kept.")
    platform = serializers.ChoiceField(
        Platform.choices, required=False, allow_blank=True, help_text="What the observer stood or floated on."
    )
    minutes = serializers.FloatField(required=False, allow_null=True)
    rod_hours = serializers.FloatField(required=False, allow_null=True)
    settings = serializers.DictField(
        required=False,
        help_text="Names with a text, a number, yes or no each. `small_filtered`: whether a sonar was set so that small"
        " returns do not show; a bare screen then counts for less.",
    )
    conditions = ConditionsShape(source="*", required=False)
    groups: Any = serializers.ListSerializer(child=GroupShape(), required=False, max_length=50)
    findings: Any = serializers.ListSerializer(child=FindingShape(), required=False, max_length=100)
    presentations: Any = serializers.ListSerializer(child=PresentationShape(), required=False, max_length=100)
    note = serializers.CharField(required=False, allow_blank=True, max_length=_LONG_TEXT)
    trip = serializers.UUIDField(
        source="trip_id", required=False, allow_null=True, help_text="One of your own. Only you are shown it."
    )
    scope = serializers.CharField(
        required=False,
        max_length=50,
        help_text="Whose evidence it is: `club`, `team:<id>` or `member:<id>`. Default: the spot's own.",
    )
    source = serializers.ChoiceField(  # type: ignore[assignment]
        Observation.Source.choices, read_only=True
    )
    device_sealed_at = serializers.DateTimeField(
        required=False,
        allow_null=True,
        help_text="Logged without signal: when the device sealed it, put right by `clock_offset_s`. Its calls are"
        " then `device`-sealed, and scored apart as well as with those that the server saw arrive.",
    )
    clock_offset_s = serializers.FloatField(
        required=False,
        allow_null=True,
        help_text="How many seconds the device's clock was ahead of the server's `Date`.",
    )
    random_check = serializers.BooleanField(read_only=True)
    version = serializers.SerializerMethodField(
        help_text="Of what can be changed (`platform`, `conditions`, `note`): send it with a change as `If-Match`."
    )
    received_at = serializers.DateTimeField(read_only=True)
    withdrawn_at = serializers.DateTimeField(read_only=True, allow_null=True)

    def get_version(self, look: Observation) -> str:
        return look_version(look)

    def validate_settings(self, value: dict[str, Any]) -> dict[str, Any]:
        if len(value) > _SETTINGS:
            raise serializers.ValidationError(f"{len(value)} settings; at most {_SETTINGS}.")
        for name, setting in value.items():
            plain = isinstance(setting, str | int | float | bool)
            if not plain or (isinstance(setting, int | float) and not abs(setting) < 1e15):
                raise serializers.ValidationError(f'"{name[:40]}" is not a text, a number, yes or no.')
            if len(name) > 60 or len(str(setting)) > 200 or "\0" in name + str(setting):
                raise serializers.ValidationError(f'"{name[:40]}" is too long or holds a NUL.')
        return value

    def to_representation(self, instance: Observation) -> dict[str, Any]:
        shown: dict[str, Any] = super().to_representation(instance)
        shown["started_at"] = local_time(instance.started_at, instance.utc_offset_min).isoformat()
        # What the log page keeps to give back as it was typed is not a setting of the method.
        shown["settings"] = {name: value for name, value in shown["settings"].items() if name != "typed"}
        if self.context.get("member_id") != instance.observer_id:
            shown["trip"] = None
        return shown


class TrackShape(serializers.ModelSerializer[Track]):
    """What the trip's track tells: seconds of each kind, and metres. Its points are at `/debrief/<id>/track.gpx`."""

    class Meta:
        model = Track
        fields = (
            "started_at", "ended_at", "fixes", "running_s", "searching_s", "fishing_s", "stopped_s", "gap_s", "metres",
        )  # fmt: skip
        read_only_fields = fields


class TripShape(Strict):
    """Time on a water. Yours alone."""

    id = serializers.UUIDField(required=False, help_text="Made by the client.")
    water = serializers.UUIDField(source="water_id")
    started_at = serializers.DateTimeField()
    ended_at = serializers.DateTimeField(required=False, allow_null=True)
    note = serializers.CharField(required=False, allow_blank=True, max_length=_LONG_TEXT)
    track = serializers.SerializerMethodField(help_text="None until a debrief brings one.")

    @extend_schema_field(TrackShape(allow_null=True))
    def get_track(self, trip: Trip) -> dict[str, Any] | None:
        track = getattr(trip, "track", None)
        return dict(TrackShape(track).data) if track else None

    def validate_started_at(self, value: datetime) -> datetime:
        if value.year < 1950:
            raise serializers.ValidationError("This is before 1950.")
        return value

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        ended = attrs.get("ended_at")
        if ended and ended < attrs["started_at"]:
            raise serializers.ValidationError({"ended_at": ["A trip ends after its start."]})
        if ended and ended - attrs["started_at"] > timedelta(days=31):
            raise serializers.ValidationError({"ended_at": ["A trip of more than a month is a slip."]})
        return attrs


class FindingOut(FindingShape):
    """A finding with the look and the spot that it belongs to."""

    look = serializers.UUIDField(source="look_id", read_only=True)
    spot = serializers.UUIDField(source="look.spot_id", read_only=True)
    observer = MemberShape(read_only=True)
    started_at = serializers.SerializerMethodField()

    def get_started_at(self, finding: Finding) -> datetime:
        return local_time(finding.look.started_at, finding.look.utc_offset_min)


def _finite(value: float | None) -> float | None:
    if value is not None and not math.isfinite(value):
        raise serializers.ValidationError("This is not a number.")
    return value
