"""`/api/reliability/`: how far calls can be believed. For members."""

from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from club.api_parts import ApiView, query_of
from observations.inference import CALL_METHODS
from observations.reliability import readable


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
    truths = TruthShape(many=True, help_text="Likeliest first.")


class NoEchoes(serializers.Serializer[Any]):
    species = serializers.CharField()
    probability = serializers.FloatField()


class EchoesShape(NoEchoes):
    interval = _interval()


class MethodReliability(serializers.Serializer[Any]):
    """One method: what was there when this was called."""

    method = serializers.ChoiceField(CALL_METHODS)
    mine = serializers.BooleanField(help_text="Your own calls; otherwise everybody's.")
    drawn_only = serializers.BooleanField(help_text="Only looks that the server's draw asked for.")
    device_only = serializers.BooleanField(help_text="Only calls that a device sealed without signal.")
    looks = serializers.IntegerField()
    calls = CallReliability(many=True)
    no_echoes = NoEchoes(many=True, help_text="P(truth | no echoes).")
    echoes = EchoesShape(many=True, help_text="P(echoes | truth).")
    called_only = serializers.ListField(
        child=serializers.CharField(), help_text="Species without any proof with this method."
    )


class DiagramBin(serializers.Serializer[Any]):
    stated = serializers.FloatField()
    observed = serializers.FloatField()
    interval = _interval()
    count = serializers.IntegerField()


class StatedReliability(serializers.Serializer[Any]):
    """How well stated probabilities held. Brier = reliability - resolution + uncertainty. Null: no proofs."""

    mine = serializers.BooleanField()
    drawn_only = serializers.BooleanField()
    device_only = serializers.BooleanField()
    proofs = serializers.IntegerField()
    brier = serializers.FloatField(allow_null=True)
    reliability = serializers.FloatField(allow_null=True)
    resolution = serializers.FloatField(allow_null=True)
    uncertainty = serializers.FloatField(allow_null=True)
    log_score = serializers.FloatField(allow_null=True)
    diagram = DiagramBin(many=True)


class ReliabilityOut(serializers.Serializer[Any]):
    as_of = serializers.DateTimeField(allow_null=True, help_text="Null: nothing was computed yet.")
    methods = MethodReliability(many=True)
    stated = StatedReliability(many=True)


class ReliabilityView(ApiView):
    @extend_schema(operation_id="reliability_read", responses={200: ReliabilityOut, 400: OpenApiTypes.OBJECT})
    def get(self, request: Request) -> Response:
        """Read how far each method's calls can be believed, the club's and your own, from club-scope evidence."""
        query_of(request)
        rows = readable()
        named = [
            (
                row.method,
                {
                    "mine": row.observer_id is not None,
                    "drawn_only": row.drawn_only,
                    "device_only": row.device_only,
                    **row.body,
                },
                row.looks,
            )
            for row in rows
        ]
        return Response(
            {
                "as_of": rows[0].refit.as_of.isoformat() if rows else None,
                "methods": [{"method": m, "looks": looks, **told} for m, told, looks in named if m],
                "stated": [told for m, told, _ in named if not m],
            }
        )
