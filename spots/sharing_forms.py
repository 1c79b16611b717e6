"""Forms of the sharing desk: who sees a spot, how exactly, from when and until when."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.core.exceptions import ValidationError

from club.models import LADDER_HA, AudiencePolicy, Club, Level
from spots.granting import EVERYBODY, Sight
from spots.sharing import audience_names

DEFAULT = "default"
HOW = [
    ("", "choose"),
    (DEFAULT, "as the club’s default"),
    ("0", "nothing"),
    ("1", "the water only"),
    ("2", "a zone"),
    ("3", "the exact place"),
]
_TYPED = ("%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S")


def local_moment(value: datetime | None, zone: str) -> datetime | None:
    """Return what was typed on a water's clock as a moment. Refuses the hour that a clock change leaves out."""
    if value is None:
        return None
    # Django's field takes what was typed for its own time zone.
    value = value.replace(tzinfo=None)
    at = value.replace(tzinfo=ZoneInfo(zone))
    if at.astimezone(ZoneInfo("UTC")).astimezone(ZoneInfo(zone)).replace(tzinfo=None) != value:
        raise ValidationError(f"{value:%H:%M} does not exist on that day: the clocks go forward.")
    return at


class SightForm(forms.Form):
    """One audience's sight. An empty row is nothing."""

    audience = forms.ChoiceField(label="Who", required=False)
    how = forms.ChoiceField(label="How exactly", choices=HOW, required=False)
    starts = forms.DateTimeField(
        label="From",
        required=False,
        input_formats=_TYPED,
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        error_messages={"invalid": "Write a day and time like 2026-06-01 07:00."},
    )
    ends = forms.DateTimeField(
        label="Until",
        required=False,
        input_formats=_TYPED,
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        error_messages={"invalid": "Write a day and time like 2026-06-01 07:00."},
    )

    def __init__(
        self, *args: Any, zone: str, names: dict[str, str] | None = None, owner: str = "", **kwargs: Any
    ) -> None:
        super().__init__(*args, **{"label_suffix": "", **kwargs})
        self.zone = zone
        choices = [*EVERYBODY.items(), *(audience_names() if names is None else names).items()]
        field = self.fields["audience"]
        assert isinstance(field, forms.ChoiceField)  # noqa: S101
        field.choices = [("", "nobody"), *((key, name) for key, name in choices if key != owner)]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("audience") and not data.get("how"):
            self.add_error("how", "Say how exactly.")
        for name in ("starts", "ends"):
            try:
                data[name] = local_moment(data.get(name), self.zone)
            except ValidationError as error:
                self.add_error(name, error)
        if data.get("starts") and data.get("ends") and data["starts"] >= data["ends"]:
            self.add_error("ends", "The end must come after the start.")
        if data.get("how") == DEFAULT and data.get("audience") not in (*EVERYBODY, "", None):
            self.add_error("how", "The club has no default for a team or one member.")
        return data

    def sight(self) -> Sight | None:
        """Return the sight that a valid form says, or None for an empty row."""
        data = self.cleaned_data
        if not data.get("audience"):
            return None
        level = None if data["how"] == DEFAULT else int(data["how"])
        return Sight(data["audience"], level, data.get("starts"), data.get("ends"))


def initial_of(sight: Sight, zone: str) -> dict[str, Any]:
    """Return a sight as the form shows it, on the water's clock."""

    def local(at: datetime | None) -> datetime | None:
        return at.astimezone(ZoneInfo(zone)).replace(tzinfo=None) if at else None

    return {
        "audience": sight.audience,
        "how": DEFAULT if sight.level is None else str(sight.level),
        "starts": local(sight.starts_at),
        "ends": local(sight.ends_at),
    }


class PolicyForm(forms.Form):
    """The club's policy for the three audiences of everybody, and how fast a boat searches."""

    search_ha_per_hour = forms.FloatField(
        label="Hectares that side-scan searches in an hour",
        min_value=0.5,
        max_value=500,
        help_text="A 40 m swath at 5 km/h makes 20. Hours on these pages are hectares by this.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{"label_suffix": "", **kwargs})
        levels = [(level.value, words) for level, words in zip(Level, HOW_WORDS, strict=True)]
        for audience in EVERYBODY:
            self.fields[f"{audience}_default"] = forms.TypedChoiceField(
                label="Unless an owner says otherwise", choices=levels, coerce=int
            )
            self.fields[f"{audience}_ceiling"] = forms.TypedChoiceField(
                label="At most, whatever an owner says", choices=levels, coerce=int
            )
            self.fields[f"{audience}_minimum"] = forms.TypedChoiceField(
                label="A zone holds at least", choices=[(ha, f"{ha} ha") for ha in LADDER_HA], coerce=int
            )

    def rows(self) -> list[dict[str, Any]]:
        """Return the fields of each audience, for the template."""
        return [
            {
                "name": name,
                "fields": [self[f"{audience}_{part}"] for part in ("default", "ceiling", "minimum")],
            }
            for audience, name in EVERYBODY.items()
        ]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        for audience in EVERYBODY:
            default, ceiling = data.get(f"{audience}_default"), data.get(f"{audience}_ceiling")
            if default is not None and ceiling is not None and default > ceiling:
                self.add_error(f"{audience}_default", "This is wider than the ceiling beside it.")
        return data

    def policies(self) -> list[AudiencePolicy]:
        data = self.cleaned_data
        return [
            AudiencePolicy(
                audience=audience,
                default_level=data[f"{audience}_default"],
                ceiling_level=data[f"{audience}_ceiling"],
                minimum_ha=data[f"{audience}_minimum"],
            )
            for audience in EVERYBODY
        ]


HOW_WORDS = ("nothing", "the water only", "a zone", "the exact place")


def policy_initial(club: Club) -> dict[str, Any]:
    out: dict[str, Any] = {"search_ha_per_hour": club.search_ha_per_hour}
    for policy in AudiencePolicy.objects.filter(audience__in=EVERYBODY):
        out[f"{policy.audience}_default"] = policy.default_level
        out[f"{policy.audience}_ceiling"] = policy.ceiling_level
        out[f"{policy.audience}_minimum"] = policy.minimum_ha
    return out


def rung_for(hours: float, ha_per_hour: float) -> int:
    """Return the least minimum of the ladder that takes at least these hours to search."""
    return next((ha for ha in LADDER_HA if ha >= hours * ha_per_hour), LADDER_HA[-1])
