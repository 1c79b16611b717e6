"""Reading a position as people type it: decimal degrees, degrees-minutes, degrees-minutes-seconds.

Only reads. Whoever saves a position keeps the typed text beside it (`Position.typed`), so that it returns
exactly as it was given.
"""

import re

from django.core.exceptions import ValidationError

EXAMPLES = "34.1234, -85.5678 or 34 07.404 N, 85 34.068 W or 34°07'24.2\"N 85°34'04.1\"W"

# What keyboards, phones and spreadsheets put in place of the plain signs.
_PLAIN = str.maketrans(
    {
        **dict.fromkeys("−–—‐‑‒", "-"),
        **dict.fromkeys("′’‘ʹʼ´`‵", "'"),
        **dict.fromkeys("″”“„ʺ", '"'),
        **dict.fromkeys("º˚", "°"),
        **dict.fromkeys("\u00a0\u2009\u202f\u2007\t\r\n", " "),
    }
)
_NUMBER = r"\d+(?:\.\d+)?"
_ANGLE = re.compile(
    rf"\s*([+-]?)\s*({_NUMBER})\s*(?:°\s*|[\s:]+|$)"
    rf"(?:({_NUMBER})\s*(?:'\s*|[\s:]+|$)"
    rf"(?:({_NUMBER})\s*(?:\"|'')?)?)?\s*",
    re.ASCII,
)
_UNIT_WORDS = (("DEG|D", "°"), ("MIN|M", "'"), ("SEC", '"'))
_LETTER = re.compile(r"(?<![A-Z])[NSEW](?![A-Z])")
_LIMIT = {"latitude": 90, "longitude": 180}
_LETTERS = {"latitude": ("N", "S"), "longitude": ("E", "W")}


def parse_position(text: str) -> tuple[float, float]:
    """Return (latitude, longitude) in degrees of a typed position. Latitude is first, unless letters say.

    Raises ValidationError with the text and the rule it breaks.
    """
    plain = _plain(text)
    if not plain:
        raise ValidationError(f"Give a position, like {EXAMPLES}.")
    if _LETTER.search(plain):
        first, second = _halves_by_letter(plain, text)
        if _hemisphere(first) in _LETTERS["longitude"]:
            first, second = second, first
        if _hemisphere(first) not in _LETTERS["latitude"] or _hemisphere(second) not in _LETTERS["longitude"]:
            raise _wrong(text, "one part needs N or S and the other E or W")
    else:
        first, second = _halves_by_count(plain, text)
        if _degrees(first) > 90 >= _degrees(second):
            raise _wrong(text, "latitude comes first, within ±90; the two may be exchanged")
    return _angle(first, "latitude", text), _angle(second, "longitude", text)


def parse_latitude(text: str) -> float:
    """Return the degrees of a typed latitude alone, north positive. Raises ValidationError."""
    return _angle(_plain(text, parts=1), "latitude", text)


def parse_longitude(text: str) -> float:
    """Return the degrees of a typed longitude alone, east positive. Raises ValidationError."""
    return _angle(_plain(text, parts=1), "longitude", text)


def _wrong(text: str, rule: str) -> ValidationError:
    return ValidationError(f'"{text.strip()[:80]}" is not a position: {rule}. Examples: {EXAMPLES}.')


def _plain(text: str, *, parts: int = 2) -> str:
    """Return the text of one or two parts with plain signs and decimal points, in capitals."""
    plain = text.translate(_PLAIN).strip().upper()
    for words, sign in _UNIT_WORDS:
        plain = re.sub(rf"(?<=\d)\s*(?:{words})", sign, plain, flags=re.ASCII)
    # Commas are decimal only where each part has one and no point says otherwise; "34,85" is two numbers.
    commas = len(re.findall(r"\d,(?=\d)", plain))
    if "." not in plain and commas == parts:
        plain = re.sub(r"(?<=\d),(?=\d)", ".", plain)
    return plain


def _hemisphere(part: str) -> str:
    """Return the letter of a part, or nothing."""
    found = _LETTER.search(part)
    return found[0] if found else ""


def _halves_by_letter(plain: str, text: str) -> tuple[str, str]:
    at = [found.start() for found in _LETTER.finditer(plain)]
    if len(at) != 2:
        raise _wrong(text, "one part needs N or S and the other E or W")
    cut = at[1] if at[0] == 0 else at[0] + 1
    return plain[:cut].strip(" ,;/"), plain[cut:].strip(" ,;/")


def _halves_by_count(plain: str, text: str) -> tuple[str, str]:
    parts = [part for part in re.split(r"[,;/]", plain) if part.strip()]
    if len(parts) == 2:
        return parts[0], parts[1]
    starts = [found.start() for found in re.finditer(rf"[+-]?\s*{_NUMBER}", plain)]
    if len(parts) != 1 or len(starts) not in (2, 4, 6):
        raise _wrong(text, "it needs a latitude and a longitude")
    cut = starts[len(starts) // 2]
    return plain[:cut], plain[cut:]


def _degrees(part: str) -> float:
    found = re.search(_NUMBER, part)
    return float(found[0]) if found else 0.0


def _angle(part: str, name: str, text: str) -> float:
    """Return the signed degrees of one part, with or without its letter."""
    letter = _hemisphere(part)
    if letter:
        if letter not in _LETTERS[name]:
            raise _wrong(text, f"a {name} goes with {' or '.join(_LETTERS[name])}")
        part = part.strip()
        if part[0] != letter and part[-1] != letter:
            raise _wrong(text, f"the {letter} stands before or after its {name}")
        part = part[1:] if part[0] == letter else part[:-1]
    found = _ANGLE.fullmatch(part)
    if not found:
        raise _wrong(text, f"its {name} cannot be read")
    sign, *numbers = found.groups()
    given = [number for number in numbers if number is not None]
    if any("." in number for number in given[:-1]):
        raise _wrong(text, "only the last number of a part may have decimals")
    if letter and sign:
        raise _wrong(text, f"use either a sign or {letter}, not both")
    degrees, minutes, seconds = (float(number) if number else 0.0 for number in numbers)
    if minutes >= 60:
        raise _wrong(text, f"{given[1]} minutes: they run from 0 to below 60")
    if seconds >= 60:
        raise _wrong(text, f"{given[2]} seconds: they run from 0 to below 60")
    value = degrees + minutes / 60 + seconds / 3600
    if value > _LIMIT[name]:
        raise _wrong(text, f"a {name} lies within ±{_LIMIT[name]}")
    return -value if sign == "-" or letter in ("S", "W") else value
