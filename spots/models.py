"""Waters, zones and spots.

What may be shown below `exact` stands in `Spot`; everything else about a place stands in `Sheet` and
`Position`, each in a table of its own that row-level security opens to exact viewers only.
"""

import uuid

from django.contrib.gis.db import models
from django.db.models import F, Q
from django.utils import timezone

from club.models import LADDER_HA, Level, Member, Team


class Water(models.Model):
    """A lake, reservoir or river reach. Seen by all."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    name = models.CharField(max_length=80, unique=True)
    time_zone = models.CharField(max_length=60, default="UTC")
    outline = models.MultiPolygonField(null=True, blank=True, help_text="At full pool.")
    low_outline = models.MultiPolygonField(null=True, blank=True, help_text="At low pool.")
    full_pool_m = models.FloatField(null=True, blank=True, help_text="Metres above the level datum.")
    area_ha = models.FloatField(null=True, editable=False)
    rules_url = models.URLField(blank=True, help_text="The local authority's rules for this water.")
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["name", "id"]

    def __str__(self) -> str:
        return self.name


class DepthArea(models.Model):
    """The part of a water that is deeper than `depth_m` below full pool. Nested; drawn one over the other."""

    id = models.BigAutoField(primary_key=True)
    water = models.ForeignKey(Water, on_delete=models.CASCADE, related_name="depth_areas")
    depth_m = models.FloatField()
    area = models.MultiPolygonField()

    class Meta:
        constraints = [
            models.CheckConstraint(name="depth_area_below_pool", condition=Q(depth_m__gt=0)),
            models.UniqueConstraint(name="one_area_per_depth", fields=["water", "depth_m"]),
        ]
        ordering = ["water_id", "depth_m"]

    def __str__(self) -> str:
        return f"deeper than {self.depth_m} m"


class Feature(models.Model):
    """A public thing on a water's chart: ramp, hazard, closure, no-wake zone, name, sounding."""

    class Kind(models.TextChoices):
        RAMP = "ramp", "launch ramp"
        HAZARD = "hazard", "hazard"
        CLOSURE = "closure", "closure"
        NO_WAKE = "no_wake", "no-wake zone"
        NAME = "name", "name"
        SOUNDING = "sounding", "sounding"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    water = models.ForeignKey(Water, on_delete=models.CASCADE, related_name="features")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    text = models.CharField(max_length=120, blank=True)
    of_land = models.BooleanField(default=False, help_text="A name of land, not of water.")
    depth_m = models.FloatField(null=True, blank=True)
    place = models.GeometryField()

    class Meta:
        ordering = ["water_id", "kind", "id"]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.text}".strip()


class Zone(models.Model):
    """A published part of a water, made of whole map squares, that holds at least `minimum_ha` of water.

    Cut once from the public outline and kept: a new outline never changes a zone (spots/zones.py).
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    water = models.ForeignKey(Water, on_delete=models.CASCADE, related_name="zones")
    minimum_ha = models.IntegerField()
    number = models.IntegerField(help_text="From north-west to south-east, within the water and minimum.")
    squares = models.MultiPolygonField()
    water_ha = models.FloatField()

    class Meta:
        constraints = [
            models.UniqueConstraint(name="zone_number", fields=["water", "minimum_ha", "number"]),
            models.CheckConstraint(name="zone_on_the_ladder", condition=Q(minimum_ha__in=LADDER_HA)),
            # The promise itself, to the rounding of the stored figure.
            models.CheckConstraint(
                name="zone_holds_its_minimum", condition=Q(water_ha__gte=F("minimum_ha") * 0.999)
            ),
        ]
        ordering = ["water_id", "minimum_ha", "number"]

    def __str__(self) -> str:
        return f"zone {self.number} of {self.minimum_ha} ha"


class DepthCell(models.Model):
    """A part of a zone of the finest minimum in use, and the band of depth that its spots are shown at each minimum.

    Cut once, from the contours that came first, and kept: later contours never change what is shown
    (spots/geometry/bands.py).
    """

    id = models.BigAutoField(primary_key=True)
    zone = models.ForeignKey(Zone, on_delete=models.CASCADE, related_name="depth_cells")
    number = models.IntegerField(help_text="From the shallowest, within the zone.")
    area = models.MultiPolygonField()
    water_ha = models.FloatField()
    # By minimum: from and to, in metres; a minimum that is missing shows no depth.
    bands = models.JSONField(default=dict)

    class Meta:
        constraints = [models.UniqueConstraint(name="depth_cell_number", fields=["zone", "number"])]
        ordering = ["zone_id", "number"]

    def __str__(self) -> str:
        return f"part {self.number} of {self.zone_id}"


class Term(models.Model):
    """A word of the club's own lists of cover and structure."""

    class Kind(models.TextChoices):
        COVER = "cover", "cover"
        STRUCTURE = "structure", "structure"

    id = models.BigAutoField(primary_key=True)
    kind = models.CharField(max_length=10, choices=Kind.choices)
    name = models.CharField(max_length=40)
    order = models.SmallIntegerField(default=0)

    class Meta:
        constraints = [models.UniqueConstraint(name="one_term", fields=["kind", "name"])]
        ordering = ["kind", "order", "name"]

    def __str__(self) -> str:
        return self.name


def owner_key(member_id: uuid.UUID | None, team_id: uuid.UUID | None) -> str:
    """Return the audience key of an owner; with neither a member nor a team it is the club's organisers."""
    if member_id:
        return f"member:{member_id}"
    return f"team:{team_id}" if team_id else "organisers"


class Spot(models.Model):
    """A place on a water: what may be told of it at `water` and `area`.

    The owner is one member, one team, or (neither) the club; `owner` is that as an audience key.
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    water = models.ForeignKey(Water, on_delete=models.PROTECT, related_name="spots")
    # Neutral, random, and not an order of arrival: shown below `exact` where there is no alias.
    number = models.IntegerField()
    alias = models.CharField(
        max_length=80, blank=True, help_text="The name shown to those who may not see the place."
    )
    owner_member = models.ForeignKey(
        Member, null=True, blank=True, on_delete=models.PROTECT, related_name="spots"
    )
    owner_team = models.ForeignKey(
        Team, null=True, blank=True, on_delete=models.PROTECT, related_name="spots"
    )
    owner = models.TextField(editable=False)
    scope = models.TextField(
        editable=False,
        help_text="Whose evidence its looks are unless shared further: an audience key or `club`.",
    )
    created_at = models.DateTimeField(default=timezone.now)
    paused_at = models.DateTimeField(
        null=True, blank=True, help_text="Its cover was looked for and not found."
    )
    # Taken back with the import that created it: nobody sees it any more (spots/policies.py).
    removed_at = models.DateTimeField(null=True, editable=False)
    successor = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.SET_NULL, related_name="predecessors"
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="one_owner_at_most", condition=Q(owner_member=None) | Q(owner_team=None)
            ),
            models.UniqueConstraint(name="spot_number", fields=["water", "number"]),
        ]
        indexes = [models.Index(fields=["owner"])]
        ordering = ["water_id", "number"]

    def __str__(self) -> str:
        return self.alias or f"Spot {self.number}"


class Sheet(models.Model):
    """What only an exact viewer may know of a spot, besides its position."""

    class Provenance(models.TextChoices):
        AGENCY = "agency", "published by an agency"
        CLUB = "club", "sunk by the club"
        FOUND = "found", "found"

    spot = models.OneToOneField(Spot, primary_key=True, on_delete=models.CASCADE, related_name="sheet")
    name = models.CharField(max_length=80)
    cover = models.CharField(max_length=40, blank=True)
    structure = models.CharField(max_length=40, blank=True)
    depth_min_m = models.FloatField(null=True, blank=True)
    depth_max_m = models.FloatField(null=True, blank=True)
    provenance = models.CharField(max_length=10, choices=Provenance.choices, default=Provenance.FOUND)
    placed_on = models.DateField(null=True, blank=True)
    permission = models.CharField(
        max_length=200, blank=True, help_text="Reference of the water owner's permission."
    )
    notes = models.TextField(blank=True)
    rest_until = models.DateField(
        null=True, blank=True, help_text="Left alone until that day, which is the first to fish it again."
    )
    come_back = models.JSONField(
        default=dict, blank=True, help_text="When it is worth coming back: spots.resting.ComeBack."
    )
    updated_at = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="spot_depths_in_order",
                condition=Q(depth_min_m=None) | Q(depth_max_m=None) | Q(depth_min_m__lte=F("depth_max_m")),
            ),
            models.CheckConstraint(
                name="spot_depths_possible",
                condition=(Q(depth_min_m=None) | Q(depth_min_m__gte=-20, depth_min_m__lte=500))
                & (Q(depth_max_m=None) | Q(depth_max_m__gte=-20, depth_max_m__lte=500)),
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Position(models.Model):
    """The exact point of a spot. The most guarded table."""

    class Source(models.TextChoices):
        TYPED = "typed", "typed in"
        CHART = "chart", "picked on the chart"
        PHONE = "phone", "from a phone"
        IMPORT = "import", "from a file"
        BEARING = "bearing", "from the boat, by bearing and range"

    spot = models.OneToOneField(Spot, primary_key=True, on_delete=models.CASCADE, related_name="position")
    point = models.PointField()
    # What was typed, so that it returns exactly.
    typed = models.CharField(max_length=80, blank=True)
    source = models.CharField(max_length=10, choices=Source.choices, default=Source.TYPED)
    error_m = models.FloatField(null=True, blank=True)
    # Of a target seen from the boat: where the boat was, the bearing from true north, and the range.
    boat = models.PointField(null=True, blank=True)
    bearing_deg = models.FloatField(null=True, blank=True)
    range_m = models.FloatField(null=True, blank=True)
    updated_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [
            models.CheckConstraint(name="position_error", condition=Q(error_m=None) | Q(error_m__gte=0)),
            models.CheckConstraint(
                name="position_from_the_boat",
                condition=Q(source="bearing", boat__isnull=False, bearing_deg__range=(0, 360), range_m__gt=0)
                | (~Q(source="bearing") & Q(boat=None, bearing_deg=None, range_m=None)),
            ),
        ]

    def __str__(self) -> str:
        # Never the coordinates: this text lands in logs.
        return f"position of {self.spot_id}"


class Past(models.Model):
    """What a spot's row, sheet or position said before a change made while an event's cut-off is on.

    Written by triggers; read instead of the newer row by those for whom the water is frozen.
    """

    class Kind(models.TextChoices):
        SPOT = "spot", "spot"
        SHEET = "sheet", "sheet"
        POSITION = "position", "position"

    id = models.BigAutoField(primary_key=True)
    spot = models.ForeignKey(Spot, on_delete=models.CASCADE, related_name="+")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    until = models.DateTimeField(help_text="When the newer row took its place.")
    row = models.JSONField()
    point = models.PointField(null=True)

    class Meta:
        indexes = [models.Index(fields=["spot", "kind", "until"], name="spots_past_of_a_spot")]

    def __str__(self) -> str:
        return f"{self.kind} of {self.spot_id} until {self.until:%d %b %Y %H:%M}"


class SpotZone(models.Model):
    """The zone a spot was published in, for each rung of the ladder. Sticky."""

    id = models.BigAutoField(primary_key=True)
    spot = models.ForeignKey(Spot, on_delete=models.CASCADE, related_name="zones")
    minimum_ha = models.IntegerField()
    zone = models.ForeignKey(Zone, on_delete=models.PROTECT)
    # The zone's band of depth in which it was published, below full pool; no `to`: the deepest. Both none: no
    # depth is shown.
    band_from_m = models.FloatField(null=True)
    band_to_m = models.FloatField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(name="one_zone_per_minimum", fields=["spot", "minimum_ha"]),
            models.CheckConstraint(
                name="band_in_order",
                condition=Q(band_to_m=None) | Q(band_from_m__gte=0, band_to_m__gt=F("band_from_m")),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.spot_id} at {self.minimum_ha} ha"


class Grant(models.Model):
    """One audience's sight of one spot, optionally from a time (embargo) and until a time.

    Everybody who sees a spot sees it through a row here, its owner too; no row means hidden. `level` null
    stands for whatever the organiser's default for that audience is at the moment of reading.
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    spot = models.ForeignKey(Spot, on_delete=models.CASCADE, related_name="grants")
    audience = models.CharField(max_length=60)
    level = models.SmallIntegerField(choices=Level.choices, null=True, blank=True)
    starts_at = models.DateTimeField(null=True, blank=True)
    ends_at = models.DateTimeField(null=True, blank=True)
    # The spot's owner, repeated here so that the policy on grants need not look at spots, whose policy looks here.
    owner = models.TextField()
    # Its water, repeated for the same reason.
    water = models.ForeignKey(Water, editable=False, on_delete=models.CASCADE, related_name="+")
    # Since when this sight was given, and when a wider one took its place: a frozen viewer sees by what was
    # known at the cut-off (spots/granting.py).
    known_at = models.DateTimeField(default=timezone.now)
    replaced_at = models.DateTimeField(null=True, blank=True)
    created_at = models.DateTimeField(default=timezone.now)
    created_by = models.ForeignKey(Member, null=True, on_delete=models.SET_NULL, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="grant_level", condition=Q(level=None) | Q(level__gte=0, level__lte=3)
            ),
            models.CheckConstraint(
                name="grant_times_in_order",
                condition=Q(starts_at=None) | Q(ends_at=None) | Q(starts_at__lt=F("ends_at")),
            ),
        ]
        # The second is for the map: the grants to a viewer on the waters of a box.
        indexes = [
            models.Index(fields=["audience", "spot"]),
            models.Index(name="grants_of_a_water", fields=["water", "audience"]),
        ]
        ordering = ["spot_id", "audience", "id"]

    def __str__(self) -> str:
        return f"{self.audience} on {self.spot_id}"


class SharingChange(models.Model):
    """What one change on the sharing desk did, so that it can be taken back. Private to whoever made it."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    member = models.ForeignKey(Member, on_delete=models.CASCADE, related_name="+")
    made_at = models.DateTimeField()
    words = models.CharField(max_length=200)
    # The sights of each spot, as [audience, level, starts, ends] (spots/sharing.py).
    before = models.JSONField()
    after = models.JSONField()
    undone_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-made_at", "id"]

    def __str__(self) -> str:
        return self.words


# Django looks for models here; those of events need Water, above.
from spots.disclosure_models import CapReached, Disclosure  # noqa: E402, F401
from spots.event_models import Entry, Event  # noqa: E402, F401
from spots.level_models import PoolLevel  # noqa: E402, F401
from spots.link_models import SpotLink  # noqa: E402, F401
