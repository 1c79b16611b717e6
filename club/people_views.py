"""Signing in and out, invitations, the first set-up, and a member's own account."""

import uuid
from typing import cast

from django.conf import settings as site
from django.contrib import messages
from django.contrib.auth import HASH_SESSION_KEY, login, logout
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from club import juniors, people, resets, sessions
from club.access import public, signed_in
from club.account_models import ResetLink
from club.entering import BACKEND as _BACKEND
from club.entering import enter
from club.forms import AccountForm, PasswordForm, SettingsForm, SetUpForm, SignInForm, TokenForm
from club.known_browsers import known_by
from club.models import ApiToken, Club, Invitation, Member
from club.proving import prove_again
from club.second_factor_views import ask_code
from club.sign_in import WRONG, TooManyAttempts, WrongCredentials, address_of, check_sign_in
from club.viewer import ViewedRequest


def _next(request: HttpRequest) -> str:
    """Return where to go after signing in: a page of this site, or the chart."""
    wanted = request.POST.get("next") or request.GET.get("next") or "/"
    ours = url_has_allowed_host_and_scheme(wanted, {request.get_host()}, require_https=request.is_secure())
    return wanted if ours else "/"


@public
@never_cache
@sensitive_post_parameters("password")
def sign_in(request: ViewedRequest) -> HttpResponse:
    """Check a username and a password, and start a new session."""
    target = _next(request)
    if request.member and request.method != "POST":
        return redirect(target)
    form = SignInForm(request.POST or None)
    problem, status = "", 200
    headers: dict[str, str] = {}
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        try:
            member = check_sign_in(
                data["username"],
                data["password"],
                address_of(request),
                request.moment,
                browser=known_by(request, data["username"]),
            )
        except WrongCredentials:
            problem, status = WRONG, 400
        except TooManyAttempts as wait:
            problem, status, headers = wait.words, 429, {"Retry-After": str(wait.seconds)}
        else:
            if member.second_factor_since:
                return ask_code(request, member, target)
            return enter(request, member, target)
    page = {"form": form, "next": target, "problem": problem}
    response = render(request, "club/sign_in.html", page, status=status)
    for name, value in headers.items():
        response[name] = value
    return response


@public
@require_POST
def sign_out(request: ViewedRequest) -> HttpResponse:
    logout(request)
    response = redirect("/")
    # Drafts that wait to be sent are the device's own and stay.
    response["Clear-Site-Data"] = '"cache"'
    return response


@public
@never_cache
@sensitive_post_parameters("password", "password_again")
def invitation(request: ViewedRequest, token: str) -> HttpResponse:
    """Make the account that an invitation promises. Unknown, used and expired ones answer alike."""
    found = people.find_invitation(token, request.moment)
    if found is None:
        return render(request, "club/invitation_closed.html", status=404)
    form = AccountForm(request.POST or None)
    if request.method == "POST" and request.member is None and form.is_valid():
        try:
            member = people.accept_invitation(token, form.account(), request.moment)
        except Invitation.DoesNotExist:  # somebody was quicker
            return render(request, "club/invitation_closed.html", status=404)
        except ValidationError as error:
            form.add_error(None, error)
        else:
            login(request, member, _BACKEND)
            messages.success(request, f"Welcome to {Club.objects.get()}.")
            return redirect("/")
    return render(
        request, "club/invitation.html", {"invitation": found, "form": form, "club": Club.objects.get()}
    )


@public
@never_cache
@sensitive_post_parameters("key", "password", "password_again")
def set_up(request: ViewedRequest) -> HttpResponse:
    """Name the club and make its first organiser, for whoever holds the key from the console."""
    if not people.needs_set_up() and not people.setup_key_fits(_key(request)):
        raise Http404
    if not people.setup_key_fits(_key(request)):
        return render(request, "club/being_set_up.html", {"tried": bool(_key(request))})
    form = SetUpForm(request.POST or None, initial={"key": _key(request)})
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        try:
            member = people.set_up(data["key"], data["club"], form.account(), request.moment)
        except ValidationError as error:
            form.add_error(None, error)
        else:
            login(request, member, _BACKEND)
            messages.success(request, f"{data['club']} is set up. Invite the first members.")
            return redirect("/club/")
    return render(request, "club/setup.html", {"form": form})


def _key(request: HttpRequest) -> str:
    return request.POST.get("key") or request.GET.get("key") or ""


def _as_named(member: Member) -> Member:
    """Return the account afresh, under the name that its owner knows it by."""
    fresh = Member.objects.get(pk=member.pk)
    fresh.name = juniors.own_name(fresh)
    return fresh


def _wards(request: ViewedRequest, member: Member) -> list[tuple[Member, QuerySet[ResetLink]]]:
    """Return the juniors that this member is guardian of, with the reset links issued for them."""
    wards = list(juniors.wards_of(member))
    juniors.reveal(wards)
    return [(ward, resets.links_of(ward)) for ward in wards]


def _account_page(
    request: ViewedRequest,
    *,
    settings: SettingsForm | None = None,
    password: PasswordForm | None = None,
    token_form: TokenForm | None = None,
    new_token: str = "",
    status: int = 200,
) -> HttpResponse:
    member = cast(Member, request.member)
    idle, absolute = site.SESSION_LIMITS["organiser" if request.viewer.is_organiser else "member"]
    page = {
        "idle_days": idle.days,
        "absolute_days": absolute.days,
        "settings": settings or SettingsForm(instance=_as_named(member)),
        "wards": _wards(request, member),
        "password": password or PasswordForm(member),
        "token_form": token_form or TokenForm(),
        "tokens": ApiToken.objects.filter(member=member, revoked_at=None),
        "teams": member.teams.all() if request.viewer.is_member else [],
        "new_token": new_token,
        "reset_links": resets.links_of(member),
        "sessions": [
            (session, sessions.is_this(session, request))
            for session in sessions.open_sessions(member, request.moment)
        ],
    }
    return render(request, "club/account.html", page, status=status)


@signed_in
@never_cache
def account(request: ViewedRequest) -> HttpResponse:
    """A member's own name, units, standing choice, password, tokens and sessions."""
    if request.method != "POST":
        return _account_page(request)
    form = SettingsForm(request.POST, instance=Member.objects.get(pk=cast(Member, request.member).pk))
    if not form.is_valid():
        return _account_page(request, settings=form, status=400)
    form.save()
    messages.success(request, "Saved.")
    return redirect("/account/")


def _stay_signed_in(request: ViewedRequest, member: Member) -> None:
    """Let this one session go on, under a new key, after the member's others have ended."""
    # Not Django's update_session_auth_hash: it asks who is signed in, which by now is nobody.
    request.session.cycle_key()
    request.session[HASH_SESSION_KEY] = member.get_session_auth_hash()
    sessions.record(request, member)


@signed_in
@require_POST
@sensitive_post_parameters()
def change_password(request: ViewedRequest) -> HttpResponse:
    """Change one's password. Every other session ends; this one goes on."""
    member = cast(Member, request.member)
    form = PasswordForm(member, request.POST)
    if form.is_valid() and prove_again(request, form):
        member.set_password(form.cleaned_data["password"])
        member.save(update_fields=["password"])
        _stay_signed_in(request, member)
        messages.success(request, "Your password is changed. Other devices are signed out.")
        return redirect("/account/")
    return _account_page(request, password=form, status=400)


@signed_in
@require_POST
def end_other_sessions(request: ViewedRequest) -> HttpResponse:
    member = cast(Member, request.member)
    people.end_sessions(member)
    _stay_signed_in(request, member)
    messages.success(request, "All other devices are signed out.")
    return redirect("/account/")


@signed_in
@require_POST
def end_session(request: ViewedRequest, session_id: uuid.UUID) -> HttpResponse:
    """End one of one's own sessions; this one too."""
    member = cast(Member, request.member)
    found = get_object_or_404(sessions.open_sessions(member, request.moment), pk=session_id)
    if sessions.is_this(found, request):
        logout(request)
        return redirect("/")
    sessions.end(found, request.moment)
    messages.success(request, f"{found.browser[:1].upper()}{found.browser[1:]} is signed out.")
    return redirect("/account/")


@signed_in
@require_POST
@never_cache
def make_token(request: ViewedRequest) -> HttpResponse:
    """Make a token for scripts, and show it this once."""
    form = TokenForm(request.POST)
    if not form.is_valid():
        return _account_page(request, token_form=form, status=400)
    token = ApiToken.issue(cast(Member, request.member), form.cleaned_data["label"])[1]
    return _account_page(request, new_token=token)


@signed_in
@require_POST
def revoke_token(request: ViewedRequest, token_id: uuid.UUID) -> HttpResponse:
    token = get_object_or_404(ApiToken, pk=token_id, member=request.member, revoked_at=None)
    people.revoke_token(token, request.moment)
    messages.success(request, "The token is revoked.")
    return redirect("/account/")
