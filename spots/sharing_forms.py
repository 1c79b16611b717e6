"""Forms of the sharing desk: who sees a spot, how exactly, from when and until when."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.core.exceptions import ValidationError

from club.clock import LocalTime, on_clock
from club.models import LADDER_HA, AudiencePolicy, Club, Level
from spots.granting import EVERYBODY, Sight
from spots.sharing import HOW_WORDS
from spots.sharing_policy import check_policy

DEFAULT, TAKE = "default", "take"
HOW = [
    ("", "choose"),
    (DEFAULT, "as the club’s default"),
    *((str(n), words) for n, words in enumerate(HOW_WORDS)),
]


class SightForm(forms.Form):
    """One audience's sight. An empty row is nothing. Times are on the clock of the water of the spot."""

    audience = forms.ChoiceField(label="Who", required=False)
    how = forms.ChoiceField(label="How exactly", choices=HOW, required=False)
    starts = LocalTime(label="From", required=False)
    ends = LocalTime(label="Until", required=False)

    def __init__(self, *args: Any, names: Mapping[str, str], owner: str = "", **kwargs: Any) -> None:
        super().__init__(*args, **{"label_suffix": "", **kwargs})
        choices = [*EVERYBODY.items(), *names.items()]
        field = self.fields["audience"]
        assert isinstance(field, forms.ChoiceField)  # noqa: S101
        field.choices = [("", "nobody"), *((key, name) for key, name in choices if key != owner)]

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        audience, how = data.get("audience"), data.get("how")
        if audience and not how and "how" not in self.errors:
            self.add_error("how", "Say how exactly.")
        if audience and audience not in EVERYBODY and how == DEFAULT:
            self.add_error("how", "The club has no default for a team or one member.")
        starts, ends = data.get("starts"), data.get("ends")
        if starts and ends and starts >= ends:
            self.add_error("ends", "The end must come after the start.")
        return data

    def sight(self, zone: str) -> Sight | None:
        """Return the sight that a valid form says on the clock of `zone`; None for an empty row.

        A time that this clock skips, or shows twice, is an error of the form, and None.
        """
        data = self.cleaned_data
        if not data.get("audience"):
            return None
        times: dict[str, datetime | None] = {}
        for name in ("starts", "ends"):
            try:
                times[name] = on_clock(data[name], ZoneInfo(zone)) if data.get(name) else None
            except ValidationError as error:
                self.add_error(name, error)
                return None
        level = None if data["how"] == DEFAULT else int(data["how"])
        return Sight(data["audience"], level, times["starts"], times["ends"])


class ManyForm(SightForm):
    """One audience's sight of many spots; it can be taken away too."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["audience"].widget.choices[0] = ("", "choose")
        how = self.fields["how"]
        assert isinstance(how, forms.ChoiceField)  # noqa: S101
        how.choices = [*HOW, (TAKE, "take away what they were given")]

    def clean(self) -> dict[str, Any]:
        data = super().clean()
        if not data.get("audience") and "audience" not in self.errors:
            self.add_error("audience", "Choose who.")
        if data.get("how") == TAKE and (data.get("starts") or data.get("ends")):
            self.add_error("how", "What is taken away is gone at once; leave the times empty.")
        return data

    @property
    def takes(self) -> bool:
        return bool(self.cleaned_data.get("how") == TAKE)


class TryForm(forms.Form):
    """Whom else, and when, to see a spot as."""

    see_as = forms.ChoiceField(label="See it also as", required=False)
    on = LocalTime(label="As it would be on", required=False)

    def __init__(self, *args: Any, names: Mapping[str, str], owner: str = "", **kwargs: Any) -> None:
        super().__init__(*args, **{"label_suffix": "", **kwargs})
        field = self.fields["see_as"]
        assert isinstance(field, forms.ChoiceField)  # noqa: S101
        field.choices = [("", "nobody else"), *((key, name) for key, name in names.items() if key != owner)]
        self.fields["on"].help_text = "Empty: now."

    @property
    def audience(self) -> str:
        return str(self.cleaned_data.get("see_as") or "") if self.is_bound and self.is_valid() else ""


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
        help_text="A 40 m swath at 5 km/h makes 20. Hours on these pages are hectares divided by this.",
    )

    def __init__(self, *args: Any, ha_per_hour: float, **kwargs: Any) -> None:
        super().__init__(*args, **{"label_suffix": "", **kwargs})
        levels = [(level.value, words) for level, words in zip(Level, HOW_WORDS, strict=True)]
        rungs = [(ha, f"{ha} ha, {ha / ha_per_hour:.3g} h") for ha in LADDER_HA]
        for audience in EVERYBODY:
            for part, label, choices in (
                ("default", "Unless an owner says otherwise", levels),
                ("ceiling", "At most, whatever an owner says", levels),
                ("minimum", "A zone holds at least", rungs),
            ):
                self.fields[f"{audience}_{part}"] = forms.TypedChoiceField(
                    label=label, choices=choices, coerce=int
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
        data: dict[str, Any] = super().clean() or {}
        if not self.errors:
            try:
                check_policy(self.policies())
            except ValidationError as error:
                self.add_error(None, error)
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


def policy_initial(club: Club) -> dict[str, Any]:
    out: dict[str, Any] = {"search_ha_per_hour": club.search_ha_per_hour}
    for policy in AudiencePolicy.objects.filter(audience__in=EVERYBODY):
        out[f"{policy.audience}_default"] = policy.default_level
        out[f"{policy.audience}_ceiling"] = policy.ceiling_level
        out[f"{policy.audience}_minimum"] = policy.minimum_ha
    return out
