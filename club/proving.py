"""Asking again who is there, before something that matters."""

from typing import cast

from django.forms import Form

from club.models import Member
from club.sign_in import TooManyAttempts, WrongCredentials, address_of, check_sign_in
from club.viewer import ViewedRequest


def prove_again(request: ViewedRequest, form: Form) -> bool:
    """Return whether the form's `current` is the signed-in member's password; put the error in it if not."""
    member = cast(Member, request.member)
    try:
        check_sign_in(member.username, form.cleaned_data["current"], address_of(request), request.moment)
    except WrongCredentials:
        form.add_error("current", "This is not your password.")
    except TooManyAttempts as wait:
        form.add_error("current", wait.words)
    return not form.errors
