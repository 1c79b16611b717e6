"""People of one club: members, teams, invitations, tokens, and the club's own settings."""

import hashlib
import secrets
import uuid
from datetime import datetime, timedelta
from typing import Any, ClassVar

from django.conf import settings
from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.core.validators import RegexValidator
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Lower
from django.utils import timezone
from django.utils.crypto import salted_hmac


class Level(models.IntegerChoices):
    """How exactly an audience sees a position. Wider numbers see more."""

    HIDDEN = 0, "hidden"
    WATER = 1, "water"
    AREA = 2, "area"
    EXACT = 3, "exact"


# The published ladder of minimum search areas, in hectares. Coarser zones are unions of finer ones.
LADDER_HA = (2, 5, 10, 25, 50, 100, 250, 500, 1000)


class MemberManager(BaseUserManager["Member"]):
    def create_user(self, username: str, password: str | None = None, **fields: Any) -> "Member":
        member = self.model(username=username.strip(), **fields)
        member.set_password(password)
        member.save(using=self._db)
        return member


class Member(AbstractBaseUser):
    """Someone who can sign in: a guest, a member or an organiser. Checkers are members with a further trust."""

    class Role(models.TextChoices):
        GUEST = "guest", "guest"
        MEMBER = "member", "member"
        ORGANISER = "organiser", "organiser"

    class Length(models.TextChoices):
        METRES = "m", "metres"
        FEET = "ft", "feet"

    class Temperature(models.TextChoices):
        CELSIUS = "C", "°C"
        FAHRENHEIT = "F", "°F"

    class Weight(models.TextChoices):
        KILOGRAMS = "kg", "kilograms"
        POUNDS = "lb", "pounds"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    username = models.CharField(
        max_length=40,
        unique=True,
        validators=[RegexValidator(r"^[\w.@+-]+\Z", "Use letters, digits and . @ + - _ only.")],
    )
    name = models.CharField(max_length=80, help_text="The name other members see.")
    role = models.CharField(max_length=10, choices=Role.choices, default=Role.MEMBER)
    is_checker = models.BooleanField(default=False)
    # False for a former member, and for people who are only known from an import of past records.
    is_active = models.BooleanField(default=True)
    joined_at = models.DateTimeField(default=timezone.now)
    # When the role, or a checker's trust, last rose. The database keeps it (club/policies.py): a role gained
    # after an event's cut-off opens nothing that the cut-off closed.
    role_since = models.DateTimeField(default=timezone.now)
    left_at = models.DateTimeField(null=True)
    # Part of every session's hash: raising it ends all of a member's sessions at once.
    session_epoch = models.PositiveIntegerField(default=0)
    # Whoever has a guardian is a junior (club/juniors.py): `name` then says no more than that.
    guardian = models.ForeignKey("self", null=True, on_delete=models.PROTECT, related_name="+")
    # Set by the database alone, when a code fitted (club/second_factor_policies.py).
    second_factor_since = models.DateTimeField(null=True)
    # When somebody last signed in is nobody's business, and signing in then needs no right to write.
    last_login = None
    length_unit = models.CharField(max_length=2, choices=Length.choices, default=Length.METRES)
    temperature_unit = models.CharField(
        max_length=1, choices=Temperature.choices, default=Temperature.CELSIUS
    )
    weight_unit = models.CharField(max_length=2, choices=Weight.choices, default=Weight.KILOGRAMS)
    # The standing yes of DESIGN §4: may a history that rests on fewer than three contributors, one of
    # them this member, be shown below `exact`?
    shares_thin_history = models.BooleanField(default=False)
    # May the other members read how far this member's own calls can be believed? Taken back, it ends at once.
    shares_reliability = models.BooleanField(default=False)

    objects: ClassVar[MemberManager] = MemberManager()

    USERNAME_FIELD = "username"
    REQUIRED_FIELDS: ClassVar[list[str]] = ["name"]

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="member_role", condition=Q(role__in=["guest", "member", "organiser"])
            ),
            models.CheckConstraint(name="guest_never_checks", condition=~Q(role="guest", is_checker=True)),
            # A phone writes the first letter large.
            models.UniqueConstraint(Lower("username"), name="one_username_in_any_case"),
            models.CheckConstraint(
                name="juniors_have_no_office",
                condition=Q(guardian=None) | (Q(role__in=["guest", "member"], is_checker=False)),
            ),
            models.CheckConstraint(
                name="nobody_guards_themselves", condition=Q(guardian=None) | ~Q(guardian=F("id"))
            ),
            models.CheckConstraint(name="who_left_is_out", condition=Q(left_at=None) | Q(is_active=False)),
        ]
        ordering = ["name", "id"]

    def __str__(self) -> str:
        return self.name

    @property
    def shown_name(self) -> str:
        """The name beside shared looks: who has left is a former member."""
        return "former member" if self.left_at else self.name

    def _get_session_auth_hash(self, secret: str | bytes | None = None) -> str:
        # Django's own hash covers the password alone.
        value = f"{self.password}:{self.session_epoch}"
        return salted_hmac("club.models.Member.session", value, secret=secret, algorithm="sha256").hexdigest()

    @property
    def role_text(self) -> str:
        return (
            "checker" if self.is_checker and self.role == self.Role.MEMBER else str(self.get_role_display())
        )


class Team(models.Model):
    """A tournament team. Its members see the team's spots exactly and its looks in full."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    name = models.CharField(max_length=80, unique=True)
    members = models.ManyToManyField(Member, through="TeamMembership", related_name="teams")

    class Meta:
        ordering = ["name", "id"]

    def __str__(self) -> str:
        return self.name


class TeamMembership(models.Model):
    team = models.ForeignKey(Team, on_delete=models.CASCADE)
    member = models.ForeignKey(Member, on_delete=models.CASCADE)
    is_captain = models.BooleanField(default=False)
    # A team joined after an event's cut-off opens nothing that the cut-off closed.
    since = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [models.UniqueConstraint(name="once_in_a_team", fields=["team", "member"])]

    def __str__(self) -> str:
        return f"{self.member} in {self.team}"


class AudiencePolicy(models.Model):
    """What the organiser sets for one audience: default, ceiling, and the least water an `area` leaves to search.

    `audience` is `public`, `guest` or `members`. Teams and single members have no default and no ceiling
    unless a row names them (`team:<id>`).
    """

    audience = models.CharField(max_length=60, primary_key=True)
    default_level = models.SmallIntegerField(choices=Level.choices)
    ceiling_level = models.SmallIntegerField(choices=Level.choices)
    minimum_ha = models.IntegerField(choices=[(n, f"{n} ha") for n in LADDER_HA])

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="default_within_ceiling", condition=Q(default_level__lte=F("ceiling_level"))
            ),
            models.CheckConstraint(
                name="policy_levels", condition=Q(default_level__gte=0, ceiling_level__lte=3)
            ),
            models.CheckConstraint(name="minimum_on_the_ladder", condition=Q(minimum_ha__in=LADDER_HA)),
        ]

    def __str__(self) -> str:
        return self.audience


def digest(token: str) -> str:
    """Return the hex SHA-256 of a random token: 256 bits of chance need no slow hash."""
    return hashlib.sha256(token.encode()).hexdigest()


class Invitation(models.Model):
    """A link that makes one account, works once and expires. Only its digest is stored."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    token_digest = models.CharField(max_length=64, unique=True)
    name = models.CharField(max_length=80, blank=True, help_text="Whom it is for, as a note to yourself.")
    role = models.CharField(max_length=10, choices=Member.Role.choices, default=Member.Role.MEMBER)
    is_checker = models.BooleanField(default=False)
    team = models.ForeignKey(Team, null=True, blank=True, on_delete=models.SET_NULL)
    # For a junior: who answers for them.
    guardian = models.ForeignKey(Member, null=True, blank=True, on_delete=models.CASCADE, related_name="+")
    created_by = models.ForeignKey(
        Member, null=True, on_delete=models.SET_NULL, related_name="invitations_made"
    )
    created_at = models.DateTimeField(default=timezone.now)
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True)
    used_by = models.ForeignKey(Member, null=True, on_delete=models.SET_NULL, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="invitation_used_in_time", condition=Q(used_at=None) | Q(used_at__lte=F("expires_at"))
            )
        ]
        ordering = ["-created_at", "id"]

    def __str__(self) -> str:
        return f"Invitation for {self.name or self.role}"

    @classmethod
    def issue(cls, *, moment: datetime, **fields: Any) -> tuple["Invitation", str]:
        """Save a new invitation and return it with its token, which is shown once and stored nowhere."""
        token = secrets.token_urlsafe(24)
        expires = moment + timedelta(days=settings.INVITATION_DAYS)
        invitation = cls.objects.create(
            token_digest=digest(token), created_at=moment, expires_at=expires, **fields
        )
        return invitation, token


class ApiToken(models.Model):
    """A member's token for scripts. Only its digest is stored; it is shown once."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    member = models.ForeignKey(Member, on_delete=models.CASCADE, related_name="tokens")
    token_digest = models.CharField(max_length=64, unique=True)
    label = models.CharField(max_length=80, blank=True)
    created_at = models.DateTimeField(default=timezone.now)
    last_used_on = models.DateField(null=True)
    revoked_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-created_at", "id"]

    def __str__(self) -> str:
        return self.label or f"token of {self.created_at:%d %b %Y}"

    @classmethod
    def issue(cls, member: Member, label: str = "") -> tuple["ApiToken", str]:
        token = secrets.token_urlsafe(32)
        return cls.objects.create(member=member, label=label, token_digest=digest(token)), token


class SignInAttempt(models.Model):
    """A failed sign-in, kept for a quarter of an hour to slow down guessing.

    `key` is a keyed digest of the username or of the network address; neither is stored.
    """

    id = models.BigAutoField(primary_key=True)
    key = models.CharField(max_length=64)
    at = models.DateTimeField()

    class Meta:
        indexes = [models.Index(fields=["key", "at"], name="sign_in_attempts")]

    def __str__(self) -> str:
        return f"failed at {self.at:%H:%M}"


class Club(models.Model):
    """The one club of this database."""

    id = models.SmallIntegerField(primary_key=True, default=1, editable=False)
    name = models.CharField(max_length=80)
    about = models.TextField(blank=True)
    is_demo = models.BooleanField(default=False)
    # The digest of the one-time key that lets the first organiser in; empty once it has been used.
    setup_key_digest = models.CharField(max_length=64, blank=True)
    search_ha_per_hour = models.FloatField(default=20.0)
    openings_per_day = models.PositiveIntegerField(
        default=40,
        verbose_name="New positions a day",
        help_text="How many exact positions that are new to them a member may open in one day.",
    )

    class Meta:
        constraints = [
            models.CheckConstraint(name="one_club", condition=Q(id=1)),
            models.CheckConstraint(name="searching_takes_time", condition=Q(search_ha_per_hour__gt=0)),
            models.CheckConstraint(
                name="openings_per_day_possible",
                condition=Q(openings_per_day__gte=1, openings_per_day__lte=100_000),
            ),
        ]

    def __str__(self) -> str:
        return self.name


class IdempotencyKey(models.Model):
    """The stored answer to a write that may be sent again. Private to the member who sent it."""

    id = models.BigAutoField(primary_key=True)
    member = models.ForeignKey(Member, on_delete=models.CASCADE)
    key = models.CharField(max_length=100)
    fingerprint = models.CharField(max_length=64)
    status = models.SmallIntegerField()
    body = models.TextField()
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [models.UniqueConstraint(name="one_answer_per_key", fields=["member", "key"])]

    def __str__(self) -> str:
        return self.key


# Kept in a file of its own; Django finds an app's models here.
from club.account_models import JuniorName, ResetLink, SecondFactor, SignIn  # noqa: E402

__all__ = [
    "LADDER_HA",
    "ApiToken",
    "AudiencePolicy",
    "Club",
    "IdempotencyKey",
    "Invitation",
    "JuniorName",
    "Level",
    "Member",
    "MemberManager",
    "ResetLink",
    "SecondFactor",
    "SignIn",
    "SignInAttempt",
    "Team",
    "TeamMembership",
    "digest",
]
