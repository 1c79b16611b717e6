"""What twin worlds differ in: secrets, each with the people who may know it."""

import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.contrib.gis.geos import Point

from club.models import Level
from observations.blind_models import BlindCall
from observations.clearing import end, offer
from observations.clearing_models import Clearance
from observations.marking_models import Mark
from observations.models import BlindName, Finding, Observation, Picture
from spots.disclosure_models import Channel
from spots.models import Grant, Position, Sheet, Spot, SpotZone, Zone
from spots.precision import released_spot
from spots.services import SpotDraft, create_spot
from tests.conftest import found, look, see, sonar
from tests.leaks.worlds import World

SPOT, LOOK = uuid.UUID(int=0x71 << 80 | 4 << 76 | 8 << 60), uuid.UUID(int=0x72 << 80 | 4 << 76 | 8 << 60)


def point_elsewhere(world: World, moment: datetime) -> None:
    """The club's spot, which members and the public see as an area, lies elsewhere in the members' zone."""
    spot = world.places.club
    members = SpotZone.objects.get(spot=spot, minimum_ha=50).zone
    before = Position.objects.get(spot=spot).point
    west, south, east, north = members.squares.extent
    # The corner of the zone that is farthest from where it was.
    corner = max(
        (Point(x, y, srid=4326) for x in (west + 0.0004, east - 0.0004) for y in (south + 0.0004, north - 0.0004)),
        key=before.distance,
    )  # fmt: skip
    assert members.squares.contains(corner) and corner.distance(before) > 0.002
    Position.objects.filter(spot=spot).update(point=corner)
    for row in SpotZone.objects.filter(spot=spot, minimum_ha__lt=50):
        zones = Zone.objects.filter(water=spot.water_id, minimum_ha=row.minimum_ha, squares__contains=corner)
        SpotZone.objects.filter(pk=row.pk).update(zone=zones.get())
    kept = {row.minimum_ha: row.zone.squares for row in SpotZone.objects.filter(spot=spot)}
    assert all(squares.contains(corner) for squares in kept.values())


def sheet_says_more(world: World, moment: datetime) -> None:
    """Name, notes and rest of the spots that are not shown exactly."""
    for spot in (world.places.club, world.places.private, world.places.team):
        Sheet.objects.filter(spot=spot).update(
            name="Quite another name",
            notes="and a long note " * 9,
            rest_until=date(2034, 5, 6),
            come_back={"sight_from_m": 2.0},
        )


def private_look(world: World, moment: datetime) -> None:
    look(
        world.cast, "member", world.places.shared, "down", moment - timedelta(days=2), id=LOOK,
        scope=f"member:{world.cast.member.pk}", groups=sonar("walleye", 0.9), note="seen by nobody else",
    )  # fmt: skip


def private_proof(world: World, moment: datetime) -> None:
    """A camera proof at the spot that all see, kept to oneself: it moves nothing that others read."""
    look(
        world.cast, "member", world.places.shared, "camera", moment - timedelta(days=2, hours=-1), minutes=12,
        scope=f"member:{world.cast.member.pk}", secchi_m=3.0, findings=found("walleye", 6),
        presentations=(("a lure that nobody knows", 9.0, "followed"),),
    )  # fmt: skip


def private_mark(world: World, moment: datetime) -> None:
    """Something drawn on a picture of a look that is kept to oneself."""
    Mark.objects.create(
        picture_id=world.ids["private picture"], kind="bait", shape="box", points=[10, 20, 300, 200],
        created_at=moment,
    )  # fmt: skip


def private_picture(world: World, moment: datetime) -> None:
    """One more picture of that look; another that was offered to the checkers, and taken back."""
    look = Picture.objects.get(pk=world.ids["private picture"]).look
    with see(world.cast, "member", moment):
        made = Picture.objects.create(look=look, uploaded_by=world.cast.member, width=640, height=480)
        owner = world.cast.viewer("member")
        end(owner, offer(owner, made, moment), moment)


def cleared_from_elsewhere(world: World, moment: datetime) -> None:
    """The picture that everybody sees is of the member's other look, which nobody sees either."""
    other = Observation.objects.get(spot=world.places.private, method="camera")
    seen = Picture.objects.create(
        look=other, finding=other.findings.get(), uploaded_by=world.cast.member, width=640, height=480
    )
    assert Clearance.objects.filter(cleared_id=world.ids["cleared"]).update(picture=seen) == 1


def practised(world: World, moment: datetime) -> None:
    """The member has called the picture that everybody sees, blind."""
    BlindCall.objects.create(
        member=world.cast.member, picture=world.ids["cleared"], method="camera", called_id="walleye",
        probability=0.8, truth_id="channel-catfish", right=False, made_at=moment,
    )  # fmt: skip


def named_blind(world: World, moment: datetime) -> None:
    """Somebody who checks has named an open proof of the club's, and not yet decided. None of `OUTSIDERS`."""
    open_proof = Finding.objects.filter(scope="club", verified_at=None).order_by("pk")[0]
    BlindName.objects.create(
        finding=open_proof, checker=world.cast.teammate, named_species_id="walleye", created_at=moment
    )


def private_spot(world: World, moment: datetime) -> None:
    draft = SpotDraft(
        water=world.places.club.water, name="One more", scope=f"member:{world.cast.member.pk}",
        point=Point(-93.26, 45.03, srid=4326), cover="stake bed", id=SPOT,
    )  # fmt: skip
    with see(world.cast, "member", moment):
        spot = create_spot(draft, world.cast.viewer("member"), moment)[0]
    look(
        world.cast,
        "member",
        spot,
        "camera",
        moment - timedelta(days=1),
        minutes=5,
        findings=found("bluegill"),
    )


def grant_to_somebody(world: World, moment: datetime) -> None:
    """The member lets the teammate alone see the private spot."""
    spot = Spot.objects.get(pk=world.places.private.pk)
    Grant.objects.create(
        spot=spot,
        audience=f"member:{world.cast.teammate.pk}",
        level=Level.EXACT,
        owner=spot.owner,
        water_id=spot.water_id,
    )


def disclosure_to_somebody(world: World, moment: datetime) -> None:
    with see(world.cast, "teammate", moment):
        released_spot(world.places.team.pk, channel=Channel.PAGE)


def team_look(world: World, moment: datetime) -> None:
    scope = f"team:{world.cast.alder.pk}"
    at = moment - timedelta(days=1)
    words = "the team's plan"
    look(
        world.cast, "captain", world.places.shared, "camera", at, minutes=9, secchi_m=3.0, scope=scope,
        note=words, findings=found("smallmouth-bass", 3),
    )  # fmt: skip


def team_spot(world: World, moment: datetime) -> None:
    draft = SpotDraft(
        water=world.places.club.water, name="Team's new one", scope=f"team:{world.cast.alder.pk}",
        point=Point(-93.255, 45.052, srid=4326),
    )  # fmt: skip
    with see(world.cast, "captain", moment):
        create_spot(draft, world.cast.viewer("captain"), moment)


@dataclass(frozen=True)
class Secret:
    apply: tuple[Callable[[World, datetime], None], ...]
    unknown_to: tuple[str, ...]


OUTSIDERS = ("rival", "newcomer", "guest", "nobody", "removed", "demoted", "lapsed")
OF_PICTURES = (private_mark, private_picture, practised)
OF_THE_MEMBER = (private_look, private_proof, *OF_PICTURES, private_spot, grant_to_somebody)
OF_THE_TEAM = (team_look, team_spot, disclosure_to_somebody)
OF_THE_CLUB = (point_elsewhere, sheet_says_more)
# Several secrets at once where the same people may know none of them: one that shows fails as well, and which
# it was is found by trying them one by one.
SECRETS = {
    "everything": Secret(
        (*OF_THE_CLUB, *OF_THE_MEMBER, *OF_THE_TEAM, named_blind, cleared_from_elsewhere), OUTSIDERS
    ),
    # Who clears pictures sees which one it is.
    "but what checkers clear": Secret(
        (*OF_THE_CLUB, *OF_THE_MEMBER, *OF_THE_TEAM, named_blind), ("checker",)
    ),
    "of the member": Secret(
        (private_look, private_proof, *OF_PICTURES, private_spot, cleared_from_elsewhere),
        ("organiser", "teammate", "captain"),
    ),
    "of the team": Secret(OF_THE_TEAM, ("organiser", "member")),
    "of the club": Secret((point_elsewhere,), ("member", "teammate", "captain")),
}
