"""Forms for a spot and a water. Units are the reader's own; what is cleaned is SI."""

from typing import Any

from django import forms
from django.contrib.gis.geos import Point

from club.models import Level, Team
from club.units import Units
from club.viewer import Viewer
from spots.files.coordinates import parse_position
from spots.models import Sheet, Term, Water
from spots.services import CLUB

MEMBERS_SEE = [
    ("hidden", "nothing"),
    ("water", "the water only"),
    ("area", "a zone"),
    ("exact", "the exact place"),
]
LEVEL_OF = {"hidden": Level.HIDDEN, "water": Level.WATER, "area": Level.AREA, "exact": Level.EXACT}


def scope_choices(viewer: Viewer) -> list[tuple[str, str]]:
    """Return whose a new spot can be: one's own, a team's, the club's."""
    own = [(f"member:{viewer.member_id}", "only you")]
    teams = Team.objects.filter(pk__in=viewer.team_ids).order_by("name")
    return own + [(f"team:{team.pk}", team.name) for team in teams] + [(CLUB, "the club")]


def terms(kind: str) -> list[tuple[str, str]]:
    return [("", "not said"), *((term.name, term.name) for term in Term.objects.filter(kind=kind))]


class SpotForm(forms.Form):
    """A new or changed spot."""

    water = forms.ModelChoiceField(Water.objects.all(), empty_label=None)
    name = forms.CharField(max_length=80, help_text="Only those who may see the exact place read it.")
    position = forms.CharField(
        required=False,
        max_length=80,
        label="Position",
        help_text="Latitude and longitude, as 45.1234, -93.4567 or 45° 7.404' N 93° 27.402' W."
        " It can stay in your plotter.",
    )
    scope = forms.ChoiceField(label="Whose is it", widget=forms.RadioSelect)
    members_see = forms.ChoiceField(
        label="Other members see", choices=MEMBERS_SEE, widget=forms.RadioSelect, required=False
    )
    cover = forms.ChoiceField(required=False)
    structure = forms.ChoiceField(required=False)
    depth_min = forms.FloatField(required=False, min_value=-20, max_value=1500, label="Depth, from")
    depth_max = forms.FloatField(required=False, min_value=-20, max_value=1500, label="to")
    alias = forms.CharField(
        required=False,
        max_length=80,
        help_text="What others call it who may not see the place. Empty: a neutral number.",
    )
    provenance = forms.ChoiceField(choices=Sheet.Provenance.choices, initial=Sheet.Provenance.FOUND)
    placed_on = forms.DateField(required=False, widget=forms.DateInput(attrs={"type": "date"}))
    permission = forms.CharField(
        required=False,
        max_length=200,
        label="Permission",
        help_text="Placing brush needs the water owner's permission: its reference.",
    )
    notes = forms.CharField(required=False, widget=forms.Textarea(attrs={"rows": 3}), max_length=4000)

    def __init__(self, *args: Any, viewer: Viewer, units: Units, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.units = units
        self._fill("scope", scope_choices(viewer))
        self._fill("cover", terms(Term.Kind.COVER))
        self._fill("structure", terms(Term.Kind.STRUCTURE))
        self.fields["depth_min"].help_text = f"{units.depth_name.capitalize()} below full pool."
        if not self.is_bound and "scope" not in self.initial:
            self.initial["scope"] = CLUB if viewer.is_organiser else f"member:{viewer.member_id}"
            self.initial["members_see"] = "hidden"

    def _fill(self, name: str, choices: list[tuple[str, str]]) -> None:
        field = self.fields[name]
        assert isinstance(field, forms.ChoiceField)  # noqa: S101
        field.choices = choices

    def clean_position(self) -> Point | None:
        text = self.cleaned_data["position"].strip()
        if not text:
            return None
        latitude, longitude = parse_position(text)
        return Point(longitude, latitude, srid=4326)

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        low, high = data.get("depth_min"), data.get("depth_max")
        if low is not None and high is not None and low > high:
            self.add_error("depth_max", f"{high:g} is less than {low:g}: the deeper end comes second.")
        return data

    def grants(self) -> tuple[tuple[str, int | None], ...] | None:
        """Return what other members see: for a club spot the club's own policy (None)."""
        if self.cleaned_data["scope"] == CLUB:
            return None
        level = LEVEL_OF[self.cleaned_data["members_see"] or "hidden"]
        return (("members", level),) if level else ()


class WaterForm(forms.ModelForm):  # type: ignore[type-arg]
    """A water's particulars; its outline comes by the import page."""

    rules_url = forms.URLField(required=False, assume_scheme="https", label="The local authority's rules")

    class Meta:
        model = Water
        fields = ["name", "time_zone", "full_pool_m", "rules_url"]
        labels = {"time_zone": "Time zone", "full_pool_m": "Full pool, metres above the level datum"}
        help_texts = {"time_zone": "Like America/Chicago."}
