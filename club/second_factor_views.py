"""The second step of signing in, and the page on which a member sets a second factor or takes it away."""

from datetime import datetime, timedelta
from typing import Any, cast

from django.contrib import messages
from django.contrib.auth import SESSION_KEY
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.crypto import constant_time_compare
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from club import second_factor
from club.access import public, signed_in
from club.codes import qr_code
from club.entering import enter
from club.forms import CodeForm, ProveForm, SetCodeForm
from club.models import Club, Member
from club.proving import prove_again, prove_code
from club.sign_in import TooManyAttempts
from club.viewer import ViewedRequest

_PENDING = "second_factor"
_PENDING_FOR = timedelta(minutes=10)


def ask_code(request: ViewedRequest, member: Member, target: str) -> HttpResponse:
    """Remember in the session that the password was right, and ask for the code. Nobody is signed in yet."""
    if SESSION_KEY not in request.session:
        request.session.cycle_key()
    request.session[_PENDING] = {
        "member": str(member.pk),
        "hash": member.get_session_auth_hash(),
        "until": (request.moment + _PENDING_FOR).isoformat(),
        "next": target,
    }
    return redirect("/sign-in/code/")


def _pending(request: ViewedRequest) -> tuple[Member, str] | None:
    said = request.session.get(_PENDING)
    if not said or datetime.fromisoformat(said["until"]) <= request.moment:
        return None
    member = Member.objects.filter(pk=said["member"], is_active=True).first()
    if member is None or not constant_time_compare(said["hash"], member.get_session_auth_hash()):
        return None
    return member, said["next"]


@public
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_post_parameters("code")
def sign_in_code(request: ViewedRequest) -> HttpResponse:
    """Check the code of whoever has just given the right password, and start the session."""
    pending = _pending(request)
    if pending is None:
        request.session.pop(_PENDING, None)
        return redirect("/sign-in/")
    member, target = pending
    form = CodeForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        failed = prove_code(member, form, request)
        if not form.errors:
            del request.session[_PENDING]
            response = enter(request, member, target)
            if failed:
                times = f"{failed} wrong code{'' if failed == 1 else 's'}"
                messages.warning(
                    request, f"Before this, {times} came with your password. Not you? Change the password."
                )
            return response
    status = 400 if form.errors else 200
    return render(request, "club/sign_in_code.html", {"form": form}, status=status)


def _page(request: ViewedRequest, *, status: int = 200, **more: Any) -> HttpResponse:
    member = Member.objects.get(pk=cast(Member, request.member).pk)
    page = {"prove": ProveForm(member), "has_factor": member.second_factor_since is not None, **more}
    page["left"] = second_factor.recovery_left()
    return render(request, "club/second_factor.html", page, status=status)


@signed_in
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_post_parameters("current", "code", "sealed")
def second_factor_page(request: ViewedRequest) -> HttpResponse:
    """Begin, confirm, renew the recovery codes, or turn off, each for the password or a code."""
    what = request.POST.get("what", "")
    member = cast(Member, request.member)
    if what == "confirm" and not member.second_factor_since:
        return _confirm(request, member)
    if what == "begin" and not member.second_factor_since:
        form = ProveForm(member, request.POST)
        if form.is_valid() and prove_again(request, form):
            secret, address, sealed = second_factor.begin(member, Club.objects.get().name)
            return _showing(request, secret, address, SetCodeForm(initial={"sealed": sealed}))
        return _page(request, status=400, prove=form)
    if what in ("renew", "off") and member.second_factor_since:
        return _with_code(request, member, what)
    return _page(request)


def _showing(
    request: ViewedRequest, secret: str, address: str, form: SetCodeForm, status: int = 200
) -> HttpResponse:
    groups = " ".join(secret[at : at + 4] for at in range(0, len(secret), 4))
    code = qr_code(address, "QR code for the app")
    return _page(request, status=status, secret=groups, code=code, set_form=form)


def _confirm(request: ViewedRequest, member: Member) -> HttpResponse:
    form = SetCodeForm(request.POST)
    if not form.is_valid():
        return _page(request, status=400)
    try:
        secret = second_factor.secret_of(form.cleaned_data["sealed"], member)
    except ValidationError as error:
        messages.error(request, error.message)
        return redirect("/account/second-factor/")
    try:
        codes = second_factor.set_up(secret, form.cleaned_data["code"])
    except ValidationError as error:
        form.add_error("code", error)
        address = second_factor.address_of_secret(secret, member, Club.objects.get().name)
        return _showing(request, secret, address, form, 400)
    return _page(request, recovery=codes, fresh=True)


def _with_code(request: ViewedRequest, member: Member, what: str) -> HttpResponse:
    form = CodeForm(request.POST)
    codes: list[str] = []
    if form.is_valid():
        try:
            if what == "renew":
                codes = second_factor.renew_recovery(form.cleaned_data["code"])
            else:
                second_factor.drop(form.cleaned_data["code"])
        except second_factor.WrongCode as wrong:
            form.add_error("code", wrong.words)
        except TooManyAttempts as wait:
            form.add_error("code", wait.words)
    if form.errors:
        return _page(request, status=400, code_form=form)
    if what == "renew":
        return _page(request, recovery=codes)
    messages.success(request, "The second factor is off.")
    return redirect("/account/")
