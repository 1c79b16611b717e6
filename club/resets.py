"""A forgotten password, without a mail server: a link that sets a new one, from an organiser or the machine.

An organiser who makes such a link could open it themselves. So the member and every organiser see that it was
made, by whom, and whether it was used, and nobody can remove that record; the link asks for the member's
second factor where there is one; and using it ends the member's sessions and tokens, so that it is noticed.
"""

from datetime import datetime, timedelta

from django.db.models import QuerySet

from club import people, second_factor
from club.account_models import ResetLink
from club.models import Member, digest
from club.viewer import viewer_of, viewing

# How long signing in, and the club's page, speak of a link. The account page always does.
TOLD = timedelta(days=90)
# How long every page does.
FRESH = timedelta(days=3)


def open_links(moment: datetime) -> QuerySet[ResetLink]:
    links = ResetLink.objects.filter(used_at=None, expires_at__gt=moment, member__is_active=True)
    return links.select_related("member", "issued_by")


def find(token: str, moment: datetime) -> ResetLink | None:
    """Return the open link of this token; None when unknown, used, expired or closed."""
    with people.holding(token):
        return open_links(moment).filter(token_digest=digest(token)).first()


def links_of(member: Member) -> QuerySet[ResetLink]:
    """Return every link that was ever issued for a member, the newest first."""
    return ResetLink.objects.filter(member=member).select_related("issued_by")


def links_of_wards(member: Member) -> QuerySet[ResetLink]:
    """Return the links for the juniors whose guardian this member is."""
    return ResetLink.objects.filter(member__guardian=member).select_related("member", "issued_by")


def recent(moment: datetime) -> QuerySet[ResetLink]:
    """Return all links that an organiser is told of."""
    return ResetLink.objects.filter(issued_at__gt=moment - TOLD).select_related("member", "issued_by")


def close(link: ResetLink, moment: datetime) -> bool:
    """Close an open link; return whether it was still open."""
    return bool(open_links(moment).filter(pk=link.pk).order_by().update(expires_at=moment))


def use(token: str, password: str, browser: str, moment: datetime) -> Member:
    """Set the new password and use the link up. Sessions and tokens end. Raises ResetLink.DoesNotExist."""
    with people.holding(token):
        # The row lock makes it work once: whoever comes second waits here, then finds it used.
        link = (
            ResetLink.objects.select_for_update(of=("self",))
            .select_related("member")
            .filter(token_digest=digest(token), used_at=None, expires_at__gt=moment, member__is_active=True)
            .get()
        )
        link.used_at, link.browser = moment, browser
        link.save(update_fields=["used_at", "browser"])
        if link.lifts_second_factor:
            second_factor.lift()
    member = link.member
    with viewing(viewer_of(member), moment):
        member.set_password(password)
        member.save(update_fields=["password"])
        people.end_sessions(member)
        member.tokens.filter(revoked_at=None).update(revoked_at=moment)
    return member
