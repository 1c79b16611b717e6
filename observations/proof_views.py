"""The checkers' pages: name the species blind, then meet the claim."""

import uuid
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from club.access import checkers_only, members_only
from club.units import Units
from club.viewer import ViewedRequest
from observations import proofs
from observations.models import BlindName, Confirmation, Finding
from observations.proof_models import Dispute

_LOG = 50
# A key to each choice: digits for the first nine, then letters; 0 is "cannot tell".
_KEYS = "123456789abcdefghijklmnopqrstuvwxyz"


def _show(
    request: ViewedRequest, finding: Finding | None, error: str = "", typed: str = "", chosen: str = ""
) -> HttpResponse:
    """Show the first step, without anything of the claim, or the second, once a name is stored."""
    context: dict[str, Any] = {
        "error": error,
        "waiting": proofs.waiting_count(request.viewer),
        "order": _order(request),
        "orders": list(proofs.ORDERS.items()),
        "last": next((one for one in proofs.decided(request.viewer, 1) if one.can_undo), None),
    }
    if finding is None:
        return render(request, "proofs/none.html", context)
    units = Units.of(request.member)
    named = proofs.named_by(request.viewer, finding)
    context |= {
        # The template never gets the finding itself: only what may be shown at this step.
        "finding_id": finding.pk,
        "pictures": list(finding.pictures.values_list("pk", "width", "height")),
        "lengths": [units.fish_text(length) for length in finding.lengths_mm],
    }
    status = 422 if error else 200
    if named is None:
        keys = zip(_KEYS, proofs.nameable(), strict=False)
        context["choices"] = [
            (key, species.code, species.name, species.scientific_name) for key, species in keys
        ]
        return render(request, "proofs/name.html", context, status=status)
    context |= _claim(finding, named) | {"typed": typed, "chosen": chosen}
    context["again"] = named.named_species_id == finding.species_id
    said = Dispute.objects.filter(finding=finding).order_by("-opened_at", "id").first()
    context["dispute"] = said.reason if said else ""
    return render(request, "proofs/decide.html", context, status=status)


def _order(request: ViewedRequest) -> str:
    """Return the order of the queue that this checker asked for; it goes from page to page."""
    asked = request.POST.get("order") or request.GET.get("order", "")
    return asked if asked in proofs.ORDERS else proofs.PICTURES


def _on(request: ViewedRequest, path: str = "/proofs/") -> HttpResponseBase:
    order = _order(request)
    return redirect(path if order == proofs.PICTURES else f"{path}?order={order}")


def _claim(finding: Finding, named: BlindName) -> dict[str, Any]:
    return {"claim": finding.species.name, "named": named.named_species.name if named.named_species else ""}


@checkers_only
@never_cache
@require_GET
def queue(request: ViewedRequest) -> HttpResponse:
    """Show the next proof that waits for this checker."""
    return _show(request, proofs.next_waiting(request.viewer, _order(request)))


@checkers_only
@never_cache
@require_GET
def check(request: ViewedRequest, finding_id: uuid.UUID) -> HttpResponse:
    """Show one proof that waits for this checker, at the step it is at."""
    return _show(request, proofs.finding_to_check(request.viewer, finding_id))


@checkers_only
@require_POST
def name(request: ViewedRequest, finding_id: uuid.UUID) -> HttpResponseBase:
    """Store the blind name; only then is the claim told."""
    finding = proofs.finding_to_check(request.viewer, finding_id)
    assert request.member is not None  # noqa: S101 - checkers_only
    species = request.POST.get("species", "")
    if not species:
        return _show(request, finding, error="Choose a species, or cannot tell.")
    try:
        outcome = proofs.name_species(
            finding, request.member, "" if species == "cannot-tell" else species, request.moment
        )
    except ValidationError as error:
        return _show(request, finding, error=" ".join(error.messages))
    if outcome.decision == Confirmation.Decision.CONFIRMED:
        messages.success(request, f"Verified: you and the observer both say {finding.species.name}.")
        _wake()
    elif outcome.decision == Confirmation.Decision.UNSURE:
        messages.info(request, "Left open: you could not tell. It waits for another checker.")
    else:
        return _on(request, f"/proofs/{finding.pk}/")
    return _on(request)


@checkers_only
@require_POST
def decide(request: ViewedRequest, finding_id: uuid.UUID) -> HttpResponseBase:
    """Store what the checker makes of a claim that differs from their name."""
    finding = proofs.finding_to_check(request.viewer, finding_id)
    assert request.member is not None  # noqa: S101 - checkers_only
    decision, reason = request.POST.get("decision", ""), request.POST.get("reason", "")
    try:
        with transaction.atomic():
            proofs.decide(finding, request.member, decision, reason, request.moment)
    except IntegrityError:  # pressed twice at the same moment: the first stands
        return _on(request)
    except ValidationError as error:
        return _show(request, finding, error=" ".join(error.messages), typed=reason, chosen=decision)
    said = {
        Confirmation.Decision.CONFIRMED: "Verified again, as you named it.",
        Confirmation.Decision.CORRECTED: "Corrected: it is verified as the species that you named.",
        Confirmation.Decision.REJECTED: "Rejected, with your reason.",
        Confirmation.Decision.UNSURE: "Left open. It waits for another checker.",
    }
    messages.success(request, said[Confirmation.Decision(decision)])
    _wake()
    return _on(request)


@checkers_only
@never_cache
@require_GET
def decided(request: ViewedRequest) -> HttpResponse:
    """Show what this checker has decided, newest first, and what can be taken back."""
    rows = proofs.decided(request.viewer, _LOG + 1)
    return render(request, "proofs/decided.html", {"rows": rows[:_LOG], "more": len(rows) > _LOG})


@checkers_only
@require_POST
def undo(request: ViewedRequest, confirmation_id: uuid.UUID) -> HttpResponseBase:
    """Take one of one's own decisions back; what it settled is computed anew."""
    try:
        row = proofs.undo(request.viewer, confirmation_id, request.moment)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
        return redirect("/proofs/decided/")
    messages.success(
        request, "Taken back. What it settled is computed anew; decide again, or leave it to others."
    )
    _wake()
    waits = proofs.waiting(request.viewer).filter(pk=row.finding_id).exists()
    return redirect(f"/proofs/{row.finding_id}/" if waits else "/proofs/decided/")


@members_only
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def dispute(request: ViewedRequest, finding_id: uuid.UUID) -> HttpResponseBase:
    """Show the observer what was decided on their finding; let them ask for another checker."""
    assert request.member is not None  # noqa: S101 - members_only
    found = Finding.objects.filter(pk=finding_id, observer_id=request.member.pk)
    finding = found.select_related("species", "corrected_species").first()
    if finding is None:
        raise Http404
    rows = list(finding.confirmations.filter(undone_at=None).select_related("named_species", "checker"))
    error = ""
    if request.method == "POST":
        try:
            proofs.dispute(finding, request.member, request.POST.get("reason", ""), request.moment)
        except ValidationError as problem:
            error = " ".join(problem.messages)
        else:
            messages.success(request, "Another checker is asked. They name it blind, then read your reason.")
            _wake()
            return redirect(f"/proofs/{finding_id}/dispute/")
    context = {
        "finding": finding,
        "pictures": list(finding.pictures.values_list("pk", "width", "height")),
        "rows": rows,
        "can": proofs.disputable(finding, rows),
        "error": error,
        "typed": request.POST.get("reason", ""),
    }
    return render(request, "proofs/dispute.html", context, status=422 if error else 200)


def _wake() -> None:
    """Wake the worker; it finds the spot, which the checker never learns."""
    from observations.jobs import wake

    wake()
