"""Marks on pictures: drawn, stored, and told as W3C Web Annotations (Web Annotation Data Model, 2017).

A box goes out as a FragmentSelector (`xywh=pixel:` of Media Fragments 1.0), a line or an outline as an
SvgSelector. No SVG is ever stored: what comes in is taken apart into whole pixels or refused, and what goes out
is written from them.
"""

import re
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import Q
from django.http import Http404

from club.viewer import Viewer
from observations.marking_models import Mark
from observations.marking_policies import MOST_MARKS, MOST_POINTS
from observations.models import Observation, Picture

DRAWN = (Mark.Kind.FISH, Mark.Kind.COVER, Mark.Kind.BOTTOM, Mark.Kind.THERMOCLINE, Mark.Kind.BAIT)
# What runs through a picture is drawn as a line, what lies in it as a box.
LINES = (Mark.Kind.BOTTOM, Mark.Kind.THERMOCLINE)
USED = "This mark’s number is already in use: open the page again."
FULL = f"A picture has at most {MOST_MARKS} marks: remove one first."
CONTEXT = "http://www.w3.org/ns/anno.jsonld"
MEDIA_FRAGMENTS = "http://www.w3.org/TR/media-frags/"
_XYWH = re.compile(r"xywh=(?:pixel:)?(\d{1,6}),(\d{1,6}),(\d{1,6}),(\d{1,6})")
# One line or one outline and nothing else: no script, style, link, entity or event handler fits this.
_SVG = re.compile(
    r"""\s*<svg(?:\s+xmlns=(["'])http://www\.w3\.org/2000/svg\1)?\s*>\s*"""
    r"""<(polyline|polygon)\s+points=(["'])([0-9., \t\r\n-]{3,6000})\3\s*(?:/>|>\s*</\2>)\s*</svg>\s*"""
)
_NUMBER = re.compile(r"\d{1,6}(?:\.\d{1,6})?")


@dataclass(frozen=True)
class MarkDraft:
    """A mark to be drawn; points as `Mark.points`."""

    kind: str
    shape: str
    points: tuple[int, ...]
    id: uuid.UUID = field(default_factory=uuid.uuid4)
    value: float | None = None
    low: float | None = None
    high: float | None = None
    basis: Mapping[str, Any] = field(default_factory=dict)


def picture_in_look(viewer: Viewer, picture_id: uuid.UUID) -> Picture:
    """Return a picture whose look the viewer sees, or raise the Http404 of one that never was."""
    looks = Observation.objects.filter(Q(withdrawn_at=None) | Q(observer_id=viewer.member_id))
    picture = Picture.objects.filter(pk=picture_id, look__in=looks).select_related("look").first()
    if picture is None:
        raise Http404
    return picture


def may_mark(viewer: Viewer, picture: Picture) -> bool:
    """True for whose look it is, while it stands."""
    own = viewer.member_id is not None and picture.look.observer_id == viewer.member_id
    return own and picture.look.withdrawn_at is None


def marks_of(picture: Picture) -> list[Mark]:
    return list(Mark.objects.filter(picture=picture).order_by("created_at", "id"))


def check(draft: MarkDraft, picture: Picture) -> None:
    """Raise ValidationError, under `points`, for what does not lie on the picture."""
    points, box = draft.points, draft.shape == Mark.Shape.BOX
    if box and len(points) == 4:
        left, top, width, height = points
        if width < 1 or height < 1:
            raise ValidationError({"points": "The box is empty: its corners must lie apart."})
        corners: Sequence[int] = (left, top, left + width, top + height)
    else:
        least = 3 if draft.shape == Mark.Shape.OUTLINE else 2
        if box or len(points) % 2 or not least <= len(points) // 2 <= MOST_POINTS:
            raise ValidationError({"points": f"This shape has {least} to {MOST_POINTS} points."})
        corners = points
        if len({corners[i : i + 2] for i in range(0, len(corners), 2)}) < 2:
            raise ValidationError({"points": "The points are all the same."})
    for i in range(0, len(corners), 2):
        x, y = corners[i], corners[i + 1]
        if not (0 <= x <= picture.width and 0 <= y <= picture.height):
            raise ValidationError(
                {
                    "points": f"{x}, {y} is not on the picture, which is {picture.width} × {picture.height} pixels."
                }
            )


def save_mark(viewer: Viewer, picture: Picture, draft: MarkDraft, moment: datetime) -> Mark:
    """Draw a mark. The same one again is the same; another under its number raises ValidationError."""
    if not may_mark(viewer, picture):
        raise ValidationError("Only whose look it is draws on its pictures, while the look stands.")
    check(draft, picture)
    same = {"kind": draft.kind, "shape": draft.shape, "points": list(draft.points)}
    before = Mark.objects.filter(pk=draft.id).first()
    if before is None:
        if Mark.objects.filter(picture=picture).count() >= MOST_MARKS:
            raise ValidationError(FULL)
        try:
            with transaction.atomic():
                return Mark.objects.create(
                    id=draft.id, picture=picture, created_at=moment, basis=dict(draft.basis),
                    value=draft.value, low=draft.low, high=draft.high, **same,
                )  # fmt: skip
        except IntegrityError:
            # The same at the same moment: it waited here until that one stood.
            before = Mark.objects.filter(pk=draft.id).first()
    if (
        before is None
        or before.picture_id != picture.pk
        or any(getattr(before, k) != v for k, v in same.items())
    ):
        raise ValidationError(USED, code="used")
    return before


def remove_mark(viewer: Viewer, picture: Picture, mark_id: uuid.UUID) -> None:
    """Remove a mark of one's own. One that is gone already is gone."""
    if not may_mark(viewer, picture):
        raise Http404
    Mark.objects.filter(pk=mark_id, picture=picture).delete()


# Out, and in, as a Web Annotation


def measured_words(mark: Mark) -> str:
    """`312 mm (294 to 331)`, in SI as it is stored."""
    if mark.value is None or mark.low is None or mark.high is None:
        return ""
    if mark.kind == Mark.Kind.LENGTH:
        return f"{mark.value:.0f} mm ({mark.low:.0f} to {mark.high:.0f})"
    return f"{mark.value:.1f} m ({mark.low:.1f} to {mark.high:.1f})"


def pairs(points: Sequence[int]) -> str:
    return " ".join(f"{points[i]},{points[i + 1]}" for i in range(0, len(points), 2))


def annotation(mark: Mark, address: Callable[[str], str]) -> dict[str, Any]:
    """Return a mark as a Web Annotation; `address` makes a path absolute."""
    body = [_text(mark.kind, "tagging")]
    if words := measured_words(mark):
        body.append(_text(words, "describing"))
    if mark.shape == Mark.Shape.BOX:
        left, top, width, height = mark.points
        selector = {
            "type": "FragmentSelector",
            "conformsTo": MEDIA_FRAGMENTS,
            "value": f"xywh=pixel:{left},{top},{width},{height}",
        }
    else:
        name = "polygon" if mark.shape == Mark.Shape.OUTLINE else "polyline"
        svg = f'<svg xmlns="http://www.w3.org/2000/svg"><{name} points="{pairs(mark.points)}"/></svg>'
        selector = {"type": "SvgSelector", "value": svg}
    return {
        "@context": CONTEXT,
        "id": f"urn:uuid:{mark.pk}",
        "type": "Annotation",
        "motivation": "tagging",
        "created": f"{mark.created_at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
        "body": body,
        "target": {"source": address(f"/pictures/{mark.picture_id}/"), "selector": selector},
    }


def _text(value: str, purpose: str) -> dict[str, str]:
    return {
        "type": "TextualBody",
        "purpose": purpose,
        "value": value,
        "format": "text/plain",
        "language": "en",
    }


def annotations(picture: Picture, address: Callable[[str], str]) -> dict[str, Any]:
    """Return a picture's marks as one AnnotationPage."""
    items = [annotation(mark, address) for mark in marks_of(picture)]
    for item in items:
        del item["@context"]
    return {
        "@context": CONTEXT,
        "id": address(f"/api/pictures/{picture.pk}/annotations/"),
        "type": "AnnotationPage",
        "items": items,
    }


def draft_of(data: Mapping[str, Any]) -> MarkDraft:
    """Return the mark that a Web Annotation says, or raise ValidationError naming the field, value and rule."""
    kind = _kind_of(data.get("body"))
    target = data.get("target")
    selector = target.get("selector") if isinstance(target, Mapping) else None
    if not isinstance(selector, Mapping):
        raise ValidationError({"target": "Give a target with one selector."})
    value = selector.get("value")
    if not isinstance(value, str):
        raise ValidationError({"selector": "Its value is a text."})
    key = _id_of(data.get("id"))
    if selector.get("type") == "FragmentSelector":
        if not (match := _XYWH.fullmatch(value)):
            raise ValidationError(
                {"selector": f'"{value[:60]}" is not a region like xywh=pixel:120,80,60,40, in whole pixels.'}
            )
        return MarkDraft(kind, Mark.Shape.BOX, tuple(int(part) for part in match.groups()), key)
    if selector.get("type") == "SvgSelector":
        return MarkDraft(kind, *_svg(value), key)
    raise ValidationError({"selector": "A selector is a FragmentSelector or an SvgSelector."})


def _svg(value: str) -> tuple[str, tuple[int, ...]]:
    match = _SVG.fullmatch(value) if len(value) <= 8000 else None
    if match is None:
        raise ValidationError(
            {"selector": "The SVG must be one polyline or one polygon with its points, and nothing else."}
        )
    numbers = re.split(r"[\s,]+", match.group(4).strip())
    if not all(_NUMBER.fullmatch(number) for number in numbers):
        raise ValidationError({"selector": "The points of the SVG must be numbers of pixels, 0 or more."})
    shape = Mark.Shape.OUTLINE if match.group(2) == "polygon" else Mark.Shape.LINE
    return shape, tuple(round(float(number)) for number in numbers)


def _kind_of(body: Any) -> str:
    parts = body if isinstance(body, list) else [body]
    tags = [
        part["value"]
        for part in parts
        if isinstance(part, Mapping) and part.get("type") == "TextualBody" and isinstance(part.get("value"), str)
        and part.get("purpose", "tagging") == "tagging"
    ]  # fmt: skip
    allowed = ", ".join(DRAWN)
    if len(tags) != 1:
        raise ValidationError({"body": f"Give one TextualBody whose value is one of {allowed}."})
    if tags[0] not in DRAWN:
        raise ValidationError({"body": f'"{tags[0][:40]}" is not one of {allowed}.'})
    return str(tags[0])


def _id_of(value: Any) -> uuid.UUID:
    if value is None:
        return uuid.uuid4()
    try:
        return uuid.UUID(str(value).removeprefix("urn:uuid:"))
    except ValueError:
        raise ValidationError({"id": f'"{str(value)[:60]}" is not a number like urn:uuid:….'}) from None
