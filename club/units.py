"""Units as each member chose them. Everything stored is SI; this is the only place that converts.

The foot and the pound are exact by the international agreement of 1959; the inch is a twelfth of a foot.
"""

from dataclasses import dataclass

from club.models import Member

FOOT_M = 0.3048
INCH_MM = 25.4
POUND_KG = 0.45359237


@dataclass(frozen=True)
class Units:
    """One reader's units: `m` or `ft`, `C` or `F`, `kg` or `lb`."""

    length: str = "m"
    temperature: str = "C"
    weight: str = "kg"

    @classmethod
    def of(cls, member: Member | None) -> "Units":
        if member is None:
            return cls()
        return cls(member.length_unit, member.temperature_unit, member.weight_unit)

    @property
    def depth_name(self) -> str:
        return "feet" if self.length == "ft" else "metres"

    def depth(self, metres: float | None) -> float | None:
        """Metres to the reader's number."""
        return metres if metres is None or self.length == "m" else metres / FOOT_M

    def depth_text(self, metres: float) -> str:
        """`5.2 m` or `17 ft`."""
        if self.length == "ft":
            return f"{metres / FOOT_M:.0f}\u00a0ft"
        return f"{metres:.1f}".removesuffix(".0") + "\u00a0m"

    def span_text(self, metres: float) -> str:
        """A width or height, to a tenth: `1.6 m` or `5.2 ft`."""
        if self.length == "ft":
            return f"{metres / FOOT_M:.1f}".removesuffix(".0") + "\u00a0ft"
        return self.depth_text(metres)

    def depth_range(self, low: float | None, high: float | None) -> str:
        """`5 to 7 m`, `5 m`, or nothing."""
        known = [value for value in (low, high) if value is not None]
        if not known:
            return ""
        if len(known) == 2 and known[0] != known[1]:
            return f"{self.depth_text(known[0]).split(chr(160))[0]} to {self.depth_text(known[1])}"
        return self.depth_text(known[0])

    def metres(self, number: float) -> float:
        """The reader's number of depth to metres."""
        return number if self.length == "m" else number * FOOT_M

    def fish_text(self, millimetres: float) -> str:
        """`312 mm` or `12.3 in`."""
        return f"{millimetres / INCH_MM:.1f}\u00a0in" if self.length == "ft" else f"{millimetres:.0f}\u00a0mm"

    def fish_mm(self, number: float) -> float:
        return number if self.length == "m" else number * INCH_MM

    def weight_text(self, grams: float) -> str:
        """`974 g`, `1.24 kg` or `2.15 lb`."""
        if self.weight == "lb":
            return f"{grams / 1000 / POUND_KG:.2f}\u00a0lb"
        return f"{grams:.0f}\u00a0g" if grams < 1000 else f"{grams / 1000:.2f}\u00a0kg"

    def weight_range(self, low: float, high: float) -> str:
        """`0.82 to 0.97 kg`, each with its own unit where they differ, or one weight."""
        first, last = self.weight_text(low), self.weight_text(high)
        if first == last:
            return first
        same = first.split(chr(160))[1] == last.split(chr(160))[1]
        return f"{first.split(chr(160))[0] if same else first} to {last}"

    def grams(self, number: float) -> float:
        """The reader's number of weight (kg or lb) to grams."""
        return number * 1000 * (POUND_KG if self.weight == "lb" else 1)

    def temperature_text(self, celsius: float) -> str:
        if self.temperature == "F":
            return f"{celsius * 9 / 5 + 32:.0f}\u00a0°F"
        return f"{celsius:.1f}\u00a0°C"

    @property
    def temperature_name(self) -> str:
        return "degrees Fahrenheit" if self.temperature == "F" else "degrees Celsius"

    def temperature_number(self, celsius: float | None) -> float | None:
        """°C to the reader's number of degrees."""
        if celsius is None:
            return None
        return celsius * 9 / 5 + 32 if self.temperature == "F" else celsius

    def temperature_range(self, low: float | None, high: float | None) -> str:
        """`10 to 15 °C`, `under 41 °F`, `25 °C and over`: the edges of a band, in degrees Celsius; None is open."""

        def text(celsius: float) -> str:
            return f"{self.temperature_number(celsius):.0f}"

        sign = f"\u00a0°{self.temperature}"
        if low is None:
            return f"under {text(high or 0)}{sign}"
        if high is None:
            return f"{text(low)}{sign} and over"
        return f"{text(low)} to {text(high)}{sign}"

    def depth_band(self, low: float, high: float | None) -> str:
        """`4 to 5 m`, `13 to 16 ft`, `deeper than 30 m`."""
        return self.depth_range(low, high) if high is not None else f"deeper than {self.depth_text(low)}"

    def celsius(self, number: float) -> float:
        return (number - 32) * 5 / 9 if self.temperature == "F" else number
