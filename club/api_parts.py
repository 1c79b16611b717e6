"""Small parts that API views are put together from: who asks, what they ask for, one page of a list."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta, timezone
from typing import Any, TypeVar
from urllib.parse import urlencode

from django.core.exceptions import ValidationError as DjangoValidationError
from django.db.models import Model, QuerySet
from django.utils.dateparse import parse_date, parse_datetime
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema_field, inline_serializer
from rest_framework import serializers, status
from rest_framework.exceptions import APIException, ValidationError
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from club.models import Member
from club.viewer import Viewer

M = TypeVar("M", bound=Model)

USUAL, MOST = 100, 500
_FURTHEST = 10_000_000

PAGING = [
    OpenApiParameter("limit", int, description=f"At most {MOST}; {USUAL} if left out."),
    OpenApiParameter("offset", int),
]


class Conflict(APIException):
    status_code = status.HTTP_409_CONFLICT
    default_detail = "Something else has this id. Make a new one."


class ApiView(APIView):
    """A view whose answers are one caller's own: no cache on the way keeps them."""

    def finalize_response(self, request: Request, response: Response, *args: Any, **kwargs: Any) -> Response:
        final = super().finalize_response(request, response, *args, **kwargs)
        final.headers["Cache-Control"] = "private, no-store"
        return final


def viewer_of(request: Request) -> Viewer:
    viewer: Viewer = request._request.viewer  # type: ignore[attr-defined]
    return viewer


def moment_of(request: Request) -> datetime:
    moment: datetime = request._request.moment  # type: ignore[attr-defined]
    return moment


def member_of(request: Request) -> Member:
    """Return who is signed in. Only for views that let nobody else in."""
    member: Member | None = request._request.member  # type: ignore[attr-defined]
    assert member is not None  # noqa: S101  (the view's permission said so)
    return member


def query_of(request: Request, *names: str, paged: bool = False) -> dict[str, str]:
    """Return the query's parameters. One that is unknown, or said twice, is an error that names it."""
    allowed = {*names, "limit", "offset"} if paged else set(names)
    problems = {}
    for name, values in request.query_params.lists():
        if name not in allowed:
            problems[name] = ["This parameter is unknown."]
        elif len(values) > 1:
            problems[name] = ["Say it once."]
    if problems:
        raise ValidationError(problems)
    return {name: request.query_params[name].strip() for name in request.query_params}


def whole(values: Mapping[str, str], name: str, low: int, high: int, otherwise: int) -> int:
    text = values.get(name, "")
    if not text:
        return otherwise
    if not (text.isascii() and text.isdigit() and len(text) < 12 and low <= int(text) <= high):
        raise ValidationError({name: [f'"{text[:40]}" is not a whole number from {low} to {high}.']})
    return int(text)


def since_of(values: Mapping[str, str], name: str = "since") -> datetime | None:
    """Return the time asked for; a bare date means its beginning, UTC."""
    text = values.get(name, "")
    if not text:
        return None
    at: datetime | None = None
    try:
        day = parse_date(text)
        at = datetime(day.year, day.month, day.day, tzinfo=UTC) if day else parse_datetime(text)
        if at and at.tzinfo:
            return at.astimezone(UTC)
    except (ValueError, OverflowError):
        pass
    raise ValidationError({name: [f'"{text[:40]}" is not a date like 2026-10-31 or a time with its offset.']})


def one_page(
    request: Request, rows: QuerySet[M], values: Mapping[str, str]
) -> tuple[Sequence[M], str | None]:
    """Return one page of rows, and the address of the next when there are more. Nothing is counted."""
    limit = whole(values, "limit", 1, MOST, USUAL)
    offset = whole(values, "offset", 0, _FURTHEST, 0)
    found = list(rows[offset : offset + limit + 1])
    if len(found) <= limit:
        return found, None
    query = {**values, "limit": limit, "offset": offset + limit}
    return found[:limit], f"{request.path}?{urlencode(query)}"


def page_of(shape: type[serializers.BaseSerializer[Any]], name: str) -> Any:
    """Return the declared shape of one page of a list of `shape`."""
    return inline_serializer(
        f"{name}Page",
        {
            "results": shape(many=True),
            "next": serializers.CharField(allow_null=True, help_text="The address of the next page."),
        },
    )


class Strict(serializers.Serializer[Any]):
    """A body in which an unknown field is an error: a slip in a name loses nothing in silence."""

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, Mapping) and (unknown := [str(name) for name in data if name not in self.fields]):
            raise ValidationError({name[:60]: ["This field is unknown."] for name in sorted(unknown)})
        return super().to_internal_value(data)


@extend_schema_field(OpenApiTypes.DATETIME)
class LocalTimeField(serializers.Field[datetime, Any, str, Any]):
    """An ISO 8601 time with its offset, which is kept. On reading the model gives the local time."""

    default_error_messages = {
        "time": '"{text}" is not a time with its offset, like 2026-05-01T06:30:00-05:00.'
    }

    def to_internal_value(self, data: Any) -> datetime:
        try:
            at = parse_datetime(data) if isinstance(data, str) else None
            if at is not None and at.tzinfo is not None and at.astimezone(UTC):
                return at
        except (ValueError, OverflowError):
            pass
        self.fail("time", text=str(data)[:40])

    def to_representation(self, value: datetime) -> str:
        return value.isoformat()


def local_time(at: datetime, offset_min: int) -> datetime:
    """Return a stored time as it was on the clock of who typed it."""
    return at.astimezone(timezone(timedelta(minutes=offset_min)))


def refused(error: DjangoValidationError, field: str = "detail") -> ValidationError:
    """Return the API's error for a service's, its fields named; one without a field goes under `field`."""
    if hasattr(error, "error_dict"):
        named = {
            ("detail" if name == "__all__" else name): texts for name, texts in error.message_dict.items()
        }
        return ValidationError(named)
    return ValidationError({field: error.messages})
