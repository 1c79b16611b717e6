"""The form of the log page: what is typed about one look, and the draft it makes.

Only what the chosen method needs is read; what the page hides is ignored. Every message names the field's
value and the rule.
"""

from dataclasses import dataclass
from typing import Any, ClassVar

from django import forms
from django.core.exceptions import ValidationError

from club.units import Units
from observations.camera_check_models import CameraCheck
from observations.log_fields import (
    LengthsField,
    LocalTimeField,
    Measured,
    MeasureField,
    depth_of,
    fish_length_of,
    plain,
    said,
    temperature_of,
)
from observations.models import (
    PROVING,
    SONAR,
    EchoGroup,
    Finding,
    Method,
    Observation,
    Platform,
    Presentation,
    Species,
)

SHORT_METHODS = (
    (Method.SONAR_2D, "2D"),
    (Method.DOWN, "Down"),
    (Method.SIDE, "Side"),
    (Method.FORWARD, "Forward"),
    (Method.CAMERA, "Camera"),
    (Method.ROD, "Rod"),
    (Method.EYE, "By eye"),
)
# Wind by name, for who has no instrument: about the middle of each step of the Beaufort scale, in metres a
# second (its limits from memory).
WINDS = (("0.2", "calm"), ("3", "light"), ("6.7", "moderate"), ("9.4", "fresh"), ("12.3", "strong"))
WIND_FROM = tuple((str(n * 45), name) for n, name in enumerate(("N", "NE", "E", "SE", "S", "SW", "W", "NW")))
SKIES = tuple((name, name) for name in ("clear", "partly cloudy", "overcast", "rain", "fog"))
SURE = (("50", "50"), ("60", "60"), ("70", "70"), ("80", "80"), ("90", "90"), ("other", "other"))
UNSURE, NOT_FISH, OTHER = "unsure", "not-fish", "other"
GROUPS, FINDINGS = 3, 3


def _choice(choices: Any, label: str = "") -> forms.ChoiceField:
    """Return a field shown as a row of radio buttons; a value off the list is named in the message."""
    messages = {"invalid_choice": '"%(value)s" is not one of the choices.'}
    return forms.ChoiceField(choices=choices, label=label, required=False, error_messages=messages)


def with_blank(choices: Any, blank: str) -> list[tuple[Any, Any]]:
    return [("", blank), *choices]


@dataclass(frozen=True)
class Offer:
    """What a form may offer its member at its spot."""

    units: Units
    species: dict[str, Species]
    calls: list[Species]
    findings: list[Species]
    call_tree: list[tuple[str, list[tuple[str, str]]]]
    finding_tree: list[tuple[str, list[tuple[str, str]]]]
    scopes: list[tuple[str, str]]
    settles: list[EchoGroup]


def named_conditions(on: str) -> dict[str, forms.Field]:
    """Return the fields of what is chosen of platform and conditions; `on` is the label of the platform."""
    return {
        "platform": _choice(with_blank(Platform.choices, "not said"), on),
        "clarity": _choice(with_blank(Observation.Clarity.choices, "not said"), "Clarity"),
        "wind": _choice(with_blank(WINDS, "not said"), "Wind"),
        "wind_from": _choice(with_blank(WIND_FROM, "not said"), "Wind from"),
        "sky": _choice(with_blank(SKIES, "not said"), "Sky"),
    }


def measured_conditions(units: Units) -> dict[str, forms.Field]:
    """Return the fields of what is measured of the conditions, in the member's units."""
    depth, temperature = depth_of(units), temperature_of(units)
    return {
        "water_temp": MeasureField(temperature, -2, 45, label="Water"),
        "water_temp_depth": MeasureField(depth, 0, 500, label="Read at depth"),
        "secchi": MeasureField(depth, 0, 50, label="Disc seen to"),
        "pool_level": MeasureField(depth, -200, 50, label="Level from full pool"),
    }


class LookForm(forms.Form):
    """What is said once about a look."""

    look = forms.UUIDField(error_messages={"required": "The page lost its number: open it again."})
    spot = forms.UUIDField()
    at = forms.CharField(required=False, max_length=40)
    # What was said to the draw of the camera check before the look was sent.
    check = forms.ChoiceField(choices=with_blank(CameraCheck.Answer.choices, ""), required=False)
    note = forms.CharField(required=False, max_length=2000, label="Note")
    setting = forms.CharField(required=False, max_length=200, label="Settings")
    small_filtered = forms.BooleanField(required=False, label="Small echoes were filtered out")
    what = forms.CharField(required=False, max_length=120, label="What you showed them")
    when = LocalTimeField(required=False, max_length=25, label="When, if not now")
    method = _choice(SHORT_METHODS, "Method")
    found = _choice((("nothing", "found nothing"), ("fish", "found fish")), "What it showed")
    response = _choice(with_blank(Presentation.Response.choices, "not said"), "Response")

    def __init__(self, offer: Offer, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields |= named_conditions("You are on")
        self.fields["scope"] = _choice(offer.scopes, "Whose evidence it is")
        self.fields["settles"] = _choice([(str(group.pk), "") for group in offer.settles], "Settles")
        self.fields["minutes"] = MeasureField(plain("min"), 0, 1440, label="Minutes")
        self.fields["lines"] = MeasureField(plain("lines"), 1, 50, label="Lines in the water")
        self.fields |= measured_conditions(offer.units)

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        method = data.get("method")
        if not method and "method" not in self.errors:
            self.add_error("method", "Choose the method that you looked with.")
        if method in PROVING:
            named = self.data.get("f0-species") or self.data.get("f0-species_other")
            if not data.get("found") and named:
                # Who names the species has said that fish were found.
                data["found"] = "fish"
            if not data.get("found") and "found" not in self.errors:
                self.add_error("found", "Say what it showed; found nothing is an answer too.")
            if data.get("found") == "nothing" and not data.get("minutes") and "minutes" not in self.errors:
                self.add_error(
                    "minutes", "Minutes are missing: finding nothing says as much as the time it took."
                )
        return data


class GroupForm(forms.Form):
    """One group of echoes and its call."""

    # Made by a device that has to name the group in a later proof before the server knows it.
    id = forms.UUIDField(required=False)
    band = _choice(EchoGroup.Band.choices, "Echoes")
    placement = _choice(EchoGroup.Placement.choices, "Where they sat")
    call_other = forms.CharField(required=False, label="Another kind")
    sure = _choice(SURE, "How sure")
    sure_other = MeasureField(plain("%"), 0, 100, label="Per cent")
    size = _choice(
        with_blank((("small", "small"), ("middle", "middle"), ("large", "large")), "not said"), "Size"
    )

    def __init__(self, offer: Offer, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.offer = offer
        quick = [(one.code, one.name) for one in offer.calls]
        choices = [*quick, (UNSURE, "unsure"), (NOT_FISH, "not fish"), (OTHER, "another")]
        self.fields["call"] = _choice(choices, "Your call, before any proof")
        self.fields["depth"] = MeasureField(depth_of(offer.units), 0, 500, label="Their depth")
        self.tree = offer.call_tree

    @property
    def said_something(self) -> bool:
        return bool(self.cleaned_data.get("band")) or any(field in self.errors for field in self.fields)

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        data["species"], data["probability"] = "", None
        if not data.get("band") or data["band"] == EchoGroup.Band.NONE:
            return data
        call, other = data.get("call") or "", data.get("call_other") or ""
        if call == OTHER or (not call and other):
            if other not in self.offer.species:
                self.add_error(
                    "call_other",
                    f'"{other[:40]}" is not in the list of species.'
                    if other
                    else "Choose the other kind from the list.",
                )
                return data
            call = other
        if not call or call == UNSURE:
            return data
        data["species"] = call
        if "sure" in self.errors or "sure_other" in self.errors:
            return data
        typed: Measured | None = data.get("sure_other")
        sure = data.get("sure") or ""
        if sure == OTHER or (not sure and typed):
            if typed is None:
                self.add_error("sure_other", "Write how sure you are, above 0 and at most 100 %.")
            elif typed.si <= 0:
                self.add_error("sure_other", f"{typed.typed} % is not possible: above 0 and at most 100 %.")
            else:
                data["probability"] = typed.si / 100
        elif sure:
            data["probability"] = int(sure) / 100
        else:
            self.add_error("sure", "Say how sure you are of the call; choose unsure above if you cannot.")
        return data


class FindingForm(forms.Form):
    """One species seen or landed."""

    species_other = forms.CharField(required=False, label="Another species")
    count = MeasureField(plain("fish"), 1, 10_000, label="Number")
    fate = _choice(with_blank(Finding.Fate.choices, "not said"), "Fate")
    tie = _choice(
        ((Finding.Tie.COVER, "same cover"), (Finding.Tie.FISH, "same fish")),
        "Are they what the screen showed?",
    )

    NAMES: ClassVar = ("species", "species_other", "count", "lengths", "depth")

    def __init__(self, offer: Offer, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.offer = offer
        quick = [(one.code, one.name) for one in offer.findings]
        self.fields["species"] = _choice([*quick, (OTHER, "another")], "Species")
        self.fields["lengths"] = LengthsField(fish_length_of(offer.units), label="Lengths, total")
        self.fields["depth"] = MeasureField(depth_of(offer.units), 0, 500, label="Their depth")
        self.tree = offer.finding_tree
        self.picture_errors: list[str] = []

    @property
    def is_blank(self) -> bool:
        return not any(self.data.get(self.add_prefix(name), "").strip() for name in self.NAMES)

    def clean_count(self) -> Measured | None:
        count: Measured | None = self.cleaned_data["count"]
        if count and count.si != int(count.si):
            raise ValidationError(f"{count.typed} fish is not possible: a whole number, 1 to 10,000.")
        return count

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        code, other = data.get("species") or "", data.get("species_other") or ""
        if code == OTHER or not code:
            code = other
        species = self.offer.species.get(code)
        data["code"] = code
        if "species" in self.errors:
            return data
        if not code:
            self.add_error("species", "Name the species that was found.")
        elif species is None or species.is_wider:
            self.add_error("species_other", f'"{code[:40]}" is not a species of the list.')
        else:
            self._check_lengths(data, species)
        return data

    def _check_lengths(self, data: dict[str, Any], species: Species) -> None:
        lengths: list[Measured] = data.get("lengths") or []
        for length in lengths:
            if species.max_length_mm and length.si > species.max_length_mm:
                unit = length.unit
                most = said(fish_length_of(self.offer.units).from_si(species.max_length_mm))
                self.add_error(
                    "lengths",
                    f"{length.typed} {unit} is not possible for {species.name}: at most {most} {unit}.",
                )
        count: Measured | None = data.get("count")
        if count and len(lengths) > count.si:
            self.add_error(
                "lengths", f"{len(lengths)} lengths for {count.typed} fish: at most one length a fish."
            )


def shows_echoes(method: str) -> bool:
    return method in SONAR or method == Method.EYE
