"""`/api/confirmations/<id>/undo/` and `/api/findings/<id>/dispute/`: what was decided, taken back or doubted."""

import uuid
from typing import Any

from django.core.exceptions import ValidationError as DjangoValidationError
from django.http import Http404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from club.api import CheckersOnly, MembersOnly
from club.api_parts import ApiView, Strict, member_of, moment_of, query_of, refused, viewer_of
from club.idempotency import idempotent
from observations import proofs
from observations.api_proofs import ConfirmationOut
from observations.jobs import wake
from observations.models import Confirmation, Finding
from observations.proof_models import Dispute


class DisputeIn(Strict):
    reason = serializers.CharField(
        max_length=300, help_text="For the checker who decides; they read it after naming the species."
    )


class DisputeOut(serializers.ModelSerializer[Dispute]):
    class Meta:
        model = Dispute
        fields = ["id", "finding", "reason", "opened_at"]
        read_only_fields = fields


def _still_there(request: Request, answer: Any) -> None:
    """One's own decision or dispute stays one's own, as long as there is one."""
    own = [
        Confirmation.objects.filter(checker=member_of(request)),
        Dispute.objects.filter(member=member_of(request)),
    ]
    if not any(rows.filter(pk=answer.get("id")).exists() for rows in own):
        raise Http404


class UndoView(ApiView):
    permission_classes = [CheckersOnly]

    @extend_schema(
        operation_id="confirmations_undo",
        request=None,
        responses={200: ConfirmationOut, 400: OpenApiTypes.OBJECT, 404: OpenApiTypes.OBJECT},
    )
    @idempotent(_still_there)
    def post(self, request: Request, key: uuid.UUID) -> Response:
        """Take your own decision back, once. It stays written and counts no more; the name you gave stands."""
        query_of(request)
        try:
            proofs.undo(viewer_of(request), key, moment_of(request))
        except DjangoValidationError as error:
            raise refused(error) from error
        wake()
        row = Confirmation.objects.select_related("checker").get(pk=key)
        return Response(ConfirmationOut(row).data)


class DisputeView(ApiView):
    permission_classes = [MembersOnly]

    @extend_schema(
        operation_id="findings_dispute",
        request=DisputeIn,
        responses={201: DisputeOut, 400: OpenApiTypes.OBJECT, 404: OpenApiTypes.OBJECT},
    )
    @idempotent(_still_there)
    def post(self, request: Request, key: uuid.UUID) -> Response:
        """Ask for another checker, after a correction or a rejection of your own finding. Once each."""
        query_of(request)
        form = DisputeIn(data=request.data)
        form.is_valid(raise_exception=True)
        member = member_of(request)
        finding = Finding.objects.filter(pk=key, observer_id=member.pk).first()
        if finding is None:
            raise Http404
        try:
            made = proofs.dispute(finding, member, form.validated_data["reason"], moment_of(request))
        except DjangoValidationError as error:
            raise refused(error) from error
        wake()
        return Response(DisputeOut(made).data, status.HTTP_201_CREATED)
