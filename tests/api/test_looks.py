"""Looks over the API: recorded whole, read back as said, refused by name."""

import uuid
from typing import Any

from observations.models import Call, Observation
from tests.api.conftest import a_drop, a_look
from tests.api.document import ApiOf
from tests.conftest import Cast, Places

LOOKS = "/api/observations/"


def test_a_look_reads_back_as_it_was_said(api: ApiOf, places: Places) -> None:
    said = a_look(places.shared, presentations=[{"what": "small jig", "minutes": 10, "response": "followed"}])
    made = api("member").post(LOOKS, said)
    read = api("member").get(f"{LOOKS}{said['id']}/")
    assert read == made
    for name in ("id", "spot", "method", "started_at", "minutes", "settings"):
        assert read[name] == said[name], name
    assert read["conditions"] | said["conditions"] == read["conditions"]
    assert read["presentations"] == said["presentations"]
    first, second = read["groups"]
    assert (first["count"], first["band"], first["placement"], first["depth_m"]) == (6, "4-8", "beside", 4.2)
    assert (first["call"]["species"], first["call"]["probability"]) == ("white-crappie", 0.7)
    assert (second["band"], second["call"]) == ("none", None)
    assert read["scope"] == "club" and read["source"] == "api"


def test_a_call_is_sealed_when_the_server_receives_it(api: ApiOf, places: Places) -> None:
    made = api("member").post(LOOKS, a_look(places.shared))
    call = Call.objects.get(group__look_id=made["id"])
    assert call.seal == "server"
    assert call.sealed_at == Observation.objects.get(pk=made["id"]).received_at


def test_a_finding_settles_the_group_it_names(api: ApiOf, places: Places) -> None:
    caller = api("member")
    group = caller.post(LOOKS, a_look(places.shared))["groups"][0]["id"]
    drop = a_drop(places.shared)
    drop["findings"][0] |= {"settles": group, "tie": "same fish"}
    finding = caller.post(LOOKS, drop)["findings"][0]
    assert (finding["settles"], finding["tie"], finding["grade"]) == (group, "same fish", "seen")


def test_a_look_sent_again_is_the_same_look(api: ApiOf, places: Places) -> None:
    said = a_look(places.shared, presentations=[{"what": "b"}, {"what": "a", "minutes": 0}])
    caller = api("member")
    first = caller.post(LOOKS, said)
    assert caller.post(LOOKS, said, status=200) == first
    assert caller.post(LOOKS, first, status=200) == first, "what was read may be sent back"
    assert Observation.objects.count() == 1


OTHERWISE: tuple[dict[str, Any], ...] = (
    {"minutes": 5},
    {"method": "side"},
    {"started_at": "2026-06-15T06:30:00-04:00"},
    {"note": "other"},
    {"conditions": {"secchi_m": 1.3}},
    {"groups": [{"count": 6}]},
    {"settings": {}},
    {"presentations": [{"what": "jig"}]},
)


def test_another_look_with_the_same_id_is_refused(api: ApiOf, places: Places) -> None:
    said = a_look(places.shared)
    api("member").post(LOOKS, said)
    for change in OTHERWISE:
        api("member").post(LOOKS, said | change, status=409)


def test_the_id_of_a_hidden_look_and_of_ones_own_are_refused_alike(api: ApiOf, places: Places) -> None:
    hidden, mine = a_look(places.private), a_look(places.shared)
    api("member").post(LOOKS, hidden)
    rival = api("rival")
    rival.post(LOOKS, mine)
    rival.post(LOOKS, a_look(places.shared, id=hidden["id"]), status=409)
    about_hidden = rival.last.content
    rival.post(LOOKS, a_look(places.shared, id=mine["id"], minutes=9), status=409)
    assert about_hidden == rival.last.content


def test_a_spot_not_seen_exactly_is_answered_like_one_that_never_was(api: ApiOf, places: Places) -> None:
    rival = api("rival")
    answers = []
    for spot in (places.club.pk, places.private.pk, places.team.pk, uuid.uuid4()):
        rival.post(LOOKS, a_look(places.shared) | {"spot": str(spot)}, status=400)
        answers.append(rival.last.content)
    assert len(set(answers)) == 1
    assert b'"spot"' in answers[0]
    assert not Observation.objects.exists()


def test_a_group_that_is_hidden_cannot_be_settled_nor_probed(api: ApiOf, places: Places) -> None:
    with_private = api("member").post(LOOKS, a_look(places.shared, scope="club"))
    secret = api("captain").post(LOOKS, a_look(places.team))["groups"][0]["id"]
    rival, answers = api("rival"), []
    for group in (secret, str(uuid.uuid4())):
        drop = a_drop(places.shared)
        drop["findings"][0]["settles"] = group
        rival.post(LOOKS, drop, status=400)
        answers.append(rival.last.content)
    assert answers[0] == answers[1]
    drop = a_drop(places.shared)
    drop["findings"][0]["settles"] = with_private["groups"][0]["id"]
    rival.post(LOOKS, drop)


WRONG: tuple[tuple[dict[str, Any], str], ...] = (
    ({"method": "dowsing"}, "method"),
    ({"started_at": "2026-06-15T06:30:00"}, "started_at"),
    ({"started_at": "2126-06-15T06:30:00Z"}, "started_at"),
    ({"started_at": "0001-01-01T00:00:00+14:00"}, "started_at"),
    ({"started_at": 7}, "started_at"),
    ({"minutes": -1}, "minutes"),
    ({"minutes": "NaN"}, "minutes"),
    ({"minutes": "1e400"}, "minutes"),
    ({"rod_hours": 2}, "rod_hours"),
    ({"conditions": {"secchi_m": "inf"}}, "conditions"),
    ({"conditions": {"water_temp_c": 60}}, "conditions"),
    ({"conditions": {"wind_from_deg": 400}}, "conditions"),
    ({"conditions": {"sky": "x" * 41}}, "conditions"),
    ({"groups": [{"count": -1}]}, "groups"),
    ({"groups": [{}]}, "groups"),
    ({"groups": []}, "groups"),
    ({"groups": [{"count": 0, "call": {"species": "white-crappie"}}]}, "groups"),
    ({"groups": [{"count": 2, "call": {"species": "kraken"}}]}, "groups"),
    ({"groups": [{"count": 2, "call": {"species": "white-crappie", "probability": 1.01}}]}, "groups"),
    ({"groups": [{"count": 2, "placement": "above"}]}, "groups"),
    ({"groups": [{"count": 2, "callsign": "x"}]}, "groups"),
    ({"findings": [{"species": "white-crappie"}]}, "findings"),
    ({"settings": {"a": ["list"]}}, "settings"),
    ({"settings": {"a": "nul\0"}}, "settings"),
    ({"note": "nul\0"}, "note"),
    ({"scope": "team:00000000-0000-4000-8000-000000000000"}, "scope"),
    ({"trip": "00000000-0000-4000-8000-000000000000"}, "trip"),
    ({"spot": "north"}, "spot"),
    ({"depht": 3}, "depht"),
)


def test_what_is_wrong_is_named_and_nothing_is_saved(api: ApiOf, places: Places) -> None:
    caller = api("member")
    for change, field in WRONG:
        assert list(caller.post(LOOKS, a_look(places.shared) | change, status=400)) == [field], change
    assert not Observation.objects.exists()


IMPOSSIBLE: tuple[dict[str, Any], ...] = (
    {"species": "black-bass"},
    {"species": "kraken"},
    {"species": "white-crappie", "count": 0},
    {"species": "white-crappie", "lengths_mm": [5000]},
    {"species": "white-crappie", "lengths_mm": [200, 210]},
    {"species": "white-crappie", "tie": "same boat"},
    {"species": "white-crappie", "depth_m": -1},
    {"species": "white-crappie", "depth_m": "nan"},
)


def test_an_impossible_finding_is_refused_by_name(api: ApiOf, places: Places) -> None:
    caller = api("member")
    for finding in IMPOSSIBLE:
        answer = caller.post(LOOKS, a_drop(places.shared, findings=[finding]), status=400)
        assert list(answer) == ["findings"], finding
    assert not Observation.objects.exists()


def test_looks_are_filtered_and_paged_without_a_count(api: ApiOf, places: Places) -> None:
    caller = api("member")
    for day in (1, 2, 3):
        caller.post(LOOKS, a_look(places.shared, started_at=f"2026-06-0{day}T12:00:00Z"))
    caller.post(LOOKS, a_look(places.private, started_at="2026-06-04T12:00:00Z"))
    caller.post(LOOKS, a_drop(places.shared, started_at="2026-06-05T12:00:00Z"))
    first = caller.get(f"{LOOKS}?limit=2&method=down")
    assert set(first) == {"results", "next"}
    second = caller.get(first["next"])
    times = [look["started_at"][:10] for look in first["results"] + second["results"]]
    assert times == ["2026-06-04", "2026-06-03", "2026-06-02", "2026-06-01"]
    assert second["next"] is None
    assert len(caller.get(f"{LOOKS}?spot={places.private.pk}")["results"]) == 1
    assert len(caller.get(f"{LOOKS}?since=2026-06-03")["results"]) == 3
    assert len(caller.get(f"{LOOKS}?since=2026-06-03T12:00:01%2B00:00")["results"]) == 2
    assert caller.get(f"{LOOKS}?spot={uuid.uuid4()}")["results"] == []


QUERIES = (
    "limit=0", "limit=501", "limit=x", "limit=１", "offset=-1", "colour=red", "spot=x", "method=eyes",
    "since=yesterday", "since=2026-06-03T12:00", "since=2026-13-01", "limit=1&limit=2",
)  # fmt: skip


def test_a_wrong_or_unknown_parameter_is_named(api: ApiOf, cast: Cast) -> None:
    caller = api("member")
    for query in QUERIES:
        assert list(caller.get(f"{LOOKS}?{query}", status=400)) == [query.partition("=")[0]], query


def test_a_trip_is_shown_to_its_member_alone(api: ApiOf, places: Places, cast: Cast) -> None:
    member = api("member")
    trip = {
        "id": str(uuid.uuid4()),
        "water": str(places.shared.water_id),
        "started_at": "2026-06-15T10:00:00Z",
        "ended_at": "2026-06-15T18:00:00Z",
    }
    made = member.post("/api/trips/", trip)
    assert member.post("/api/trips/", trip, status=200) == made
    member.post("/api/trips/", trip | {"note": "other"}, status=409)
    api("rival").post("/api/trips/", trip, status=409)
    look = member.post(LOOKS, a_look(places.shared, trip=trip["id"]))
    assert look["trip"] == trip["id"]
    assert api("rival").get(f"{LOOKS}{look['id']}/")["trip"] is None
    assert [row["id"] for row in member.get("/api/trips/")["results"]] == [trip["id"]]
    assert api("rival").get("/api/trips/")["results"] == []
    assert "trip" in api("rival").post(LOOKS, a_look(places.shared, trip=trip["id"]), status=400)


def test_an_impossible_trip_is_refused_by_name(api: ApiOf, places: Places) -> None:
    trip = {"water": str(places.shared.water_id), "started_at": "2026-06-15T10:00:00Z"}
    wrong: tuple[tuple[dict[str, str], str], ...] = (
        ({"ended_at": "2026-06-15T09:00:00Z"}, "ended_at"),
        ({"ended_at": "2027-06-15T09:00:00Z"}, "ended_at"),
        ({"started_at": "1850-06-15T09:00:00Z"}, "started_at"),
        ({"water": str(uuid.uuid4())}, "water"),
        ({"boat": "x"}, "boat"),
    )
    for change, field in wrong:
        assert list(api("member").post("/api/trips/", trip | change, status=400)) == [field]


def test_a_look_is_taken_back_once_and_leaves_the_list(api: ApiOf, places: Places) -> None:
    member = api("member")
    look = member.post(LOOKS, a_look(places.shared))["id"]
    taken = member.post(f"{LOOKS}{look}/withdraw/", status=200)
    assert taken["withdrawn_at"] is not None
    assert member.post(f"{LOOKS}{look}/withdraw/", status=200) == taken
    assert member.get(LOOKS)["results"] == []


def test_nobody_takes_back_the_look_of_another(api: ApiOf, places: Places) -> None:
    shared = api("member").post(LOOKS, a_look(places.shared))["id"]
    hidden = api("member").post(LOOKS, a_look(places.private))["id"]
    api("rival").post(f"{LOOKS}{shared}/withdraw/", status=403)
    api("rival").post(f"{LOOKS}{hidden}/withdraw/", status=404)
    assert not Observation.objects.exclude(withdrawn_at=None).exists()


def test_a_look_whose_call_has_met_its_proof_stays(api: ApiOf, places: Places) -> None:
    member = api("member")
    sonar = member.post(LOOKS, a_look(places.shared))
    drop = a_drop(places.shared)
    drop["findings"][0]["settles"] = sonar["groups"][0]["id"]
    member.post(LOOKS, drop)
    assert "proof" in member.post(f"{LOOKS}{sonar['id']}/withdraw/", status=409)["detail"]


def test_the_species_list_is_the_clubs_tree(api: ApiOf, cast: Cast) -> None:
    rows = api("nobody").get("/api/species/?limit=500")["results"]
    by_code = {row["code"]: row for row in rows}
    assert by_code["largemouth-bass"]["parent"] == "black-bass"
    assert by_code["largemouth-bass"]["scientific_name"] == "Micropterus salmoides"
    assert by_code["black-bass"]["is_wider"]
