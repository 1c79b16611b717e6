"""`/api/findings/`, `/api/confirmations/` and `/api/pictures/<id>/`.

The checkers' queue is blind: what somebody sees only because they check says nothing of the claim, of the
look, the spot, the observer or the day.
"""

import uuid
from typing import Any

from django.core.exceptions import ValidationError as DjangoValidationError
from django.db import IntegrityError, transaction
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.http import Http404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework import serializers, status
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from club.api import CheckersOnly, MembersOnly
from club.api_parts import (
    PAGING,
    ApiView,
    Conflict,
    Strict,
    member_of,
    moment_of,
    one_page,
    page_of,
    query_of,
    refused,
    since_of,
    viewer_of,
)
from club.idempotency import idempotent
from observations.api_looks import uuid_of
from observations.api_shapes import FindingOut, MemberShape
from observations.jobs import wake
from observations.models import BlindName, Confirmation, Finding, Observation, Picture
from observations.proofs import AGAIN, DECISIONS, choices, decide, name_species, named_by, waiting

NOT_WAITING = "No such finding waits for you."
NAME_FIRST = "Name the species first, without a decision; the claim is shown after that."
DIFFERS = "The observer claimed another species than you named. Decide."
TAKEN_BACK = "You named it as the observer does, and took that back. Decide anew."


def findings_in_sight() -> QuerySet[Finding]:
    """Return the findings of looks that the caller may see; never one that they may only check."""
    seen = Observation.objects.filter(pk=OuterRef("look_id"), withdrawn_at=None)
    return Finding.objects.filter(Exists(seen)).select_related("look", "observer")


class FindingsView(ApiView):
    @extend_schema(
        operation_id="findings_list",
        parameters=[
            OpenApiParameter("spot", OpenApiTypes.UUID),
            OpenApiParameter("species", str, description="Species code."),
            OpenApiParameter("since", str, description="Findings of looks that started then or later."),
            *PAGING,
        ],
        responses={200: page_of(FindingOut, "Finding"), 400: OpenApiTypes.OBJECT},
    )
    def get(self, request: Request) -> Response:
        """List the findings of the looks you may see, the latest first."""
        values = query_of(request, "spot", "species", "since", paged=True)
        findings = findings_in_sight().order_by("-look__started_at", "id")
        if spot := uuid_of(values, "spot"):
            findings = findings.filter(look__spot_id=spot)
        if species := values.get("species"):
            findings = findings.filter(species_id=species)
        if since := since_of(values):
            findings = findings.filter(look__started_at__gte=since)
        found, following = one_page(request, findings, values)
        return Response({"results": FindingOut(found, many=True).data, "next": following})


class ConfirmationIn(Strict):
    """First the species that you see, alone. Only when the observer's claim differs: `decision`, in a second
    request with the same species."""

    finding = serializers.UUIDField()
    named_species = serializers.CharField(
        max_length=40, allow_null=True, help_text="Code of a species; null: you cannot tell."
    )
    decision = serializers.ChoiceField(Confirmation.Decision.choices, required=False)
    reason = serializers.CharField(max_length=300, required=False, allow_blank=True)


class ConfirmationOut(serializers.ModelSerializer[Confirmation]):
    checker = MemberShape(read_only=True)

    class Meta:
        model = Confirmation
        fields = [
            "id",
            "finding",
            "checker",
            "named_species",
            "decision",
            "reason",
            "created_at",
            "undone_at",
        ]
        read_only_fields = fields


class ToDecide(serializers.Serializer[Any]):
    """Your name is stored and stands; the claim differs, or you took your decision back."""

    detail = serializers.CharField()
    finding = serializers.UUIDField()
    named_species = serializers.CharField(allow_null=True)
    claim = serializers.CharField()
    decide = serializers.ListField(child=serializers.ChoiceField((*AGAIN, *DECISIONS[:1])))


def _confirmations(request: Request) -> QuerySet[Confirmation]:
    """Return one's own decisions, and others' on findings whose look one may see: a second checker stays blind."""
    seen = Observation.objects.filter(pk=OuterRef("finding__look_id"))
    return (
        Confirmation.objects.filter(Q(checker_id=viewer_of(request).member_id) | Exists(seen))
        .select_related("checker")
        .order_by("-created_at", "id")
    )


def _may_still_read(request: Request, answer: Any) -> None:
    key = answer.get("finding")
    if not Finding.objects.filter(pk=key).exists():
        raise Http404


class ConfirmationsView(ApiView):
    def get_permissions(self) -> list[Any]:
        return [CheckersOnly() if self.request.method == "POST" else MembersOnly()]

    @extend_schema(
        operation_id="confirmations_list",
        parameters=PAGING,
        responses={200: page_of(ConfirmationOut, "Confirmation"), 400: OpenApiTypes.OBJECT},
    )
    def get(self, request: Request) -> Response:
        """List your own decisions, and those on findings whose look you may see, the latest first."""
        values = query_of(request, paged=True)
        found, following = one_page(request, _confirmations(request), values)
        return Response({"results": ConfirmationOut(found, many=True).data, "next": following})

    @extend_schema(
        operation_id="confirmations_create",
        request=ConfirmationIn,
        responses={
            201: ConfirmationOut,
            400: OpenApiTypes.OBJECT,
            409: OpenApiResponse(
                ToDecide, "Your name is stored; the claim differs and waits for your decision."
            ),
        },
    )
    @idempotent(_may_still_read)
    def post(self, request: Request) -> Response:
        """Name the species of a finding, blind. For checkers.

        The same species as the observer claimed confirms it (201); null says that you cannot tell (201, `unsure`).
        Otherwise the answer is 409 with the claim: send the same again with a `decision` of `corrected`,
        `rejected` (with a `reason`) or `unsure`. The species named first stands.
        """
        query_of(request)
        form = ConfirmationIn(data=request.data)
        form.is_valid(raise_exception=True)
        data = form.validated_data
        viewer = viewer_of(request)
        finding = waiting(viewer).filter(pk=data["finding"]).first()
        if finding is None:
            raise ValidationError({"finding": [NOT_WAITING]})
        named = named_by(viewer, finding)
        try:
            with transaction.atomic():
                decided = self._decide(request, finding, named, data)
        except DjangoValidationError as error:
            problems = refused(error).detail
            if isinstance(problems, dict) and "species" in problems:
                problems["named_species"] = problems.pop("species")
            raise ValidationError(problems) from error
        except IntegrityError as error:
            raise Conflict("This was decided at the same moment.") from error
        if not decided:
            named = named or BlindName.objects.get(finding=finding, checker_id=viewer.member_id)
            claim = {
                "detail": DIFFERS if named.named_species_id != finding.species_id else TAKEN_BACK,
                "finding": finding.pk,
                "named_species": named.named_species_id,
                "claim": finding.species_id,
                "decide": choices(finding, named),
            }
            return Response(ToDecide(claim).data, status.HTTP_409_CONFLICT)
        wake()
        row = Confirmation.objects.select_related("checker").get(
            finding=finding, checker_id=viewer.member_id, undone_at=None
        )
        return Response(ConfirmationOut(row).data, status.HTTP_201_CREATED)

    def _decide(
        self, request: Request, finding: Finding, named: BlindName | None, data: dict[str, Any]
    ) -> bool:
        """Store the blind name, or the decision after it. False: the checker has still to decide."""
        checker, moment = member_of(request), moment_of(request)
        decision = data.get("decision", "")
        if named is None:
            expected = (
                Confirmation.Decision.CONFIRMED if data["named_species"] else Confirmation.Decision.UNSURE
            )
            if decision not in ("", expected):
                raise ValidationError({"decision": [NAME_FIRST]})
            return bool(name_species(finding, checker, data["named_species"] or "", moment).decision)
        if (data["named_species"] or None) != named.named_species_id:
            raise ValidationError({"named_species": ["The species named first stands."]})
        if not decision:
            return False
        decide(finding, checker, decision, data.get("reason", ""), moment)
        return True


class PictureOut(serializers.Serializer[Any]):
    """A picture's particulars. Someone who only checks is told nothing of the look and the day."""

    id = serializers.UUIDField()
    width = serializers.IntegerField()
    height = serializers.IntegerField()
    url = serializers.CharField(help_text="Where its pixels are: a JPEG without any metadata.")
    finding = serializers.UUIDField(allow_null=True)
    look = serializers.UUIDField(allow_null=True)
    created_at = serializers.DateTimeField(allow_null=True)


class PictureView(ApiView):
    @extend_schema(operation_id="pictures_read", responses={200: PictureOut, 404: OpenApiTypes.OBJECT})
    def get(self, request: Request, key: uuid.UUID) -> Response:
        """Read a picture's particulars."""
        query_of(request)
        picture = Picture.objects.filter(pk=key).first()
        if picture is None:
            raise Http404
        in_sight = Observation.objects.filter(pk=picture.look_id).exists()
        checked = picture.finding_id and Finding.objects.filter(pk=picture.finding_id).exists()
        shown = {
            "id": picture.pk,
            "width": picture.width,
            "height": picture.height,
            "url": f"/pictures/{picture.pk}/",
            "finding": picture.finding_id if checked else None,
            "look": picture.look_id if in_sight else None,
            "created_at": picture.created_at if in_sight else None,
        }
        return Response(PictureOut(shown).data)
