"""A vulnerable species is told of no place that anybody but its owner is shown finer than its ceiling."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.db import ProgrammingError, transaction
from django.test import Client
from django.utils import timezone

from club.models import AudiencePolicy, Level
from observations.ceiling_models import SpeciesCeiling
from observations.ceilings import set_ceilings
from observations.jobs import refit
from observations.models import Call, Confirmation, Finding, History, Picture
from spots.models import Grant, Spot
from tests.conftest import Cast, Places, found, look, see, sonar

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quiet_queue")]

RARE, COMMON = "bluegill", "white-crappie"
DAY = timedelta(days=1)


@pytest.fixture
def watched(cast: Cast, places: Places) -> Places:
    """Three members saw both species, and called one, at the club's two spots; all of it is published."""
    AudiencePolicy.objects.filter(audience="public").update(
        default_level=Level.AREA, ceiling_level=Level.AREA
    )
    at = timezone.now() - 3 * DAY
    for spot in (places.shared, places.club):
        for turn, persona in enumerate(("member", "teammate", "newcomer")):
            if spot == places.club:
                persona = "organiser"
            when = at + turn * timedelta(hours=7)
            look(cast, persona, spot, "side", when, groups=sonar(RARE, 0.8))
            both, later = (*found(RARE), *found(COMMON, 4)), when + timedelta(minutes=5)
            seen = look(cast, persona, spot, "camera", later, minutes=6, findings=both)
            for finding in seen.findings.all():
                Picture.objects.create(
                    look=seen, finding=finding, uploaded_by=seen.observer, width=8, height=8
                )
                Finding.objects.filter(pk=finding.pk).update(verified_at=when)
    refit()
    History.objects.filter(edition="published").delete()
    live = History.objects.filter(scope="club", edition="live")
    for row in live:
        row.pk, row.edition, row.thick, row.places = None, "published", True, {}
        row.save()
    return places


def protect(cast: Cast, level: Level = Level.AREA) -> None:
    with see(cast, "organiser"):
        set_ceilings({RARE: level}, cast.viewer("organiser"), timezone.now())


def species_in_rows(cast: Cast, persona: str, spot: Spot) -> dict[str, set[str]]:
    """Every row that names a species and that the persona's queries reach."""
    with see(cast, persona):
        return {
            "history": set(History.objects.filter(spot=spot).values_list("species_id", flat=True)),
            "call": set(Call.objects.filter(group__look__spot=spot).values_list("species_id", flat=True)),
            "finding": set(Finding.objects.filter(look__spot=spot).values_list("species_id", flat=True)),
            "picture": set(
                Picture.objects.filter(look__spot=spot).values_list("finding__species_id", flat=True)
            ),
        }


def addresses(spot: Spot) -> list[str]:
    return [
        f"/api/spots/{spot.pk}/history/",
        f"/api/spots/{spot.pk}/history/?as_of={timezone.now() - DAY:%Y-%m-%d}",
        f"/api/observations/?spot={spot.pk}",
        "/api/findings/",
        f"/spots/{spot.pk}/panel/?species={RARE}",
        f"/spots/{spot.pk}/?all",
        "/export/looks.csv",
    ]


def naming(client: Client, spot: Spot, rare: str = RARE) -> list[str]:
    """Return the addresses whose answers name the species; the list of a form's species is not an answer."""
    out = []
    for path in addresses(spot):
        answer = client.get(path)
        assert answer.status_code in (200, 302, 401, 403, 404), (path, answer.status_code)
        body = b"".join(answer.streaming_content) if answer.streaming else answer.content  # type: ignore[attr-defined]
        if answer.status_code == 200 and (rare in (text := body.decode()) or rare.capitalize() in text):
            out.append(path)
    return out


def test_before_it_has_a_ceiling_a_member_is_told_of_it_everywhere(
    cast: Cast, watched: Places, client_of: Callable[..., Client]
) -> None:
    """The control: what is silent below does speak."""
    rows = species_in_rows(cast, "rival", watched.shared)
    assert all({RARE} <= rows[table] for table in rows)
    assert len(naming(client_of("rival"), watched.shared)) >= 7


def test_a_member_who_sees_the_place_exactly_is_told_nothing_of_it(
    cast: Cast, watched: Places, client_of: Callable[..., Client]
) -> None:
    protect(cast)
    rows = species_in_rows(cast, "rival", watched.shared)
    assert {table for table in rows if RARE in rows[table]} == set()
    assert COMMON in rows["history"] and COMMON in rows["finding"] and COMMON in rows["picture"]
    assert naming(client_of("rival"), watched.shared) == []
    page = client_of("rival").get(f"/api/spots/?species={RARE}").json()
    (feature,) = [f for f in page["features"] if f["id"] == str(watched.shared.pk)]
    assert (feature["properties"]["grade"], feature["properties"]["probability"]) == ("", None)
    graded = client_of("rival").get(f"/api/spots/?species={RARE}&grade=called").json()
    assert str(watched.shared.pk) not in {f["id"] for f in graded["features"]}


def test_signing_out_does_not_bring_it_back(
    cast: Cast, watched: Places, client_of: Callable[..., Client]
) -> None:
    """The public sees an area, which the ceiling allows; but members know that spot's exact place."""
    protect(cast)
    for persona in ("nobody", "guest"):
        assert RARE not in species_in_rows(cast, persona, watched.shared)["history"]
        assert naming(client_of(persona), watched.shared) == []


def test_where_nobody_but_its_owner_sees_more_than_the_ceiling_it_is_told(
    cast: Cast, watched: Places
) -> None:
    protect(cast)
    assert RARE in species_in_rows(cast, "rival", watched.club)["history"]
    assert RARE in species_in_rows(cast, "nobody", watched.club)["history"]
    protect(cast, Level.WATER)
    assert RARE not in species_in_rows(cast, "rival", watched.club)["history"]
    assert RARE not in species_in_rows(cast, "nobody", watched.club)["history"]


def test_an_owner_cannot_lift_it_and_one_grant_takes_it_from_everybody(cast: Cast, watched: Places) -> None:
    protect(cast)
    spot = watched.club
    Grant.objects.create(
        spot=spot,
        audience=f"member:{cast.newcomer.pk}",
        level=Level.EXACT,
        owner=spot.owner,
        water=spot.water,
    )
    for persona in ("newcomer", "rival", "nobody"):
        assert RARE not in species_in_rows(cast, persona, spot)["history"]


def test_an_embargo_that_has_not_ended_and_a_grant_that_has_count_for_nothing(
    cast: Cast, watched: Places
) -> None:
    protect(cast)
    spot, now = watched.club, timezone.now()
    for number, times in enumerate(({"starts_at": now + DAY}, {"ends_at": now - DAY})):
        audience = f"member:{(cast.newcomer, cast.rival)[number].pk}"
        Grant.objects.create(
            spot=spot, audience=audience, level=Level.EXACT, owner=spot.owner, water=spot.water, **times
        )
    assert RARE in species_in_rows(cast, "teammate", spot)["history"]


def test_the_spots_owner_and_the_looks_observer_keep_what_is_theirs(cast: Cast, watched: Places) -> None:
    protect(cast)
    owner = species_in_rows(cast, "organiser", watched.shared)
    assert all(RARE in owner[table] for table in owner)
    with see(cast, "member"):
        mine = Finding.objects.filter(species=RARE, look__spot=watched.shared)
        assert {finding.observer_id for finding in mine} == {cast.member.pk}
        assert {picture.look.observer_id for picture in Picture.objects.filter(finding__species=RARE)} == {
            cast.member.pk
        }
        assert Call.objects.filter(species=RARE, group__look__spot=watched.shared).count() == 1


def test_a_finding_corrected_to_it_is_left_out_too(cast: Cast, watched: Places) -> None:
    protect(cast)
    finding = (
        Finding.objects.filter(species=COMMON, look__spot=watched.shared).exclude(observer=cast.rival).first()
    )
    assert finding is not None
    Confirmation.objects.create(
        finding=finding, checker=cast.checker, decision="corrected", named_species_id=RARE
    )
    with see(cast, "rival"):
        assert not Finding.objects.filter(pk=finding.pk).exists()


def test_a_checker_who_sees_the_look_is_not_shown_it_in_the_queue(cast: Cast, watched: Places) -> None:
    protect(cast)
    Finding.objects.update(verified_at=None)
    with see(cast, "checker"):
        queue = set(Finding.objects.values_list("look__spot_id", "species_id"))
    with_spot = {(spot, species) for spot, species in queue if species == RARE and spot is not None}
    assert with_spot == set()


def test_only_an_organiser_sets_a_ceiling(
    cast: Cast, watched: Places, client_of: Callable[..., Client]
) -> None:
    protect(cast)
    for persona in ("member", "checker", "captain"):
        with pytest.raises(ProgrammingError), transaction.atomic(), see(cast, persona):
            SpeciesCeiling.objects.create(species_id=COMMON, level=0, set_by=getattr(cast, persona))
        with see(cast, persona):
            assert SpeciesCeiling.objects.filter(species_id=RARE).delete()[0] == 0
            assert SpeciesCeiling.objects.update(level=0) == 0
        assert client_of(persona).get("/sharing/species/").status_code == 404
    client = client_of("organiser")
    assert client.post("/sharing/species/", {RARE: "", COMMON: "2"}).status_code == 302
    assert set(SpeciesCeiling.objects.values_list("species_id", "level")) == {(COMMON, 2)}
    assert client.post("/sharing/species/", {COMMON: "3"}).status_code == 422
    assert "bluegill" in client.get("/sharing/species/").content.decode()


def test_the_page_says_what_is_left_out(
    cast: Cast, client_of: Callable[..., Client], watched: Places
) -> None:
    protect(cast)
    text = client_of("organiser").get("/sharing/species/").content.decode()
    assert "bluegill (area)" in text
