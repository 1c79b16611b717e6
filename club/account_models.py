"""What belongs to signing in: reset links, with who issued them, when, and whether they were used."""

import secrets
import uuid
from datetime import datetime, timedelta

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from club.models import Member, digest


class JuniorName(models.Model):
    """A junior's name, which the table of members does not hold (club/juniors.py)."""

    member = models.OneToOneField(Member, on_delete=models.CASCADE, primary_key=True, related_name="+")
    name = models.CharField(max_length=80)

    def __str__(self) -> str:
        return self.name


class SignIn(models.Model):
    """One session of a member: theirs to see and to end. Nobody else sees it, organisers neither."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    member = models.ForeignKey(Member, on_delete=models.CASCADE, related_name="+")
    # Of the session's key: who reads this table cannot take a session over.
    key_digest = models.CharField(max_length=64, unique=True)
    started_at = models.DateTimeField()
    # To the hour: a page viewed is seldom a row written.
    seen_at = models.DateTimeField()
    browser = models.CharField(max_length=60)
    ended_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-seen_at", "id"]

    def __str__(self) -> str:
        return f"session of {self.member_id}"


class SecondFactor(models.Model):
    """A member's second factor. The web role has no right on this table (club/second_factor_policies.py)."""

    member = models.OneToOneField(Member, on_delete=models.CASCADE, primary_key=True, related_name="+")
    secret = models.BinaryField()
    set_at = models.DateTimeField()
    # The last time step whose code was used: no code works twice.
    last_step = models.BigIntegerField(default=0)
    # Digests of the recovery codes that are left.
    recovery = models.JSONField(default=list)
    # Wrong codes since the last right one.
    failures = models.PositiveIntegerField(default=0)
    failed_at = models.DateTimeField(null=True)

    def __str__(self) -> str:
        return f"second factor of {self.member_id}"


class ResetLink(models.Model):
    """A link that sets a new password, works once and expires. Only its digest is stored.

    The row is also the record of it, for the member and for all organisers: the web role cannot remove it.
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    member = models.ForeignKey(Member, on_delete=models.CASCADE, related_name="reset_links")
    token_digest = models.CharField(max_length=64, unique=True)
    # None: the person at the machine (`resetlink`).
    issued_by = models.ForeignKey(
        Member, null=True, on_delete=models.SET_NULL, related_name="reset_links_issued"
    )
    issued_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True)
    # What kind of browser used it.
    browser = models.CharField(max_length=60, blank=True)
    # Issued at the machine for someone who has lost the second factor as well.
    lifts_second_factor = models.BooleanField(default=False)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="reset_used_in_time", condition=Q(used_at=None) | Q(used_at__lte=F("expires_at"))
            )
        ]
        ordering = ["-issued_at", "id"]

    def __str__(self) -> str:
        return f"Reset link for {self.member}"

    @classmethod
    def issue(
        cls, member: Member, issuer: Member | None, moment: datetime, *, lifts_second_factor: bool = False
    ) -> tuple["ResetLink", str]:
        """Save a new link and return it with its token, which is shown once. Older open links close."""
        open_links = cls.objects.filter(member=member, used_at=None, expires_at__gt=moment)
        open_links.update(expires_at=moment)
        token = secrets.token_urlsafe(32)
        link = cls.objects.create(
            member=member,
            issued_by=issuer,
            token_digest=digest(token),
            issued_at=moment,
            expires_at=moment + timedelta(hours=settings.RESET_HOURS),
            lifts_second_factor=lifts_second_factor,
        )
        return link, token

    @property
    def issuer_text(self) -> str:
        return self.issued_by.name if self.issued_by else "the person at the club’s machine"

    @property
    def was_closed(self) -> bool:
        """True when it ended before its hours were over: withdrawn, or replaced by a newer one."""
        return self.used_at is None and self.expires_at < self.issued_at + timedelta(
            hours=settings.RESET_HOURS
        )

    @property
    def state(self) -> str:
        """What became of it, in words."""
        if self.used_at:
            with_what = f" with {self.browser}" if self.browser else ""
            return f"used on {self.used_at:%-d %b %Y, %H:%M} UTC{with_what}"
        ended = "closed unused on" if self.was_closed else "not used, open until"
        return f"{ended} {self.expires_at:%-d %b %Y, %H:%M} UTC"

    @property
    def told(self) -> str:
        """The sentence that its member reads at every sign-in."""
        return self._told("your password")

    @property
    def told_guardian(self) -> str:
        """The sentence that a junior's guardian reads."""
        return self._told(f"the password of {self.member.username}, whose guardian you are")

    def _told(self, whose: str) -> str:
        issued = f"{self.issued_at:%-d %b %Y, %H:%M} UTC"
        return f"On {issued} {self.issuer_text} issued a reset link for {whose}; {self.state}."
