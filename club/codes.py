"""A QR code as SVG, drawn here: no address of ours is sent anywhere to be drawn."""

import segno
from django.utils.safestring import SafeString, mark_safe

# Presentation attributes only: the content security policy allows no inline style.
_INK_ON_SHEET = {"scale": 5, "dark": "#16222D", "light": "#FFFDF7", "svgclass": None, "lineclass": None}


def qr_code(text: str, title: str) -> SafeString:
    """Return the SVG element of a QR code for `text`."""
    drawing = segno.make(text, error="m", micro=False).svg_inline(title=title, **_INK_ON_SHEET)
    return mark_safe(drawing)  # noqa: S308  (drawn here)
