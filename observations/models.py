"""Trips, looks, calls, findings, proofs, and what was computed from them.

What must always hold stands in the database: constraints here, triggers in `policies.py`.
"""

import uuid
from datetime import datetime, timedelta
from typing import Any, Self

from django.contrib.postgres.fields import ArrayField
from django.core.serializers.json import DjangoJSONEncoder
from django.db import connection, models
from django.db.models import F, Q
from django.utils import timezone

from club.models import Member
from club.viewer import current_freeze
from observations.standing import AsItStood, put_right
from spots.models import Spot, Water


class Species(models.Model):
    """A node of the species tree: a species, a wider kind (`black-bass`, `fish`), or `not-fish`."""

    code = models.SlugField(primary_key=True, max_length=40)
    name = models.CharField(max_length=60, unique=True)
    scientific_name = models.CharField(max_length=80, blank=True)
    parent = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="children"
    )
    # A wider kind has members; it can be called but never proved.
    is_wider = models.BooleanField(default=False)
    max_length_mm = models.IntegerField(null=True, blank=True, help_text="Beyond this a length is a slip.")
    order = models.SmallIntegerField(default=0)

    class Meta:
        ordering = ["order", "name"]

    def __str__(self) -> str:
        return self.name


class Method(models.TextChoices):
    SONAR_2D = "2d", "2D sonar"
    DOWN = "down", "down-looking imaging sonar"
    SIDE = "side", "side-scan sonar"
    FORWARD = "forward", "forward-facing sonar"
    CAMERA = "camera", "underwater camera"
    ROD = "rod", "rod and line"
    EYE = "eye", "by eye"


class Platform(models.TextChoices):
    BOAT = "boat", "boat"
    KAYAK = "kayak", "kayak"
    SHORE = "shore", "shore"
    WADING = "wading", "wading"
    ICE = "ice", "ice"


SONAR = (Method.SONAR_2D, Method.DOWN, Method.SIDE, Method.FORWARD)
PROVING = (Method.CAMERA, Method.ROD)


class Trip(models.Model):
    """Time on a water, of one member. Private to them."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    member = models.ForeignKey(Member, on_delete=models.PROTECT, related_name="trips")
    water = models.ForeignKey(Water, on_delete=models.PROTECT, related_name="trips")
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="trip_ends_after_start", condition=Q(ended_at=None) | Q(ended_at__gte=F("started_at"))
            )
        ]
        ordering = ["-started_at", "id"]

    def __str__(self) -> str:
        return f"trip of {self.started_at:%d %b %Y}"


class Observation(models.Model):
    """A look: one time-stamped observation at one spot with one method. "Nothing there" is one too."""

    class Source(models.TextChoices):
        PAGE = "page", "the log page"
        API = "api", "the API"
        IMPORT = "import", "an import of past records"
        # From memory throughout: its blank looks, too, were made by somebody who knew the rest of the day.
        DEBRIEF = "debrief", "a debrief, from memory"

    class Clarity(models.TextChoices):
        CLEAR = "clear", "clear"
        STAINED = "stained", "stained"
        MUDDY = "muddy", "muddy"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    spot = models.ForeignKey(Spot, on_delete=models.PROTECT, related_name="looks")
    trip = models.ForeignKey(Trip, null=True, blank=True, on_delete=models.SET_NULL, related_name="looks")
    observer = models.ForeignKey(Member, on_delete=models.PROTECT, related_name="looks")
    method = models.CharField(max_length=10, choices=Method.choices)
    platform = models.CharField(max_length=10, choices=Platform.choices, blank=True)
    started_at = models.DateTimeField()
    utc_offset_min = models.SmallIntegerField(default=0, help_text="The local offset when it was typed.")
    minutes = models.FloatField(null=True, blank=True)
    rod_hours = models.FloatField(null=True, blank=True)
    settings = models.JSONField(default=dict, blank=True)
    # Conditions
    secchi_m = models.FloatField(null=True, blank=True)
    clarity = models.CharField(max_length=10, choices=Clarity.choices, blank=True)
    water_temp_c = models.FloatField(null=True, blank=True)
    water_temp_depth_m = models.FloatField(null=True, blank=True)
    pool_level_m = models.FloatField(null=True, blank=True, help_text="Relative to full pool.")
    wind_m_s = models.FloatField(null=True, blank=True)
    wind_from_deg = models.SmallIntegerField(null=True, blank=True)
    sky = models.CharField(max_length=40, blank=True)
    note = models.TextField(blank=True)
    # Whose evidence it is: `club`, `team:<id>` or `member:<id>`.
    scope = models.TextField()
    # From then on it is the club's evidence too. Evaluated when read: no job to miss.
    opens_at = models.DateTimeField(null=True, blank=True)
    source = models.CharField(max_length=10, choices=Source.choices, default=Source.PAGE)
    # The draw of DESIGN §5 asked for this one, whatever it looked like.
    random_check = models.BooleanField(default=False)
    # Logged without signal: when the device sealed it, and how far its clock was ahead of the server's (s).
    device_sealed_at = models.DateTimeField(null=True, blank=True)
    clock_offset_s = models.FloatField(null=True, blank=True)
    received_at = models.DateTimeField(default=timezone.now)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(name="look_method", condition=Q(method__in=Method.values)),
            models.CheckConstraint(name="look_platform", condition=Q(platform__in=["", *Platform.values])),
            # The clock of a phone may run ahead a little; a look of tomorrow is a slip.
            models.CheckConstraint(
                name="look_not_of_the_future",
                condition=Q(started_at__lte=F("received_at") + timedelta(minutes=10)),
            ),
            models.CheckConstraint(
                name="look_minutes", condition=Q(minutes=None) | Q(minutes__gte=0, minutes__lte=1440)
            ),
            models.CheckConstraint(
                name="look_rod_hours",
                condition=Q(rod_hours=None) | Q(rod_hours__gte=0, rod_hours__lte=240, method="rod"),
            ),
            models.CheckConstraint(
                name="look_secchi", condition=Q(secchi_m=None) | Q(secchi_m__gte=0, secchi_m__lte=50)
            ),
            models.CheckConstraint(
                name="look_water_temp",
                condition=Q(water_temp_c=None) | Q(water_temp_c__gte=-2, water_temp_c__lte=45),
            ),
            models.CheckConstraint(
                name="look_opens_later",
                condition=Q(opens_at=None) | (Q(opens_at__gte=F("received_at")) & ~Q(scope="club")),
            ),
            models.CheckConstraint(
                name="look_offset", condition=Q(utc_offset_min__gte=-1080, utc_offset_min__lte=1080)
            ),
        ]
        indexes = [
            models.Index(fields=["spot", "started_at"]),
            models.Index(fields=["observer", "-started_at"]),
            models.Index(fields=["opens_at"], condition=~Q(opens_at=None), name="looks_that_open"),
        ]
        ordering = ["-started_at", "id"]

    def __str__(self) -> str:
        return f"{self.get_method_display()}, {self.started_at:%d %b %Y}"


class EchoGroup(models.Model):
    """One group of what a sonar look (or an eye) shows; "none" is a group too."""

    class Band(models.TextChoices):
        NONE = "none", "none"
        FEW = "1-3", "1–3"
        SOME = "4-8", "4–8"
        MANY = "9-20", "9–20"
        MORE = "more", "more"

    class Placement(models.TextChoices):
        OVER = "over", "over"
        IN = "in", "in"
        BESIDE = "beside", "beside"
        FRONT = "in front", "in front"
        BOTTOM = "on bottom", "on bottom"
        SUSPENDED = "suspended", "suspended"
        ROAMING = "roaming", "roaming"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    look = models.ForeignKey(Observation, on_delete=models.CASCADE, related_name="groups")
    order = models.SmallIntegerField(default=0)
    band = models.CharField(max_length=5, choices=Band.choices)
    count = models.IntegerField(null=True, blank=True)
    placement = models.CharField(max_length=10, choices=Placement.choices, blank=True)
    depth_m = models.FloatField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(name="one_group_per_place_in_look", fields=["look", "order"]),
            models.CheckConstraint(
                name="echo_count", condition=Q(count=None) | Q(count__gte=0, count__lte=100000)
            ),
            models.CheckConstraint(
                name="echo_depth", condition=Q(depth_m=None) | Q(depth_m__gte=0, depth_m__lte=500)
            ),
        ]
        ordering = ["look_id", "order"]

    def __str__(self) -> str:
        return f"{self.get_band_display()} echoes"


def band_of(count: int) -> str:
    """Return the number band of a count of echoes."""
    for top, band in ((0, "none"), (3, "1-3"), (8, "4-8"), (20, "9-20")):
        if count <= top:
            return band
    return "more"


class Call(models.Model):
    """What the observer says a group is. Sealed: the database refuses to change it, only to withdraw it."""

    class Seal(models.TextChoices):
        SERVER = "server", "sealed when the server received it"
        RECORD = "record", "sealed in order of time, from past records"
        MEMORY = "memory", "from memory"
        # The server has only the device's word for when: labelled, and scored apart as well.
        DEVICE = "device", "sealed on the device, before the server received it"

    class Size(models.TextChoices):
        SMALL = "small", "small"
        MIDDLE = "middle", "middle"
        LARGE = "large", "large"

    group = models.OneToOneField(EchoGroup, primary_key=True, on_delete=models.CASCADE, related_name="call")
    species = models.ForeignKey(Species, on_delete=models.PROTECT, related_name="calls")
    probability = models.FloatField(null=True, blank=True)
    size = models.CharField(max_length=10, choices=Size.choices, blank=True)
    sealed_at = models.DateTimeField(default=timezone.now)
    seal = models.CharField(max_length=10, choices=Seal.choices, default=Seal.SERVER)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="call_probability",
                condition=Q(probability=None) | Q(probability__gt=0, probability__lte=1),
            )
        ]

    def __str__(self) -> str:
        return f"call of {self.species_id}"


class Finding(models.Model):
    """A species seen on camera or landed, tied to the group it settles."""

    class Tie(models.TextChoices):
        FISH = "same fish", "same fish"
        COVER = "same cover", "same cover"

    class Fate(models.TextChoices):
        KEPT = "kept", "kept"
        SWAM = "swam off", "swam off"
        FLOATED = "floated", "floated"
        DEAD = "dead", "dead"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    look = models.ForeignKey(Observation, on_delete=models.CASCADE, related_name="findings")
    species = models.ForeignKey(Species, on_delete=models.PROTECT, related_name="findings")
    count = models.IntegerField(default=1)
    lengths_mm = ArrayField(models.IntegerField(), default=list, blank=True)
    fate = models.CharField(max_length=10, choices=Fate.choices, blank=True)
    depth_m = models.FloatField(null=True, blank=True)
    settles = models.ForeignKey(
        EchoGroup, null=True, blank=True, on_delete=models.SET_NULL, related_name="proofs"
    )
    tie = models.CharField(max_length=10, choices=Tie.choices, default=Tie.COVER)
    # Both set by a trigger when a second member confirms; the web role cannot write them.
    verified_at = models.DateTimeField(null=True, blank=True, editable=False)
    # The species the confirming checker named, where it was not the observer's.
    corrected_species = models.ForeignKey(
        Species, null=True, blank=True, editable=False, on_delete=models.PROTECT, related_name="+"
    )
    # Copies from the look, so that a checker may see a finding without seeing the look; kept by a trigger.
    observer = models.ForeignKey(Member, on_delete=models.PROTECT, related_name="findings", editable=False)
    scope = models.TextField(editable=False)
    opens_at = models.DateTimeField(null=True, editable=False)
    water_id = models.UUIDField(editable=False)
    withdrawn_at = models.DateTimeField(null=True, blank=True, editable=False)
    # Since when checkers differ, or its observer asks for another (observations/proof_policies.py).
    disputed_at = models.DateTimeField(null=True, blank=True, editable=False)
    # Standing decisions that settle it, the last time that one was taken back, and since when it waits for a
    # checker (none: it does not). The database keeps all three: the queue's length stands on each checker's pages.
    votes = models.SmallIntegerField(default=0, db_default=0, editable=False)
    undone_at = models.DateTimeField(null=True, blank=True, editable=False)
    waits_since = models.DateTimeField(null=True, blank=True, editable=False)
    received_at = models.DateTimeField(default=timezone.now)

    objects = AsItStood["Finding"].as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(name="finding_count", condition=Q(count__gte=1, count__lte=10000)),
            models.CheckConstraint(
                name="finding_depth", condition=Q(depth_m=None) | Q(depth_m__gte=0, depth_m__lte=500)
            ),
            models.UniqueConstraint(name="a_species_once_in_a_look", fields=["look", "species"]),
        ]
        # The checkers' queue, and what of it may come back.
        indexes = [
            models.Index(
                name="finding_waits",
                fields=["waits_since"],
                condition=Q(waits_since__isnull=False, withdrawn_at=None),
            ),
            models.Index(
                name="finding_verified",
                fields=["verified_at"],
                condition=Q(verified_at__isnull=False, withdrawn_at=None),
            ),
        ]
        ordering = ["look_id", "species_id"]

    def __str__(self) -> str:
        return f"{self.count} {self.species_id}"

    @classmethod
    def from_db(cls, db: str | None, field_names: Any, values: Any, **more: Any) -> Self:
        """Read a finding as it stood at the cut-off, for whom its water is frozen: a proof since is not there.

        Row-level security cannot blank a column; every reading of findings passes here. So of others' findings
        `corrected_species` is prefetched, never joined, and `verified_at` not asked of the database.
        """
        finding = super().from_db(db, field_names, values, **more)
        asked = {"id", "water_id", "verified_at", "species_id"} <= set(field_names)
        if current_freeze().waters and asked and _cut_off_of(finding) is not None:
            put_right(_stood, finding)
        return finding


def _stood(findings: list[Finding]) -> None:
    """Put findings right to what was decided by the cut-off of their water."""
    known = {(f.pk, at): f for f in findings if (at := _cut_off_of(f))}
    asked = zip(*((str(f.pk), f.species_id, at) for (_, at), f in known.items()), strict=True)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT w.id, s.decided, s.verified, s.corrected"
            " FROM unnest(%s::uuid[], %s::text[], %s::timestamptz[]) AS w (id, claimed, at)"
            " CROSS JOIN LATERAL observations_settled(w.id, w.claimed, w.at) s",
            [list(column) for column in asked],
        )
        then = {key: settled for key, *settled in cursor.fetchall()}
    for finding in findings:
        at = _cut_off_of(finding)
        assert at is not None  # noqa: S101 - from_db
        for name in ("disputed_at", "undone_at"):
            if (since := finding.__dict__.get(name)) and since > at:
                setattr(finding, name, None)
        decided, verified, corrected = then[finding.pk]
        if decided:
            finding.verified_at, finding.corrected_species_id = verified, corrected
        elif finding.verified_at and finding.verified_at > at:
            finding.verified_at = finding.corrected_species_id = None


def _cut_off_of(finding: Finding) -> datetime | None:
    """Return the cut-off at which the viewer sees a finding; None: as it is now, as their own side does."""
    freeze = current_freeze()
    own = finding.scope in freeze.side or f"member:{finding.observer_id}" in freeze.side
    return None if own else freeze.waters.get(str(finding.water_id))


class Confirmation(models.Model):
    """A checker's decision. The species was named before the claim was shown."""

    class Decision(models.TextChoices):
        CONFIRMED = "confirmed", "confirmed"
        CORRECTED = "corrected", "corrected the species"
        REJECTED = "rejected", "rejected"
        UNSURE = "unsure", "cannot tell"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    finding = models.ForeignKey(Finding, on_delete=models.CASCADE, related_name="confirmations")
    checker = models.ForeignKey(Member, on_delete=models.PROTECT, related_name="confirmations")
    named_species = models.ForeignKey(
        Species, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    decision = models.CharField(max_length=10, choices=Decision.choices)
    reason = models.CharField(max_length=300, blank=True)
    created_at = models.DateTimeField(default=timezone.now)
    # Taken back by its checker: kept, and counts no more.
    undone_at = models.DateTimeField(null=True, blank=True, editable=False)

    objects = AsItStood["Confirmation"].as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                name="one_decision_per_checker", fields=["finding", "checker"], condition=Q(undone_at=None)
            ),
            models.CheckConstraint(
                name="rejection_has_a_reason", condition=~Q(decision="rejected") | ~Q(reason="")
            ),
            models.CheckConstraint(
                name="a_name_unless_unsure",
                condition=Q(decision__in=["unsure", "rejected"]) | ~Q(named_species=None),
            ),
        ]
        ordering = ["-created_at", "id"]

    def __str__(self) -> str:
        return f"{self.decision} by {self.checker_id}"

    @classmethod
    def from_db(cls, db: str | None, field_names: Any, values: Any, **more: Any) -> Self:
        """Read a decision as it stood at the cut-off, for whom its water is frozen: taken back since, it stands."""
        row = super().from_db(db, field_names, values, **more)
        asked = {"undone_at", "finding_id", "checker_id"} <= set(field_names)
        if current_freeze().waters and asked and row.undone_at:
            put_right(_still_stood, row)
        return row

    @staticmethod
    def standing() -> Q:
        """Return the condition of a decision that stands, as `from_db` has it."""
        freeze = current_freeze()
        found = Q(undone_at=None)
        for water, at in freeze.waters.items():
            found |= Q(finding__water_id=water, undone_at__gt=at) & ~Q(finding__scope__in=freeze.side)
        return found


def _still_stood(rows: list[Confirmation]) -> None:
    """Let decisions that were taken back after the cut-off of their water stand."""
    of = Finding.objects.only("water_id", "scope", "observer_id").in_bulk({row.finding_id for row in rows})
    for row in rows:
        own = row.finding_id not in of or f"member:{row.checker_id}" in current_freeze().side
        at = None if own else _cut_off_of(of[row.finding_id])
        if at is not None and row.undone_at and row.undone_at > at:
            row.undone_at = None


class BlindName(models.Model):
    """The species that a checker named before seeing the claim; none: they could not tell. Never changed."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    finding = models.ForeignKey(Finding, on_delete=models.CASCADE, related_name="blind_names")
    checker = models.ForeignKey(Member, on_delete=models.PROTECT, related_name="+")
    named_species = models.ForeignKey(
        Species, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    created_at = models.DateTimeField(default=timezone.now)
    # Not where the claim stood open to this checker anyhow (a trigger): then it counts, but as no blind check.
    blind = models.BooleanField(default=True, db_default=True, editable=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(name="one_blind_name_per_checker", fields=["finding", "checker"])
        ]
        ordering = ["-created_at", "id"]

    def __str__(self) -> str:
        return f"named by {self.checker_id}"


class Presentation(models.Model):
    """What was put in front of the fish, for how long, and the response."""

    class Response(models.TextChoices):
        NONE = "none", "none"
        FOLLOWED = "followed", "followed"
        BIT = "bit", "bit"
        LOST = "hooked and lost", "hooked and lost"
        LANDED = "landed", "landed"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    look = models.ForeignKey(Observation, on_delete=models.CASCADE, related_name="presentations")
    what = models.CharField(max_length=120)
    minutes = models.FloatField(null=True, blank=True)
    response = models.CharField(max_length=20, choices=Response.choices, blank=True)

    class Meta:
        ordering = ["look_id", "id"]

    def __str__(self) -> str:
        return self.what


class Picture(models.Model):
    """A re-encoded picture; the original is never kept, its metadata never stored."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    look = models.ForeignKey(Observation, on_delete=models.CASCADE, related_name="pictures")
    finding = models.ForeignKey(
        Finding, null=True, blank=True, on_delete=models.CASCADE, related_name="pictures"
    )
    uploaded_by = models.ForeignKey(Member, on_delete=models.PROTECT, related_name="+")
    width = models.IntegerField()
    height = models.IntegerField()
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["created_at", "id"]

    def __str__(self) -> str:
        return f"picture {self.id}"

    @property
    def stored_name(self) -> str:
        return f"{self.id}.jpg"


class Refit(models.Model):
    """One fit of the club's parameters, from club-scope evidence only."""

    id = models.BigAutoField(primary_key=True)
    as_of = models.DateTimeField()
    started_at = models.DateTimeField()
    finished_at = models.DateTimeField(default=timezone.now)
    code_version = models.CharField(max_length=40)
    counts = models.JSONField(default=dict)
    parameters = models.JSONField()
    # Bands of water temperature and catch rates (inference/club_season.py).
    season = models.JSONField(default=dict)
    diagnostics = models.JSONField(default=dict)
    converged = models.BooleanField()
    is_current = models.BooleanField(default=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                name="one_current_refit", fields=["is_current"], condition=Q(is_current=True)
            )
        ]
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"refit of {self.started_at:%d %b %Y %H:%M}"


class Reliability(models.Model):
    """How far the calls of one method, or of one observer with it, can be believed; of the current refit.

    `observer` none: everybody's, for all members to read. An observer's own is read by that observer alone.
    `method` empty: how well the stated probabilities held, over all methods.
    """

    id = models.BigAutoField(primary_key=True)
    refit = models.ForeignKey(Refit, on_delete=models.CASCADE, related_name="reliability")
    method = models.CharField(max_length=10, choices=Method.choices, blank=True)
    observer = models.ForeignKey(Member, null=True, blank=True, on_delete=models.CASCADE, related_name="+")
    # Only looks that the server's draw asked for: free of members proving what looks good.
    drawn_only = models.BooleanField(default=False)
    # Only calls that a device sealed without signal, on its own word for the time.
    device_only = models.BooleanField(default=False)
    looks = models.IntegerField(help_text="Sealed groups and blank looks behind it.")
    body = models.JSONField(encoder=DjangoJSONEncoder)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                name="one_reliability",
                fields=["refit", "method", "observer", "drawn_only", "device_only"],
                nulls_distinct=False,
            )
        ]
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.method or 'stated probabilities'} of {self.observer_id or 'all'}"


class History(models.Model):
    """One species at one spot in one evidence scope: what was proved, and what that makes likely now.

    The `live` edition is for exact viewers; the `published` one, changed in batches, for everybody else; a
    `frozen` one for exact viewers who see the water as it stood at an event's cut-off.
    """

    class Edition(models.TextChoices):
        LIVE = "live", "live"
        FROZEN = "frozen", "frozen"
        PUBLISHED = "published", "published"

    id = models.BigAutoField(primary_key=True)
    spot = models.ForeignKey(Spot, on_delete=models.CASCADE, related_name="histories")
    species = models.ForeignKey(Species, on_delete=models.CASCADE, related_name="+")
    scope = models.TextField()
    edition = models.CharField(max_length=10, choices=Edition.choices, default=Edition.LIVE)
    # Of the frozen edition: the cut-off by which evidence from others than the scope's own side had come in.
    cutoff_at = models.DateTimeField(null=True)
    refit = models.ForeignKey(Refit, on_delete=models.PROTECT, related_name="+")
    as_of = models.DateTimeField()
    probability = models.FloatField()
    low = models.FloatField()
    high = models.FloatField()
    # Looks at their highest grade for this species.
    called = models.IntegerField(default=0)
    seen = models.IntegerField(default=0)
    landed = models.IntegerField(default=0)
    verified = models.IntegerField(default=0)
    last_verified = models.DateTimeField(null=True, blank=True)
    # 12 items: month, probability, low, high, looks, camera_minutes, rod_hours, grade.
    months = models.JSONField(encoder=DjangoJSONEncoder)
    # Up to three: look id, direction, change of probability.
    moved_by = models.JSONField(default=list)
    # Looks that would narrow the interval most: method, looks, effort of each, by which share of it.
    narrowed_by = models.JSONField(default=dict)
    # By band of water temperature: from_c, to_c (null: open), then as the months. Empty without temperatures.
    bands = models.JSONField(default=list)
    # Catch per rod-hour: all, months, bands, each caught, rod_hours, rate, low, high, own. Empty without rod-hours.
    catches = models.JSONField(default=dict)
    # Depths and placements, of what was found and of echoes called it; never in a published edition.
    places = models.JSONField(default=dict)
    looks = models.IntegerField(default=0)
    contributors = models.IntegerField(default=0)
    # True when three or more contributed; of the others, each must say yes before it is published.
    thick = models.BooleanField(default=False)
    computed_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                name="one_history",
                fields=["spot", "scope", "species", "edition", "cutoff_at"],
                nulls_distinct=False,
            ),
            models.CheckConstraint(
                name="frozen_at_a_cut_off",
                condition=Q(edition="frozen", cutoff_at__isnull=False)
                | (~Q(edition="frozen") & Q(cutoff_at__isnull=True)),
            ),
            models.CheckConstraint(
                name="history_is_a_probability",
                condition=Q(low__gte=0, low__lte=F("probability"), high__gte=F("probability"), high__lte=1),
            ),
            models.CheckConstraint(
                name="no_depth_below_exact", condition=~Q(edition="published") | Q(places={})
            ),
        ]
        ordering = ["spot_id", "species_id", "id"]

    def __str__(self) -> str:
        return f"{self.species_id} at {self.spot_id}"


class Due(models.Model):
    """A spot whose history must be computed again. Written by triggers, emptied by the worker."""

    spot = models.OneToOneField(Spot, primary_key=True, on_delete=models.CASCADE, related_name="+")
    since = models.DateTimeField(default=timezone.now)
    # Whose evidence changed; none stands for all. A private look must not so much as date the club's history.
    scopes = ArrayField(models.TextField(), default=list, blank=True)

    class Meta:
        ordering = ["since"]

    def __str__(self) -> str:
        return f"{self.spot_id} due"


# Django looks for models here.
from observations.blind_models import BlindCall  # noqa: E402, F401
from observations.camera_check_models import CameraCheck  # noqa: E402, F401
from observations.ceiling_models import SpeciesCeiling  # noqa: E402, F401
from observations.clearing_models import Clearance, ClearedPicture  # noqa: E402, F401
from observations.debrief_models import DebriefDraft, DebriefPicture, Pass, Track  # noqa: E402, F401
from observations.import_models import ImportMap, ImportRecord  # noqa: E402, F401
from observations.lesson_models import (  # noqa: E402, F401
    Lesson,
    LessonChoice,
    LessonEdition,
    LessonShare,
    LessonSource,
)
from observations.marking_models import Mark  # noqa: E402, F401
from observations.proof_models import Dispute  # noqa: E402, F401
from observations.small_models import SmallDue  # noqa: E402, F401
