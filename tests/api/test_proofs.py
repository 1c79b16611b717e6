"""Proofs over the API: found in sight, checked blind."""

import json
import uuid
from datetime import datetime

from django.utils import timezone

from observations.models import BlindName, Confirmation, Finding, Observation, Picture
from tests.api.conftest import a_drop
from tests.api.document import Api, ApiOf
from tests.conftest import NOON, Cast, Places, found, look

FINDINGS, CONFIRMATIONS = "/api/findings/", "/api/confirmations/"


def _finding(cast: Cast, places: Places, at: datetime = NOON) -> Finding:
    """A finding of the club's scope at a spot that the checker does not see exactly."""
    drop = look(cast, "organiser", places.club, "camera", at, findings=found("white-crappie", 2))
    return drop.findings.get()


def test_findings_are_listed_for_those_who_see_their_look(api: ApiOf, places: Places, cast: Cast) -> None:
    for spot in (places.shared, places.private):
        api("member").post("/api/observations/", a_drop(spot))
    at_club = _finding(cast, places)
    assert len(api("member").get(FINDINGS)["results"]) == 2
    seen = api("rival").get(FINDINGS)["results"]
    assert [row["spot"] for row in seen] == [str(places.shared.pk)]
    assert seen[0]["started_at"] == "2026-06-15T06:45:00-05:00"
    rows = api("organiser").get(f"{FINDINGS}?spot={places.club.pk}&species=white-crappie")["results"]
    assert [row["id"] for row in rows] == [str(at_club.pk)]


def test_a_checker_reads_no_claim_of_what_they_only_check(api: ApiOf, places: Places, cast: Cast) -> None:
    finding = _finding(cast, places)
    picture = Picture.objects.create(
        look=finding.look, finding=finding, uploaded_by=cast.organiser, width=4, height=3
    )
    checker = api("checker")
    assert checker.get(FINDINGS)["results"] == []
    assert checker.get(CONFIRMATIONS)["results"] == []
    shown = checker.get(f"/api/pictures/{picture.pk}/")
    assert (shown["finding"], shown["look"], shown["created_at"]) == (str(finding.pk), None, None)
    assert api("organiser").get(f"/api/pictures/{picture.pk}/")["look"] == str(finding.look_id)
    api("rival").get(f"/api/pictures/{picture.pk}/", status=404)


def test_the_same_species_named_blind_verifies_a_finding(api: ApiOf, places: Places, cast: Cast) -> None:
    finding = _finding(cast, places)
    made = api("checker").post(CONFIRMATIONS, {"finding": str(finding.pk), "named_species": "white-crappie"})
    assert made["decision"] == "confirmed"
    finding.refresh_from_db()
    assert finding.verified_at is not None
    row = api("organiser").get(FINDINGS)["results"][0]
    assert row["grade"] == "verified"
    assert api("checker").get(CONFIRMATIONS)["results"] == [made]
    assert api("rival").get(CONFIRMATIONS)["results"] == []


def test_a_different_name_is_stored_before_the_claim_is_told(api: ApiOf, places: Places, cast: Cast) -> None:
    finding = _finding(cast, places)
    checker, said = api("checker"), {"finding": str(finding.pk), "named_species": "black-crappie"}
    told = checker.post(CONFIRMATIONS, said, status=409)
    assert (told["claim"], told["named_species"]) == ("white-crappie", "black-crappie")
    assert BlindName.objects.get().named_species_id == "black-crappie"
    assert not Confirmation.objects.exists()
    # The first name stands, whatever is tried after the claim is known.
    changed = said | {"named_species": "white-crappie"}
    assert "named_species" in checker.post(CONFIRMATIONS, changed, status=400)
    assert "decision" in checker.post(CONFIRMATIONS, said | {"decision": "confirmed"}, status=400)
    assert "reason" in checker.post(CONFIRMATIONS, said | {"decision": "rejected"}, status=400)
    made = checker.post(CONFIRMATIONS, said | {"decision": "corrected"})
    assert (made["decision"], made["named_species"]) == ("corrected", "black-crappie")
    row = api("organiser").get(FINDINGS)["results"][0]
    assert (row["species"], row["corrected_species"]) == ("white-crappie", "black-crappie")


def test_no_decision_comes_before_the_blind_name(api: ApiOf, places: Places, cast: Cast) -> None:
    said = {"finding": str(_finding(cast, places).pk), "named_species": "black-crappie"}
    for decision in ("corrected", "rejected", "unsure"):
        answer = api("checker").post(CONFIRMATIONS, said | {"decision": decision, "reason": "x"}, status=400)
        assert list(answer) == ["decision"]
    assert not BlindName.objects.exists()


def test_a_checker_may_be_unsure(api: ApiOf, places: Places, cast: Cast) -> None:
    said = {"finding": str(_finding(cast, places).pk), "named_species": None}
    assert api("checker").post(CONFIRMATIONS, said)["decision"] == "unsure"
    assert Finding.objects.get().verified_at is None


def test_what_does_not_wait_for_a_checker_is_answered_like_what_never_was(
    api: ApiOf, places: Places, cast: Cast
) -> None:
    checker = api("checker")
    own = checker.post("/api/observations/", a_drop(places.shared))["findings"][0]["id"]
    private = api("member").post("/api/observations/", a_drop(places.private))["findings"][0]["id"]
    done = str(_finding(cast, places).pk)
    checker.post(CONFIRMATIONS, {"finding": done, "named_species": "white-crappie"})
    taken_back = _finding(cast, places, NOON.replace(hour=18))
    Observation.objects.filter(pk=taken_back.look_id).update(withdrawn_at=timezone.now())
    answers = set()
    for finding in (own, private, done, str(taken_back.pk), str(uuid.uuid4())):
        checker.post(CONFIRMATIONS, {"finding": finding, "named_species": "bluegill"}, status=400)
        answers.add(checker.last.content)
    assert len(answers) == 1


def test_only_species_of_the_list_are_named(api: ApiOf, places: Places, cast: Cast) -> None:
    finding = str(_finding(cast, places).pk)
    for species in ("kraken", "black-bass", "nul\0"):
        said = {"finding": finding, "named_species": species}
        assert list(api("checker").post(CONFIRMATIONS, said, status=400)) == ["named_species"]


def test_confirming_is_for_checkers(api: ApiOf, places: Places, cast: Cast) -> None:
    said = {"finding": str(_finding(cast, places).pk), "named_species": "white-crappie"}
    for persona, status in (("rival", 403), ("organiser", 403), ("guest", 403), ("nobody", 401)):
        api(persona).post(CONFIRMATIONS, said, status=status)
    assert not Confirmation.objects.exists()


def test_a_claim_told_is_told_again_to_the_same_request(api: ApiOf, places: Places, cast: Cast) -> None:
    said = {"finding": str(_finding(cast, places).pk), "named_species": "black-crappie"}
    checker: Api = api("checker")
    first = checker.post(CONFIRMATIONS, said, status=409, Idempotency_Key="k1")
    assert checker.post(CONFIRMATIONS, said, status=409, Idempotency_Key="k1") == first
    assert checker.last.headers["Idempotency-Replayed"] == "true"
    assert json.loads(checker.last.content)["claim"] == "white-crappie"


def test_a_second_checker_is_not_told_what_the_first_named(api: ApiOf, places: Places, cast: Cast) -> None:
    finding = str(_finding(cast, places).pk)
    said = {"finding": finding, "named_species": "black-crappie"}
    api("checker").post(CONFIRMATIONS, said, status=409)
    api("checker").post(CONFIRMATIONS, said | {"decision": "unsure", "reason": "Dorsal spines: 8."})
    cast.rival.is_checker = True
    cast.rival.save()
    assert api("rival").get(CONFIRMATIONS)["results"] == []
    assert len(api("organiser").get(CONFIRMATIONS)["results"]) == 1
    made = api("rival").post(CONFIRMATIONS, {"finding": finding, "named_species": "white-crappie"})
    assert api("rival").get(CONFIRMATIONS)["results"] == [made]


def test_a_decision_is_taken_back_and_disputed_as_on_the_pages(
    api: ApiOf, places: Places, cast: Cast
) -> None:
    finding = _finding(cast, places)
    checker, organiser = api("checker"), api("organiser")
    body = {"finding": str(finding.pk), "named_species": "black-crappie"}
    checker.post(CONFIRMATIONS, body, status=409)
    made = checker.post(CONFIRMATIONS, {**body, "decision": "rejected", "reason": "blurred"})
    dispute = f"{FINDINGS}{finding.pk}/dispute/"
    for persona in ("member", "checker"):
        api(persona).post(dispute, {"reason": "I saw it"}, status=404)
    assert list(organiser.post(dispute, {"reason": "x" * 301}, status=400)) == ["reason"]
    told = organiser.post(dispute, {"reason": "six spines"}, status=201)
    assert (told["finding"], told["reason"]) == (str(finding.pk), "six spines")
    organiser.post(dispute, {"reason": "again"}, status=400)
    undo = f"{CONFIRMATIONS}{made['id']}/undo/"
    organiser.post(undo, {}, status=403)
    checker.post(f"{CONFIRMATIONS}{uuid.uuid4()}/undo/", {}, status=404)
    assert checker.post(undo, {}, status=200)["undone_at"] is not None
    assert list(checker.post(undo, {}, status=400)) == ["detail"]
    finding.refresh_from_db()
    assert finding.votes == 0
