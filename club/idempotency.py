"""Writes that may be sent again: the `Idempotency-Key` header of the API.

A client that lost the answer sends the same request with the same key, and gets the same answer without
anything being done twice. The answer is stored in the transaction of the write itself, so that there is
never one without the other. The same key with another request is refused (422). What a refused request
would have done is undone whole, and nothing is stored of it: it may be corrected and sent again.
"""

import hashlib
import json
from collections.abc import Callable
from datetime import datetime, timedelta
from functools import wraps
from typing import Any

from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import status
from rest_framework.exceptions import APIException, ValidationError
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from club.models import IdempotencyKey, Member
from club.turns import Turn, take_turn

HEADER = "Idempotency-Key"
REPLAYED = "Idempotency-Replayed"
KEPT = timedelta(days=7)
LONGEST = 100

Handler = Callable[..., Response]
Recheck = Callable[[Request, Any], object]

PARAMETER = OpenApiParameter(
    HEADER,
    str,
    OpenApiParameter.HEADER,
    description="Made by the client, at most 100 letters. The same request with the same key, within 7 days, is"
    " done once and answered the same (`Idempotency-Replayed: true`); another request with it is refused (422).",
)


class KeyUsed(APIException):
    status_code = status.HTTP_422_UNPROCESSABLE_ENTITY
    default_detail = "This Idempotency-Key was sent with another request. Make a new key for a new request."


def fingerprint(request: Request) -> str:
    """Return the hex SHA-256 of method, path and body; of a file, of its bytes."""
    digest = hashlib.sha256(f"{request.method} {request.get_full_path()}\n".encode())
    data = request.data
    if hasattr(data, "lists"):
        for name, values in sorted(data.lists()):
            for value in values:
                digest.update(json.dumps([name, _content(value)]).encode())
    else:
        digest.update(json.dumps(data, sort_keys=True).encode())
    return digest.hexdigest()


def _content(value: Any) -> str:
    if not isinstance(value, UploadedFile):
        return str(value)
    digest = hashlib.sha256()
    for chunk in value.chunks():
        digest.update(chunk)
    value.seek(0)
    return digest.hexdigest()


def _key_of(request: Request) -> str:
    key = str(request.headers.get(HEADER, ""))
    if key and not (len(key) <= LONGEST and key.isascii() and key.isprintable()):
        raise ValidationError({HEADER: f"At most {LONGEST} printable ASCII letters."})
    return key


def _wait_for_the_first(member: Member, key: str) -> None:
    """Two of the same at once: the second waits here until the first is through, and then finds its answer."""
    take_turn(Turn.REQUEST, f"{member.pk} {key}")


def idempotent(recheck: Recheck) -> Callable[[Handler], Handler]:
    """Let a handler of a DRF view honour `Idempotency-Key`. Whatever it raises undoes all that it did.

    Before a stored answer is given again, the view's own permissions have been checked as for any request,
    and `recheck(request, answer)` must raise (Http404, PermissionDenied) when the caller may no longer read
    what stands in it.
    """

    def decorate(handler: Handler) -> Handler:
        @extend_schema(parameters=[PARAMETER])
        @wraps(handler)
        def wrapped(view: Any, request: Request, *args: Any, **kwargs: Any) -> Response:
            key = _key_of(request)
            member: Member | None = request._request.member  # type: ignore[attr-defined]
            moment: datetime = request._request.moment  # type: ignore[attr-defined]
            if not key or member is None:
                with transaction.atomic():
                    return handler(view, request, *args, **kwargs)
            print_ = fingerprint(request)
            _wait_for_the_first(member, key)
            stored = IdempotencyKey.objects.filter(member=member, key=key).first()
            if stored and stored.created_at > moment - KEPT:
                if stored.fingerprint != print_:
                    raise KeyUsed
                answer = json.loads(stored.body)
                recheck(request, answer)
                return Response(answer, stored.status, headers={REPLAYED: "true"})
            with transaction.atomic():
                response = handler(view, request, *args, **kwargs)
                IdempotencyKey.objects.filter(member=member, created_at__lte=moment - KEPT).delete()
                IdempotencyKey.objects.create(
                    member=member,
                    key=key,
                    fingerprint=print_,
                    status=response.status_code,
                    body=JSONRenderer().render(response.data).decode(),
                    created_at=moment,
                )
            return response

        wrapped.honours_idempotency_key = True  # type: ignore[attr-defined]
        return wrapped

    return decorate
