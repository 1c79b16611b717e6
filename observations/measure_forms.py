"""The small reckonings of the measures page: what is typed, in the reader's units, and what comes of it."""

import math
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from club.units import Units
from observations.gauging import ASSUMED_CONE_DEG, WEIGHT_NOTE, weight_words
from observations.inference import sonar
from observations.inference.condition import STANDARDS, relative_weight
from observations.log_fields import MeasureField, Quantity, depth_of, fish_length_of, plain, temperature_of


class Reckoning(forms.Form):
    """One form of the page; `told` says the result in sentences once it is valid."""

    name = ""
    title = ""
    lead = ""

    def __init__(self, data: Any, units: Units, **options: Any) -> None:
        super().__init__(data, auto_id=f"{self.name}-%s", **options)
        self.units = units
        self.build()

    def build(self) -> None:
        raise NotImplementedError

    def told(self) -> list[str]:
        raise NotImplementedError

    def si(self, name: str) -> float:
        return float(self.cleaned_data[name].si)

    def _need(self, name: str, quantity: Quantity, low: float, high: float, **options: Any) -> None:
        self.fields[name] = MeasureField(quantity, low, high, required=True, **options)


class Cone(Reckoning):
    name, title = "cone", "How wide is the cone?"
    lead = "What a 2D sonar sees of a flat bottom. Strong echoes come from outside the cone too."

    def build(self) -> None:
        self._need("depth", depth_of(self.units), 0, 300, label="Depth below the transducer")
        self._need("angle", plain("°"), 1, 120, label="Cone, whole angle", initial=f"{ASSUMED_CONE_DEG:g}")

    def told(self) -> list[str]:
        depth, angle = self.si("depth"), self.si("angle")
        across = float(sonar.footprint_diameter(depth, angle))
        return [
            f"At {self.units.depth_text(depth)} it covers {self.units.span_text(across)} across."
            " An echo shows how deep a fish is, not where in that disc."
        ]


class Shadow(Reckoning):
    name, title = "shadow", "How high does it stand?"
    lead = "From a shadow on side-scan, over a flat bottom. Ranges as the screen shows them, from the boat."

    def build(self) -> None:
        length = depth_of(self.units)
        self._need("height", length, 0.1, 300, label="Transducer above the bottom")
        self._need("top", length, 0, 300, label="Range where the shadow begins")
        self._need("end", length, 0, 300, label="Range where the shadow ends")

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if {"height", "top", "end"} <= data.keys():
            if data["end"].si <= data["top"].si:
                raise ValidationError({"end": "The shadow must end farther out than it begins."})
            if data["end"].si <= data["height"].si:
                raise ValidationError({"end": "A shadow lies on the bottom: its end is farther than that."})
        return data

    def told(self) -> list[str]:
        height, top, end = self.si("height"), self.si("top"), self.si("end")
        stands = float(sonar.shadow_height(height, top, end))
        aside = float(sonar.shadow_ground_range(height, top, end))
        return [
            f"It stands {self.units.span_text(stands)} high, {self.units.span_text(aside)} to the side of the boat’s"
            " track along the bottom. On a slope the shadow is longer or shorter, and the height off by as much."
        ]


class Sounder(Reckoning):
    name, title = "sounder", "How deep is it really?"
    lead = "Sound is slower in cold fresh water than most sounders are set for, so that they show too much."

    def build(self) -> None:
        self._need("shown", depth_of(self.units), 0, 300, label="Depth shown")
        self._need("temperature", temperature_of(self.units), 0, 40, label="Water temperature")
        speed = plain("m/s")
        self._need(
            "speed", speed, 1300, 1700, label="Sounder set to", initial=f"{sonar.SOUNDER_M_S:g}",
            help_text="1500 unless yours says otherwise.",
        )  # fmt: skip

    def told(self) -> list[str]:
        shown, celsius = self.si("shown"), self.si("temperature")
        true = float(sonar.true_depth(shown, celsius, self.si("speed")))
        sound = float(sonar.sound_speed(celsius))
        near = f"{true:.2f} m" if self.units.length == "m" else f"{self.units.depth(true):.1f} ft"
        return [
            f"Really {near}: sound runs at {sound:.0f} m/s in fresh water of"
            f" {self.units.temperature_text(celsius)}. Colder water below makes it a little less."
        ]


class Weight(Reckoning):
    name, title = "weight", "What should it weigh?"
    lead = WEIGHT_NOTE

    def __init__(self, data: Any, units: Units, species: list[tuple[str, str]]) -> None:
        self.choices = [(code, name) for code, name in species if code in STANDARDS]
        super().__init__(data, units)

    def build(self) -> None:
        self.fields["species"] = forms.ChoiceField(choices=[("", "choose"), *self.choices], label="Species")
        self._need("length", fish_length_of(self.units), 10, 2500, label="Total length")
        weight = Quantity(self.units.weight, self.units.grams, lambda grams: grams / self.units.grams(1))
        self.fields["weight"] = MeasureField(weight, 0.1, 200_000, label="Weighed (if it was)")

    def told(self) -> list[str]:
        code, length = self.cleaned_data["species"], self.si("length")
        standard = STANDARDS[code]
        words = weight_words(code, [round(length)], self.units)
        told = [f"{words[0].upper()}{words[1:]} ({standard.source})."]
        if standard.doubt:
            told.append(
                f"Its authors’ equations in metric and in inches differ by {standard.doubt * 100:.1f} %."
            )
        if weighed := self.cleaned_data["weight"]:
            relative = float(relative_weight(code, length, weighed.si))
            if not math.isnan(relative):
                told.append(f"Relative weight {relative:.0f}: 100 is the standard.")
        return told


KINDS: tuple[type[Reckoning], ...] = (Cone, Shadow, Sounder, Weight)
