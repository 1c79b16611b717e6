"""The club's page, and what its organiser and its captains do there."""

import uuid
from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from club import juniors, people, resets
from club.access import members_only, organisers_only
from club.codes import qr_code
from club.forms import AddToTeamForm, ClubForm, InviteForm, RoleForm, TeamForm
from club.models import AudiencePolicy, Club, Invitation, Level, Member, Team, TeamMembership
from club.viewer import ViewedRequest

_ORDER = {"organiser": 0, "checker": 1, "member": 2, "guest": 3}
_HEADINGS = {
    "organiser": "Organisers",
    "checker": "Checkers",
    "member": "Members",
    "guest": "Guests",
}


@dataclass(frozen=True)
class Place:
    """A team with its people, the captain first."""

    team: Team
    people: list[TeamMembership]
    may_open: bool


def _by_role() -> list[tuple[str, list[Member]]]:
    active = list(Member.objects.filter(is_active=True).prefetch_related("teams"))
    juniors.reveal(active)
    groups: dict[str, list[Member]] = {}
    for member in active:
        groups.setdefault(member.role_text, []).append(member)
    return [(_HEADINGS[role], groups[role]) for role in sorted(groups, key=_ORDER.__getitem__)]


def _teams(request: ViewedRequest) -> list[Place]:
    places: dict[uuid.UUID, list[TeamMembership]] = {}
    order = ("-is_captain", "member__name", "pk")
    for place in TeamMembership.objects.select_related("member").order_by(*order):
        places.setdefault(place.team_id, []).append(place)
    juniors.reveal(place.member for inside in places.values() for place in inside)
    return [
        Place(team, inside, request.viewer.is_organiser or any(
            place.is_captain and place.member_id == request.viewer.member_id for place in inside
        ))
        for team in Team.objects.all()
        for inside in [places.get(team.pk, [])]
    ]  # fmt: skip


_SEEN_AS = {
    Level.HIDDEN: "no spots",
    Level.WATER: "on which water a spot lies, no more",
    Level.AREA: "a zone with at least {ha} ha of water to search, about {hours} hours on side-scan",
    Level.EXACT: "exact positions",
}


def _who_sees(club: Club) -> list[tuple[str, str]]:
    """Return, for the public and guests and members, what they see unless an owner says otherwise."""
    policies = {policy.audience: policy for policy in AudiencePolicy.objects.all()}
    out = []
    for audience, words in (("public", "Anyone, signed out"), ("guest", "Guests"), ("members", "Members")):
        if policy := policies.get(audience):
            hours = policy.minimum_ha / club.search_ha_per_hour
            text = _SEEN_AS[Level(policy.default_level)]
            out.append((words, text.format(ha=policy.minimum_ha, hours=f"{hours:.3g}")))
    return out


def _club_page(
    request: ViewedRequest,
    *,
    club_form: ClubForm | None = None,
    team_form: TeamForm | None = None,
    status: int = 200,
) -> HttpResponse:
    club = Club.objects.get()
    organises = request.viewer.is_organiser
    out = Member.objects.filter(is_active=False)
    page = {
        "club": club,
        "groups": _by_role(),
        "teams": _teams(request),
        "who_sees": _who_sees(club),
        "organises": organises,
        "club_form": club_form or ClubForm(instance=club),
        "team_form": team_form or TeamForm(),
        "invited": people.open_invitations(request.moment).count() if organises else 0,
        "sole": organises and people.sole_organiser(),
        "reset_links": resets.recent(request.moment) if organises else [],
        "former": out.exclude(left_at=None) if organises else [],
        "on_record": out.filter(left_at=None) if organises else [],
    }
    return render(request, "club/club.html", page, status=status)


@members_only
def club(request: ViewedRequest) -> HttpResponse:
    """The members by role, their teams, what the club is, and what outsiders see."""
    return _club_page(request)


@organisers_only
@require_POST
def change_club(request: ViewedRequest) -> HttpResponse:
    form = ClubForm(request.POST, instance=Club.objects.get())
    if not form.is_valid():
        return _club_page(request, club_form=form, status=400)
    form.save()
    messages.success(request, "Saved.")
    return redirect("/club/")


@organisers_only
@never_cache
def invite(request: ViewedRequest) -> HttpResponse:
    """Make an invitation and show its link this once; list the open ones."""
    teams = [team for team in Team.objects.all() if people.lets_in(request.viewer, team)]
    form = InviteForm(teams, request.POST or None, initial={"role": Member.Role.MEMBER})
    page: dict[str, Any] = {}
    if request.method == "POST" and form.is_valid():
        made, token = Invitation.issue(
            moment=request.moment, created_by=request.member, **form.fields_of_invitation()
        )
        link = request.build_absolute_uri(reverse("invitation", args=[token]))
        page = {"made": made, "link": link, "code": qr_code(link, "QR code of the link")}
        form = InviteForm(teams, initial={"role": Member.Role.MEMBER})
    page |= {"form": form, "invitations": people.open_invitations(request.moment), "teams": teams}
    return render(request, "club/invite.html", page, status=400 if form.errors else 200)


@organisers_only
@require_POST
def withdraw(request: ViewedRequest, invitation_id: uuid.UUID) -> HttpResponse:
    found = get_object_or_404(people.open_invitations(request.moment), pk=invitation_id)
    people.withdraw_invitation(found, request.moment)
    messages.success(request, "The invitation is withdrawn.")
    return redirect("/club/invite/")


def _person(member_id: uuid.UUID) -> Member:
    return get_object_or_404(Member.objects.prefetch_related("teams"), pk=member_id)


@organisers_only
def person(request: ViewedRequest, member_id: uuid.UUID) -> HttpResponse:
    """One member's role, and the end of their membership."""
    shown = _person(member_id)
    given = {"role": shown.role, "is_checker": shown.is_checker, "guardian": shown.guardian_id}
    form = RoleForm(request.POST or None, initial=given, person=shown)
    if request.method == "POST" and shown.is_active and form.is_valid():
        try:
            data = form.cleaned_data
            people.set_role(shown, data["role"], data["is_checker"], data["guardian"])
        except ValidationError as error:
            form.add_error(None, error)
        else:
            messages.success(request, f"{shown.name} is now {_a(shown.role_text)}.")
            return redirect("/club/")
    juniors.reveal([shown])
    page = {"person": shown, "form": form, "is_self": shown.pk == request.viewer.member_id}
    return render(request, "club/person.html", page, status=400 if form.errors else 200)


def _a(word: str) -> str:
    return f"an {word}" if word[0] in "aeiou" else f"a {word}"


@organisers_only
@require_POST
def sign_out_everywhere(request: ViewedRequest, member_id: uuid.UUID) -> HttpResponse:
    """End all sessions and tokens of a member: a lost phone, or a stranger in the account."""
    shown = get_object_or_404(Member, pk=member_id, is_active=True)
    people.end_sessions(shown)
    shown.tokens.filter(revoked_at=None).update(revoked_at=request.moment)
    messages.success(request, f"{shown.name} is signed out everywhere, and their tokens are revoked.")
    return redirect("person", member_id) if shown.pk != request.viewer.member_id else redirect("/")


@organisers_only
@require_POST
def end_membership(request: ViewedRequest, member_id: uuid.UUID) -> HttpResponse:
    """Make someone a former member at once."""
    shown = get_object_or_404(Member, pk=member_id, is_active=True)
    try:
        people.end_membership(shown, request.moment)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
        return redirect("person", member_id)
    messages.success(request, f"{shown.name} is a former member. Sessions and tokens have ended.")
    return redirect("/club/" if shown.pk != request.viewer.member_id else "/")


@organisers_only
@require_POST
def take_back(request: ViewedRequest, member_id: uuid.UUID) -> HttpResponse:
    shown = get_object_or_404(Member.objects.exclude(left_at=None), pk=member_id)
    people.take_back(shown)
    messages.success(request, f"{shown.name} is {_a(shown.role_text)} again.")
    return redirect("/club/")


@organisers_only
@require_POST
def new_team(request: ViewedRequest) -> HttpResponse:
    form = TeamForm(request.POST)
    if form.is_valid():
        try:
            made = people.create_team(form.cleaned_data["name"])
        except ValidationError as error:
            form.add_error(None, error)
        else:
            messages.success(request, f"{made} is there. Add its people and make one of them captain.")
            return redirect("team", made.pk)
    return _club_page(request, team_form=form, status=400)


def _led_team(request: ViewedRequest, team_id: uuid.UUID) -> Team:
    found = get_object_or_404(Team, pk=team_id)
    if not people.leads(request.viewer, found):
        raise Http404
    return found


@members_only
def team(request: ViewedRequest, team_id: uuid.UUID) -> HttpResponse:
    """One team, for its captain and the organiser: who is in it, who joins, who leads it."""
    shown = _led_team(request, team_id)
    may_add = people.lets_in(request.viewer, shown)
    form = AddToTeamForm(shown, request.POST or None)
    if request.method == "POST" and may_add and form.is_valid():
        people.add_to_team(request.viewer, shown, form.cleaned_data["member"])
        messages.success(request, f"{form.cleaned_data['member']} is in {shown}.")
        return redirect("team", team_id)
    inside = TeamMembership.objects.filter(team=shown).select_related("member")
    places = list(inside.order_by("-is_captain", "member__name", "pk"))
    juniors.reveal(place.member for place in places)
    page = {
        "team": shown,
        "places": places,
        "has_captain": any(place.is_captain for place in places),
        "may_add": may_add,
        "form": form,
    }
    return render(request, "club/team.html", page, status=400 if form.errors else 200)


def _change_place(request: ViewedRequest, team_id: uuid.UUID, place_id: int, what: str) -> HttpResponse:
    shown = _led_team(request, team_id)
    places = TeamMembership.objects.select_related("member", "team")
    place = get_object_or_404(places, pk=place_id, team=shown)
    try:
        if what == "captain":
            people.make_captain(request.viewer, place)
            messages.success(request, f"{place.member} is captain of {shown}.")
        else:
            people.remove_from_team(request.viewer, place)
            messages.success(request, f"{place.member} is out of {shown}.")
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    still = people.leads(request.viewer, shown)
    return redirect("team", team_id) if still else redirect("/club/")


@members_only
@require_POST
def captain(request: ViewedRequest, team_id: uuid.UUID, place_id: int) -> HttpResponse:
    return _change_place(request, team_id, place_id, "captain")


@members_only
@require_POST
def out_of_team(request: ViewedRequest, team_id: uuid.UUID, place_id: int) -> HttpResponse:
    return _change_place(request, team_id, place_id, "out")
