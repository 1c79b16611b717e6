"""What is typed, or tapped, to draw and to measure on a picture. All points are pixels of the stored picture."""

import re
import uuid
from typing import Any, ClassVar

from django import forms
from django.core.exceptions import ValidationError

from club.units import Units
from observations.gauging import ASSUMED_CONE_DEG, cone_of
from observations.inference.measuring import Measured, depth_and_width, fish_length, target_height
from observations.inference.sonar import shadow_ground_range
from observations.log_fields import MeasureField, depth_of, fish_length_of, plain
from observations.marking import DRAWN, LINES, MarkDraft
from observations.marking_models import Mark
from observations.models import Method, Picture

_PAIRS = re.compile(r"\d{1,6},\d{1,6}(?: \d{1,6},\d{1,6}){1,199}")


def _pixel(label: str, most: int) -> forms.IntegerField:
    return forms.IntegerField(
        min_value=0, max_value=most, label=label, required=True,
        widget=forms.NumberInput(attrs={"inputmode": "numeric", "step": 1}),
    )  # fmt: skip


class _Points(forms.Form):
    """A form with points on one picture; `rows` groups their two fields for the page."""

    names: ClassVar[tuple[str, ...]] = ()
    mark = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, data: Any, picture: Picture, prefix: str, **options: Any) -> None:
        super().__init__(data, auto_id=f"{prefix}-%s", initial={"mark": uuid.uuid4()}, **options)
        self.picture = picture
        for number, name in enumerate(self.names, 1):
            self.fields[f"x{number}"] = _pixel(f"{name}, from the left", picture.width)
            self.fields[f"y{number}"] = _pixel(f"{name}, from the top", picture.height)

    @property
    def rows(self) -> list[tuple[int, str, forms.BoundField, forms.BoundField]]:
        return [(n, name, self[f"x{n}"], self[f"y{n}"]) for n, name in enumerate(self.names, 1)]

    def point(self, number: int) -> tuple[int, int]:
        return self.cleaned_data[f"x{number}"], self.cleaned_data[f"y{number}"]


class _Box(_Points):
    names = ("One corner or end", "The other")

    def box(self) -> tuple[int, int, int, int]:
        """Return left, top, width and height."""
        (left, top), (right, bottom) = self.point(1), self.point(2)
        return (min(left, right), min(top, bottom), abs(right - left), abs(bottom - top))


class BlackForm(_Box):
    """A box to be painted over for good."""

    names = ("One corner", "The other")

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if {"x1", "y1", "x2", "y2"} <= data.keys() and not all(self.box()[2:]):
            raise ValidationError("The box is empty: its corners must lie apart.")
        return data


class DrawForm(_Box):
    """A box by two corners, or a line by its ends or by all its points."""

    kind = forms.ChoiceField(choices=[(kind.value, kind.label) for kind in DRAWN], widget=forms.RadioSelect)
    points = forms.CharField(required=False, max_length=3000, widget=forms.HiddenInput)

    def clean_points(self) -> str:
        points = str(self.cleaned_data["points"]).strip()
        if points and not _PAIRS.fullmatch(points):
            raise ValidationError("The points of a line are pairs of whole pixels, at most 200.")
        return points

    def draft(self) -> MarkDraft:
        data = self.cleaned_data
        if data["kind"] in LINES:
            (left, top), (right, bottom) = self.point(1), self.point(2)
            points = data["points"] or f"{left},{top} {right},{bottom}"
            numbers = tuple(int(part) for part in re.split(r"[ ,]", points))
            return MarkDraft(data["kind"], Mark.Shape.LINE, numbers, data["mark"])
        return MarkDraft(data["kind"], Mark.Shape.BOX, self.box(), data["mark"])


class MeasureForm(_Points):
    """Points, known sizes and how well they are known; `draft` computes the measure or raises ValidationError."""

    kind: ClassVar[str] = ""
    title = ""
    lead = ""

    def __init__(self, data: Any, picture: Picture, units: Units) -> None:
        super().__init__(data, picture, "measure")
        self.units = units
        self.fields["click"] = MeasureField(
            plain("px"), 0, 200, required=True, label="Each point lies within",
            initial=str(max(2, round(picture.width / 200))),
            help_text="Wider for a finger, or where an end is blurred.",
        )  # fmt: skip
        self.build()

    def build(self) -> None:
        raise NotImplementedError

    def measure(self) -> tuple[Measured, dict[str, Any]]:
        raise NotImplementedError

    def si(self, name: str) -> float:
        return float(self.cleaned_data[name].si)

    @property
    def more(self) -> list[forms.BoundField]:
        points = {f"{axis}{n}" for axis in "xy" for n in range(1, len(self.names) + 1)} | {"mark"}
        return [self[name] for name in self.fields if name not in points]

    def shown(self) -> tuple[int, ...]:
        """Return the points of the line that the mark is drawn as."""
        return (*self.point(1), *self.point(2))

    def draft(self) -> MarkDraft:
        try:
            made, basis = self.measure()
        except ValueError as error:
            raise ValidationError({"points": f"{str(error)[0].upper()}{str(error)[1:]}."}) from error
        basis |= {
            "points": [list(self.point(n)) for n in range(1, len(self.names) + 1)],
            "click_px": self.si("click"),
            "shares": {name: round(float(share), 4) for name, share in made.shares.items()},
        }
        value, low, high = float(made.value), float(made.low), float(made.high)
        if not high <= 100_000:
            raise ValidationError(
                {"points": "The limits are too wide to be a measure: take points farther apart."}
            )
        return MarkDraft(
            self.kind, Mark.Shape.LINE, self.shown(), self.cleaned_data["mark"], value, low, high, basis
        )


class LengthForm(MeasureForm):
    kind = Mark.Kind.LENGTH
    title = "How long is the fish?"
    lead = "By something of known size at the same distance from the lens: a ruler, a lure, the pole. Four points."
    names = ("Snout", "End of the tail", "One end of the known thing", "Its other end")
    BESIDE = (("0.03", "touching it"), ("0.1", "beside it"), ("0.25", "about as far off"))
    TURNED = (("0", "side on"), ("20", "turned a little"), ("40", "turned away"))

    def build(self) -> None:
        length = fish_length_of(self.units)
        self.fields["size"] = MeasureField(length, 1, 5000, required=True, label="Size of the known thing")
        self.fields["within"] = MeasureField(
            length,
            0,
            500,
            required=True,
            label="Known within",
            initial="0.1" if self.units.length == "ft" else "2",
        )
        self.fields["beside"] = forms.ChoiceField(
            choices=self.BESIDE, initial="0.1", widget=forms.RadioSelect, label="The known thing is"
        )
        self.fields["turned"] = forms.ChoiceField(
            choices=self.TURNED, initial="20", widget=forms.RadioSelect, label="The fish is"
        )

    def measure(self) -> tuple[Measured, dict[str, Any]]:
        beside, turned = float(self.cleaned_data["beside"]), float(self.cleaned_data["turned"])
        made = fish_length(
            (self.point(1), self.point(2)), (self.point(3), self.point(4)), self.si("size"),
            click_px=self.si("click"), reference_error_mm=self.si("within"), distance_error=beside, turned_deg=turned,
        )  # fmt: skip
        return made, {
            "reference_mm": self.si("size"), "reference_error_mm": self.si("within"), "distance_error": beside,
            "turned_deg": turned,
        }  # fmt: skip


class HeightForm(MeasureForm):
    kind = Mark.Kind.HEIGHT
    title = "How high does it stand?"
    lead = "By its shadow, over a flat bottom: five points on one level, from the boat’s line outwards."
    names = ("The boat’s line", "The edge of the range", "First echo of the bottom", "Where the shadow begins",
             "Where the shadow ends")  # fmt: skip

    def build(self) -> None:
        length = depth_of(self.units)
        self.fields["range"] = MeasureField(length, 1, 500, required=True, label="Range at the edge")
        self.fields["within"] = MeasureField(
            length, 0, 100, required=True, label="Known within", initial="0.5"
        )

    def measure(self) -> tuple[Measured, dict[str, Any]]:
        across = [float(self.point(n)[0]) for n in range(1, 6)]
        centre, edge, bottom, begin, end = across
        made = target_height(
            centre, edge, bottom, begin, end, self.si("range"),
            click_px=self.si("click"), range_error_m=self.si("within"),
        )  # fmt: skip
        scale = self.si("range") / abs(across[1] - across[0])
        height, begins, ends = (abs(x - across[0]) * scale for x in across[2:])
        return made, {
            "range_m": self.si("range"), "range_error_m": self.si("within"),
            "aside_m": round(float(shadow_ground_range(height, begins, ends)), 3),
        }  # fmt: skip

    def shown(self) -> tuple[int, ...]:
        return (*self.point(4), *self.point(5))


class WidthForm(MeasureForm):
    kind = Mark.Kind.WIDTH
    title = "How deep is it, and how wide is the cone there?"
    lead = "Three points on the screen’s depth scale: the surface, a line of known depth, the echo."
    names = ("The surface", "A line of known depth", "The echo")

    def build(self) -> None:
        length = depth_of(self.units)
        told = cone_of(self.picture.look)
        self.fields["depth"] = MeasureField(length, 0.1, 500, required=True, label="The known depth")
        self.fields["within"] = MeasureField(
            length, 0, 50, required=True, label="Known within", initial="0.5"
        )
        self.fields["cone"] = MeasureField(
            plain("°"), 1, 120, required=True, label="Cone, whole angle", initial=f"{told or ASSUMED_CONE_DEG:g}",
            help_text="From the settings." if told else "Assumed: the settings name none.",
        )  # fmt: skip
        self.fields["cone_within"] = MeasureField(
            plain("°"), 0, 60, required=True, label="Known within", initial="4"
        )

    def measure(self) -> tuple[Measured, dict[str, Any]]:
        surface, known, echo = (float(self.point(n)[1]) for n in range(1, 4))
        depth, width = depth_and_width(
            surface, known, echo, self.si("depth"), self.si("cone"), click_px=self.si("click"),
            known_error_m=self.si("within"), cone_error_deg=self.si("cone_within"),
        )  # fmt: skip
        return width, {
            "known_m": self.si("depth"), "known_error_m": self.si("within"), "cone_deg": self.si("cone"),
            "cone_error_deg": self.si("cone_within"),
            "depth_m": [round(float(one), 3) for one in (depth.value, depth.low, depth.high)],
        }  # fmt: skip

    def shown(self) -> tuple[int, ...]:
        across, down = self.point(3)
        return (across, self.point(1)[1], across, down)


MEASURES: dict[str, type[MeasureForm]] = {
    Method.CAMERA: LengthForm,
    Method.ROD: LengthForm,
    Method.EYE: LengthForm,
    Method.SIDE: HeightForm,
    Method.SONAR_2D: WidthForm,
}
