"""Asking again who is there, before something that matters."""

from typing import cast

from django.forms import Form

from club import second_factor
from club.known_browsers import known_by
from club.models import Member
from club.sign_in import TooManyAttempts, WrongCredentials, address_of, check_sign_in
from club.viewer import ViewedRequest


def prove_again(request: ViewedRequest, form: Form) -> bool:
    """Return whether `current` is the signed-in member's password, and `code` fits where they have a factor.

    The error goes into the form.
    """
    member = cast(Member, request.member)
    try:
        check_sign_in(
            member.username,
            form.cleaned_data["current"],
            address_of(request),
            request.moment,
            browser=known_by(request, member.username),
        )
    except WrongCredentials:
        form.add_error("current", "This is not your password.")
    except TooManyAttempts as wait:
        form.add_error("current", wait.words)
    if not form.errors and member.second_factor_since:
        prove_code(member, form, request)
    return not form.errors


def prove_code(member: Member, form: Form, request: ViewedRequest) -> int:
    """Use up the form's `code` for this member; return how many wrong ones came before. Errors: in the form."""
    try:
        return second_factor.check(member, form.cleaned_data["code"], request.moment)
    except second_factor.WrongCode as wrong:
        form.add_error("code", wrong.words)
    except TooManyAttempts as wait:
        form.add_error("code", wait.words)
    return 0
