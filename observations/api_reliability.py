"""`/api/reliability/`: how far calls can be believed. For members."""

import uuid
from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from club.access import id_or_none
from club.api_parts import ApiView, query_of, viewer_of
from observations.inference import CALL_METHODS
from observations.models import Reliability
from observations.reliability import LEAST_TOLD, PARTS, WHOLE, readable


def _interval(**more: Any) -> Any:
    return serializers.ListField(
        child=serializers.FloatField(allow_null=True), min_length=2, max_length=2, **more
    )


class TruthShape(serializers.Serializer[Any]):
    species = serializers.CharField(help_text="Code, or `none`: no fish of a species that is modelled.")
    probability = serializers.FloatField(help_text="P(truth | call), 0 to 1.")
    interval = _interval(help_text="5th and 95th percentile.")
    proofs = serializers.IntegerField(help_text="*Same fish* proofs behind this cell.")


class CallReliability(serializers.Serializer[Any]):
    call = serializers.CharField(help_text="Code of what was called, or `uncalled`: echoes without a call.")
    made = serializers.IntegerField(help_text="How often it was called, sealed.")
    proofs = serializers.IntegerField()
    right = serializers.FloatField(allow_null=True, help_text="P(the truth lies under the call | call).")
    right_interval = _interval(help_text="5th and 95th percentile.")
    right_proofs = serializers.IntegerField(help_text="Proofs that the truth lay under the call.")
    truths = TruthShape(
        many=True,
        help_text=f"Likeliest first; those below {LEAST_TOLD} without a proof are summed up in `other`.",
    )
    other = serializers.FloatField(help_text="P(any other truth | call).")


class EchoesShape(serializers.Serializer[Any]):
    species = serializers.CharField()
    probability = serializers.FloatField()
    interval = _interval()


class _Whose(serializers.Serializer[Any]):
    mine = serializers.BooleanField(help_text="Your own calls.")
    observer = serializers.UUIDField(allow_null=True, help_text="Whose calls; null: everybody's together.")


class MethodReliability(_Whose):
    """One method: what was there when this was called."""

    method = serializers.ChoiceField(CALL_METHODS)
    drawn_only = serializers.BooleanField(help_text="Only looks that the server's draw asked for.")
    device_only = serializers.BooleanField(help_text="Only calls that a device sealed without signal.")
    looks = serializers.IntegerField()
    calls = CallReliability(many=True)
    blank = serializers.IntegerField(help_text="Looks without echoes.")
    no_echoes = EchoesShape(many=True, help_text=f"P(truth | no echoes), from {LEAST_TOLD} on.")
    echoes = EchoesShape(many=True, help_text="P(echoes | truth).")
    called_only = serializers.ListField(
        child=serializers.CharField(), help_text="Species without any proof with this method."
    )


class DiagramBin(serializers.Serializer[Any]):
    stated = serializers.FloatField()
    observed = serializers.FloatField()
    interval = _interval()
    count = serializers.IntegerField()


class QuarterShape(serializers.Serializer[Any]):
    quarter = serializers.CharField(help_text="Like `2026-Q2`, by when it was called (UTC).")
    proofs = serializers.IntegerField(help_text="Proved calls, with or without a stated probability.")
    right = serializers.IntegerField()
    brier = serializers.FloatField(allow_null=True)


class StatedReliability(_Whose):
    """How well stated probabilities held. Brier = reliability - resolution + uncertainty. Null: no proofs."""

    drawn_only = serializers.BooleanField()
    device_only = serializers.BooleanField()
    proofs = serializers.IntegerField()
    brier = serializers.FloatField(allow_null=True)
    brier_error = serializers.FloatField(allow_null=True, help_text="Its standard error.")
    reliability = serializers.FloatField(allow_null=True)
    resolution = serializers.FloatField(allow_null=True)
    uncertainty = serializers.FloatField(allow_null=True)
    log_score = serializers.FloatField(allow_null=True)
    diagram = DiagramBin(many=True)
    quarters = QuarterShape(many=True)


class ReliabilityOut(serializers.Serializer[Any]):
    as_of = serializers.DateTimeField(allow_null=True, help_text="Null: nothing was computed yet.")
    methods = MethodReliability(many=True)
    stated = StatedReliability(many=True)


_WHOSE = ("club", "me")


class ReliabilityView(ApiView):
    @extend_schema(
        operation_id="reliability_read",
        parameters=[
            OpenApiParameter("method", str, enum=CALL_METHODS, description="This method only."),
            OpenApiParameter(
                "observer",
                str,
                description="`club`, `me`, or the id of a member who lets others read theirs."
                " Left out: the club's and your own.",
            ),
            OpenApiParameter(
                "part",
                str,
                enum=list(PARTS),
                description="All sealed calls (`whole`, if left out), only those of looks that the draw asked"
                " about, or only those that a device sealed without signal.",
            ),
        ],
        responses={200: ReliabilityOut, 400: OpenApiTypes.OBJECT},
    )
    def get(self, request: Request) -> Response:
        """Read how far each method's calls can be believed, from club-scope evidence.

        The club's table of a method that fewer than three members called is left out, unless each of those but you
        lets others read theirs: less your own, it would be theirs.
        """
        asked = query_of(request, "method", "observer", "part")
        part, method = asked.get("part", WHOLE), asked.get("method")
        if part not in PARTS:
            raise ValidationError({"part": [f"Say one of {', '.join(PARTS)}."]})
        if method is not None and method not in CALL_METHODS:
            raise ValidationError({"method": [f"Say one of {', '.join(CALL_METHODS)}."]})
        me = viewer_of(request).member_id
        rows = readable(part, method, _observers(asked.get("observer"), me))
        methods, stated = [], []
        for row in rows:
            told = {"mine": row.observer_id == me, "observer": row.observer_id, **_part(row), **row.body}
            if row.method:
                methods.append({"method": row.method, "looks": row.looks, **told})
            else:
                stated.append(told)
        as_of = rows[0].refit.as_of.isoformat() if rows else None
        return Response({"as_of": as_of, "methods": methods, "stated": stated})


def _part(row: Reliability) -> dict[str, bool]:
    return {"drawn_only": row.drawn_only, "device_only": row.device_only}


def _observers(asked: str | None, me: uuid.UUID | None) -> list[uuid.UUID | None]:
    if asked in (None, *_WHOSE):
        return [*([None] if asked != "me" else []), *([me] if asked != "club" else [])]
    key = id_or_none(asked or "")
    if key is None:
        raise ValidationError({"observer": ["Say club, me, or the id of a member."]})
    return [key]
