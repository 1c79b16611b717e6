"""Leaving the club, and fetching one's own data: before leaving, or after."""

from typing import cast

from django.contrib import messages
from django.contrib.auth import logout
from django.core.exceptions import ValidationError
from django.http import FileResponse, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_safe

from club import people, second_factor
from club.access import public, signed_in
from club.models import Club, Member
from club.sign_in import TooManyAttempts, WrongCredentials, address_of, check_sign_in
from club.viewer import ViewedRequest
from observations.leaving import CHOICES, SEAL, data_of_former, own_data, own_spots, settle_spots, shared_ids


def _zip(file: object) -> FileResponse:
    response = FileResponse(file, as_attachment=True, filename="own-data.zip", content_type="application/zip")
    response["Cache-Control"] = "private, no-store"
    return response


@signed_in
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_post_parameters("password")
def leave(request: ViewedRequest) -> HttpResponseBase:
    """Leave the club: what becomes of my spots, my looks and my data?"""
    member = cast(Member, request.member)
    problem = ""
    choice = request.POST.get("spots", SEAL)
    if request.method == "POST":
        try:
            if choice not in CHOICES:
                raise ValidationError("Choose what becomes of your spots.")
            check_sign_in(
                member.username, request.POST.get("password", ""), address_of(request), request.moment
            )
            second_factor.check_if_set(member, request.POST.get("code", ""), request.moment)
            settle_spots(member, choice, request.moment)
            people.end_membership(member, request.moment)
        except WrongCredentials:
            problem = "This is not your password."
        except second_factor.WrongCode as wrong:
            problem = wrong.words
        except TooManyAttempts as wait:
            problem = wait.words
        except ValidationError as error:
            problem = " ".join(error.messages)
        else:
            logout(request)
            messages.success(request, "You have left the club. Your sessions and tokens have ended.")
            return redirect("/")
    spots = own_spots(member)
    shared = shared_ids(member, request.moment)
    context = {
        "problem": problem,
        "choices": list(CHOICES.items()),
        "choice": choice if choice in CHOICES else SEAL,
        "private": sum(spot.id not in shared for spot in spots),
        "shared": sum(spot.id in shared for spot in spots),
    }
    return render(request, "club/leave.html", context, status=400 if problem else 200)


@signed_in
@require_safe
def my_data(request: ViewedRequest) -> HttpResponseBase:
    """One's own spots, looks and pictures, as one zip file."""
    return _zip(own_data(cast(Member, request.member), str(Club.objects.get())))


@public
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_post_parameters("password")
def hand_over(request: ViewedRequest) -> HttpResponseBase:
    """Give a former member their own data, for the password that they left with. No session is started."""
    problem, status = "", 200
    if request.method == "POST":
        try:
            member = check_sign_in(
                request.POST.get("username", ""),
                request.POST.get("password", ""),
                address_of(request),
                request.moment,
                has_left=True,
            )
            second_factor.check_if_set(member, request.POST.get("code", ""), request.moment)
            return _zip(data_of_former(member, str(Club.objects.get()), request.moment))
        except second_factor.WrongCode as wrong:
            problem, status = wrong.words, 400
        except WrongCredentials:
            problem, status = "This is not the username and password of a former member.", 400
        except TooManyAttempts as wait:
            problem, status = wait.words, 429
    response: HttpResponse = render(request, "club/hand_over.html", {"problem": problem}, status=status)
    return response
