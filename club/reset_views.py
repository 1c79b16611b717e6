"""Reset links: an organiser makes one for a member, whoever holds it sets a new password, and all see it."""

import uuid
from typing import Any, cast

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from club import juniors, resets
from club.access import organisers_only, public, signed_in
from club.account_models import ResetLink
from club.browsers import kind_of_browser
from club.codes import qr_code
from club.forms import ProveForm, ResetForm
from club.models import Member
from club.proving import prove_again, prove_code
from club.viewer import ViewedRequest


@organisers_only
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_post_parameters("current")
def issue_link(request: ViewedRequest, member_id: uuid.UUID) -> HttpResponse:
    """Make a reset link for a member and show it this once, for the organiser's own password."""
    shown = get_object_or_404(Member, pk=member_id, is_active=True)
    if shown.pk == request.viewer.member_id:
        raise Http404
    juniors.reveal([shown])
    form = ProveForm(cast(Member, request.member), request.POST or None)
    page: dict[str, Any] = {
        "person": shown,
        "form": form,
        "links": resets.links_of(shown),
        "reset_hours": settings.RESET_HOURS,
    }
    if request.method == "POST" and form.is_valid() and prove_again(request, form):
        made, token = ResetLink.issue(shown, cast(Member, request.member), request.moment)
        link = request.build_absolute_uri(reverse("reset", args=[token]))
        page |= {"made": made, "link": link, "code": qr_code(link, "QR code of the reset link")}
    return render(request, "club/reset_issue.html", page, status=400 if form.errors else 200)


@signed_in
@require_POST
def close_link(request: ViewedRequest, link_id: uuid.UUID) -> HttpResponse:
    """Close an open link: the member whom it would let in, or an organiser."""
    link = get_object_or_404(resets.open_links(request.moment), pk=link_id)
    own = request.viewer.member_id in (link.member_id, link.member.guardian_id)
    if resets.close(link, request.moment):
        messages.success(request, "The reset link is closed. It can no longer be used.")
    return redirect("/account/" if own else "/club/")


def _closed(request: ViewedRequest) -> HttpResponse:
    return _private(render(request, "club/reset_closed.html", status=404))


def _private(response: HttpResponse) -> HttpResponse:
    # The address is the secret: it goes to no page that is opened from here.
    response["Referrer-Policy"] = "no-referrer"
    return response


@public
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_post_parameters("password", "password_again")
def reset(request: ViewedRequest, token: str) -> HttpResponse:
    """Set a new password for whoever holds the link. Unknown, used and expired ones answer alike."""
    link = resets.find(token, request.moment)
    if link is None:
        return _closed(request)
    asks_code = bool(link.member.second_factor_since) and not link.lifts_second_factor
    form = ResetForm(link.member, request.POST or None, asks_code=asks_code)
    # In somebody's session the link does nothing: it is for a browser that nobody is signed in on.
    tries = request.method == "POST" and request.member is None and form.is_valid()
    if tries and asks_code:
        prove_code(link.member, form, request)
    if tries and not form.errors:
        browser = kind_of_browser(request.headers.get("User-Agent", ""))
        try:
            resets.use(token, form.cleaned_data["password"], browser, request.moment)
        except ResetLink.DoesNotExist:  # somebody was quicker
            return _closed(request)
        messages.success(
            request, "Your new password is set. Other devices and tokens are signed out. Sign in."
        )
        return _private(redirect("/sign-in/"))
    refused = request.member is not None
    status = 403 if refused else 400 if form.errors else 200
    return _private(render(request, "club/reset.html", {"link": link, "form": form}, status=status))
