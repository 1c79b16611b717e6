"""What the rows of a CSV become: looks, groups, calls, findings, ties, confirmations, people, spots."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.contrib.auth import authenticate

from club.models import Member
from observations.models import Call, Confirmation, EchoGroup, Finding, Method, Observation, Presentation
from spots.models import Position, Sheet, Spot, Water
from tests.conftest import Cast, Places, look, see, sonar
from tests.observations.files_kit import camera_row, csv_of, errors, imported, planned, sonar_row, warnings

pytestmark = pytest.mark.usefixtures("quiet_queue")


def brought(cast: Cast, *rows: dict[str, Any], persona: str = "organiser", **options: Any) -> Any:
    options.setdefault("water", "Test water")
    return imported(getattr(cast, persona), "a.csv", csv_of(*rows), **options)


def test_one_sonar_row_is_one_look_with_all_its_values(cast: Cast, water: Water) -> None:
    brought(
        cast,
        sonar_row(
            minutes="2.5",
            settings="frequency=455 kHz; gain=60",
            secchi_m="1.2",
            water_temp_c="18.25",
            depth_m="4.5",
            echoes="6",
            placement="In Front",
            call="CRAPPIE",
            call_probability="0.65",
            call_size="Middle",
        ),
    )
    saved = Observation.objects.get()
    assert saved.started_at == datetime(2026, 5, 1, 11, 30, tzinfo=UTC)
    assert (saved.utc_offset_min, saved.method, saved.source) == (-300, Method.SONAR_2D, "import")
    assert (saved.minutes, saved.secchi_m, saved.water_temp_c) == (2.5, 1.2, 18.25)
    assert saved.settings == {"frequency": "455 kHz", "gain": "60"}
    assert (saved.observer, saved.scope) == (cast.organiser, "club")
    group = EchoGroup.objects.get()
    assert (group.count, group.band, group.placement, group.depth_m) == (6, "4-8", "in front", 4.5)
    assert (group.call.species_id, group.call.probability, group.call.size) == ("crappie", 0.65, "middle")


@pytest.mark.parametrize(
    ("echoes", "band"),
    [(0, "none"), (1, "1-3"), (3, "1-3"), (4, "4-8"), (9, "9-20"), (20, "9-20"), (21, "more")],
)
def test_a_number_of_echoes_falls_in_its_band(cast: Cast, water: Water, echoes: int, band: str) -> None:
    brought(cast, sonar_row(echoes=echoes))
    assert EchoGroup.objects.get().band == band


def test_sonar_rows_of_one_time_are_groups_of_one_look(cast: Cast, water: Water) -> None:
    brought(
        cast,
        sonar_row(echoes=5, call="crappie", water_temp_c="18"),
        sonar_row(echoes=30, call="bait"),
        sonar_row(echoes=2, method="side-scan SONAR"),
        sonar_row(echoes=2, started_at="2026-05-01T11:30:00Z"),
    )
    assert Observation.objects.count() == 2
    first = Observation.objects.get(method="2d")
    assert [group.count for group in first.groups.order_by("order")] == [5, 30, 2]
    assert first.water_temp_c == 18


def test_a_camera_look_with_several_species_takes_several_rows(cast: Cast, water: Water) -> None:
    brought(
        cast,
        camera_row(finding_species="Bluegill", finding_count=12, depth_m=3),
        camera_row(
            finding_species="largemouth BASS", finding_length_mm="410 385", finding_count=2, minutes=""
        ),
    )
    saved = Observation.objects.get()
    assert saved.minutes == 4
    findings = {item.species_id: (item.count, item.lengths_mm, item.depth_m) for item in saved.findings.all()}
    assert findings == {"bluegill": (12, [], 3.0), "largemouth-bass": (2, [410, 385], None)}


def test_a_count_of_none_is_a_look_that_found_none(cast: Cast, water: Water) -> None:
    plan = brought(cast, camera_row(finding_count=0))
    assert warnings(plan) == [] and not Finding.objects.exists()
    assert Observation.objects.get().method == "camera"


def test_a_rod_look_keeps_its_presentation_and_response(cast: Cast, water: Water) -> None:
    brought(
        cast,
        camera_row(
            method="Rod and Line", rod_hours="1.5", presentation="3 in white grub", response="Hooked and lost",
            finding_count=0,
        ),
    )  # fmt: skip
    assert Observation.objects.get().rod_hours == 1.5
    tried = Presentation.objects.get()
    assert (tried.what, tried.response, tried.minutes) == ("3 in white grub", "hooked and lost", 4)


def test_a_look_by_eye_calls_and_never_proves(cast: Cast, water: Water) -> None:
    brought(cast, sonar_row(method="by eye", call="common carp"))
    assert Call.objects.get().species_id == "common-carp"
    plan = planned(
        cast.organiser, "a.csv", csv_of(sonar_row(method="by eye", finding_species="walleye", spot="B")),
        water="Test water",
    )  # fmt: skip
    assert errors(plan)[0][1] == "finding_species"


def test_a_tie_settles_the_latest_earlier_sonar_look_of_the_visit(cast: Cast, water: Water) -> None:
    def at(hour: int) -> str:
        return f"2026-05-01T{hour:02}:00:00-05:00"

    # Out of order on purpose; the last sonar look before the camera is another member's.
    brought(
        cast,
        camera_row(started_at=at(9), finding_species="walleye", tie="Same Fish"),
        sonar_row(started_at=at(7), call="bait"),
        sonar_row(started_at=at(8), observer="Member", call="walleye"),
        sonar_row(started_at=at(10), call="crappie"),
        camera_row(started_at=at(20), finding_species="walleye"),
        camera_row(started_at=at(11), finding_species="walleye"),
    )
    settled = {
        item.look.started_at.hour - 5: (
            item.settles.look.started_at.hour - 5 if item.settles else None,
            item.tie,
        )
        for item in Finding.objects.select_related("look", "settles__look")
    }
    assert settled[9] == (8, "same fish")
    assert settled[11] == (10, "same cover")
    assert Finding.objects.get(look__started_at=datetime(2026, 5, 2, 1, tzinfo=UTC)).settles is None


def test_same_fish_with_nothing_to_settle_is_a_warning(cast: Cast, water: Water) -> None:
    plan = brought(cast, camera_row(finding_species="walleye", tie="same fish"))
    assert [(line, column) for line, column, _ in warnings(plan)] == [(2, "tie")]


def test_an_organisers_past_calls_are_sealed_in_order_of_time(cast: Cast, water: Water) -> None:
    later = "2026-05-02T06:30:00-05:00"
    brought(cast, sonar_row(call="bait", started_at=later, observer="member"), sonar_row(call="crappie"))
    calls = list(Call.objects.order_by("sealed_at").select_related("group__look"))
    assert [call.seal for call in calls] == ["record", "record"]
    assert [call.species_id for call in calls] == ["crappie", "bait"]
    assert all(call.sealed_at == call.group.look.started_at for call in calls)


def test_a_members_own_past_calls_are_from_memory_and_private(cast: Cast, water: Water) -> None:
    plan = brought(cast, sonar_row(call="bait"), persona="member")
    assert Call.objects.get().seal == "memory"
    assert "from memory" in warnings(plan)[0][2]
    assert Observation.objects.get().scope == f"member:{cast.member.pk}"
    assert Spot.objects.get().owner == f"member:{cast.member.pk}"
    with see(cast, "rival"):
        assert not Observation.objects.exists() and not Spot.objects.exists()


@pytest.mark.parametrize(
    ("cells", "column", "rule"),
    [
        ({"observer": "Rival"}, "observer", "Only an organiser imports the looks of others."),
        ({"observer": "Nobody"}, "observer", "Only an organiser imports the looks of others."),
        (
            {"finding_species": "walleye", "confirmed_by": "Checker"},
            "confirmed_by",
            "Only an organiser imports",
        ),
    ],
)
def test_a_member_imports_only_own_looks(
    cast: Cast, water: Water, cells: dict[str, str], column: str, rule: str
) -> None:
    plan = planned(cast.member, "a.csv", csv_of(camera_row(**cells)), water="Test water")
    assert [(item[1], rule in item[3]) for item in errors(plan)] == [(column, True)]
    assert not planned(cast.member, "a.csv", csv_of(camera_row()), water="Test water", create_members=True).ok
    assert planned(cast.member, "a.csv", csv_of(camera_row(observer="MEMBER")), water="Test water").ok


def test_a_confirmation_verifies_from_the_time_of_its_look(cast: Cast, water: Water) -> None:
    plan = brought(cast, camera_row(finding_species="walleye", observer="Member", confirmed_by="CHECKER"))
    finding = Finding.objects.get()
    assert finding.verified_at == finding.look.started_at
    saved = Confirmation.objects.get()
    assert (saved.checker, saved.named_species_id, saved.decision) == (cast.checker, "walleye", "confirmed")
    assert warnings(plan) == []


def test_a_confirmer_who_does_not_check_today_is_a_warning(cast: Cast, water: Water) -> None:
    plan = brought(cast, camera_row(finding_species="walleye", confirmed_by="Rival"))
    assert "not a checker today" in warnings(plan)[0][2]
    assert Finding.objects.get().verified_at is not None


def test_unknown_people_become_members_who_cannot_sign_in(cast: Cast, water: Water) -> None:
    rows = [
        sonar_row(observer="Old Walt"),
        camera_row(observer="old  walt", finding_species="walleye", confirmed_by="Mrs. Ö"),
    ]
    assert len(errors(planned(cast.organiser, "a.csv", csv_of(*rows), water="Test water"))) == 3
    brought(cast, *rows, create_members=True)
    walt, other = Member.objects.get(name="Old Walt"), Member.objects.get(name="Mrs. Ö")
    assert not walt.is_active and not walt.has_usable_password() and walt.role == "member"
    assert (walt.is_checker, other.is_checker) == (False, True)
    assert authenticate(username=walt.username, password="") is None
    assert set(Observation.objects.values_list("observer", flat=True)) == {walt.pk}


def test_a_name_that_two_members_have_is_not_guessed(cast: Cast, water: Water) -> None:
    Member.objects.create_user("second", None, name="Member")
    plan = planned(cast.organiser, "a.csv", csv_of(sonar_row(observer="Member")), water="Test water")
    assert "give the sign-in name" in errors(plan)[0][3]
    for username in ("member", "second"):
        brought(cast, sonar_row(observer=username))
    assert set(Observation.objects.values_list("observer__username", flat=True)) == {"member", "second"}


def test_a_spot_that_does_not_exist_is_created_at_its_position(cast: Cast, water: Water) -> None:
    plan = brought(
        cast,
        sonar_row(spot="No place"),
        sonar_row(spot="With place", method="2d"),
        sonar_row(spot="with  PLACE", method="side", lat="45 00.600 N", lon="93 17.400 W"),
    )
    assert len(plan.spots.drafts) == 2
    position = Position.objects.get()
    assert position.spot.sheet.name == "With place"
    assert (position.point.y, position.point.x) == pytest.approx((45.01, -93.29))
    assert (position.typed, position.source) == ("45 00.600 N 93 17.400 W", "import")
    assert position.spot.scope == "club"


def test_a_known_spots_position_stands_and_beyond_50_m_a_warning(cast: Cast, places: Places) -> None:
    before = Position.objects.get(spot=places.shared).point
    plan = brought(
        cast,
        sonar_row(spot="canary shared pile", lat=before.y, lon=before.x + 0.0004),
        sonar_row(spot="canary shared pile", lat=before.y, lon=before.x + 0.01, method="2d",
                  started_at="2026-05-02T06:30:00-05:00"),
    )  # fmt: skip
    assert [(line, column) for line, column, _ in warnings(plan)] == [(3, "position")]
    assert "its position stays as it is" in warnings(plan)[0][2]
    assert Position.objects.get(spot=places.shared).point == before
    assert set(Observation.objects.values_list("spot", flat=True)) == {places.shared.pk}


def test_without_a_water_the_position_or_a_known_name_finds_it(cast: Cast, places: Places) -> None:
    plan = brought(
        cast,
        sonar_row(spot="Canary Shared Pile"),
        sonar_row(spot="New one", lat="45.01", lon="-93.29"),
        sonar_row(spot="new ONE", method="side"),
        water="",
    )
    assert [draft.name for draft in plan.spots.drafts] == ["New one"]
    assert Sheet.objects.get(name="New one").spot.water == places.shared.water


def test_rows_on_no_water_are_errors_unless_left_out(cast: Cast, water: Water) -> None:
    rows = [sonar_row(spot="On", water="Test water"), sonar_row(spot="Off", lat="46", lon="-93.29")]
    plan = planned(cast.organiser, "a.csv", csv_of(*rows))
    assert [(line, column) for line, column, _, _ in errors(plan)] == [(3, "position")]
    brought(cast, *rows, water="", skip_outside=True)
    assert Observation.objects.count() == 1


def test_the_row_of_another_water_is_an_error_when_one_was_named(cast: Cast, water: Water) -> None:
    Water.objects.create(name="Pond", time_zone="UTC")
    plan = planned(cast.organiser, "a.csv", csv_of(sonar_row(water="Pond")), water="Test water")
    assert errors(plan)[0][1:] == ("water", "Pond", "This import is for Test water.")


def test_a_spot_hidden_from_the_importer_does_not_exist(cast: Cast, places: Places) -> None:
    plan = brought(cast, sonar_row(spot="Canary Private Laydown"), persona="rival")
    assert warnings(plan) == [] and [draft.name for draft in plan.spots.drafts] == ["Canary Private Laydown"]
    assert not Observation.objects.filter(spot=places.private).exists()


def test_a_spot_seen_only_as_an_area_is_not_matched_by_its_name(cast: Cast, places: Places) -> None:
    plan = brought(cast, sonar_row(spot="Canary Club Crib"), persona="newcomer")
    assert len(plan.spots.drafts) == 1
    assert not Observation.objects.filter(spot=places.club).exists()


def test_two_spots_of_one_name_are_not_guessed_between(cast: Cast, places: Places) -> None:
    sheet = Sheet.objects.get(spot=places.shared)
    sheet.name = "Canary Club Crib"
    sheet.save()
    plan = planned(cast.organiser, "a.csv", csv_of(sonar_row(spot="Canary club crib")), water="Test water")
    assert "You see 2 spots of this name" in errors(plan)[0][3]


def test_a_look_at_a_private_spot_never_becomes_the_clubs(cast: Cast, places: Places) -> None:
    row = sonar_row(spot="Canary Private Laydown")
    plan = planned(cast.member, "a.csv", csv_of(row), water="Test water", scope="club")
    assert errors(plan)[0][1] == "spot" and "cannot be the club" in errors(plan)[0][3]
    brought(cast, row, persona="member")
    assert Observation.objects.get().scope == f"member:{cast.member.pk}"


def test_a_members_look_at_a_club_spot_is_private_unless_said(cast: Cast, places: Places) -> None:
    brought(cast, sonar_row(spot="Canary Shared Pile"), persona="member")
    brought(cast, sonar_row(spot="Canary Shared Pile", method="side"), persona="member", scope="club")
    assert {item.method: item.scope for item in Observation.objects.all()} == {
        "2d": f"member:{cast.member.pk}",
        "side": "club",
    }


def test_a_grown_spreadsheet_can_be_imported_again(cast: Cast, water: Water) -> None:
    rows = [sonar_row(), camera_row(finding_species="walleye", confirmed_by="Checker")]
    brought(cast, *rows)
    plan = brought(cast, *rows, sonar_row(started_at="2026-05-09T06:30:00-05:00"))
    assert plan.spots.left_out == {"there already": 2} and len(plan.looks.looks) == 1
    assert (Observation.objects.count(), Finding.objects.count(), Confirmation.objects.count()) == (3, 1, 1)


def test_a_tie_reaches_a_look_that_was_there_before(cast: Cast, places: Places) -> None:
    start = datetime(2026, 5, 1, 11, 30, tzinfo=UTC)
    earlier = look(cast, "member", places.shared, "2d", start, groups=sonar("walleye", 0.5))
    plan = brought(
        cast,
        camera_row(
            spot="Canary Shared Pile", started_at=(start + timedelta(hours=1)).isoformat(),
            finding_species="walleye", tie="same fish",
        ),
    )  # fmt: skip
    assert warnings(plan) == []
    assert Finding.objects.get().settles == earlier.groups.get()
