"""Looks that a device sealed without signal: marked, dated by the device, and scored apart as well."""

from datetime import datetime, timedelta

from observations.evidence import _sealed_before_proof
from observations.models import Call, Observation
from tests.api.conftest import a_look
from tests.api.document import ApiOf
from tests.conftest import Places

LOOKS = "/api/observations/"
STARTED = "2026-06-15T06:30:00-05:00"
SEALED = "2026-06-15T11:31:00Z"
OFFLINE = {"device_sealed_at": SEALED, "clock_offset_s": 412.5}


def test_a_look_made_without_signal_is_marked_and_keeps_its_clock(api: ApiOf, places: Places) -> None:
    said = a_look(places.shared) | OFFLINE
    made = api("member").post(LOOKS, said)
    look = Observation.objects.get(pk=said["id"])
    call = Call.objects.get(group__look=look)
    assert (call.seal, call.sealed_at) == ("device", datetime.fromisoformat(SEALED))
    assert look.received_at > call.sealed_at, "a cut-off goes by when the server received it"
    assert (made["clock_offset_s"], made["groups"][0]["call"]["seal"]) == (412.5, "device")
    assert api("member").post(LOOKS, said, status=200) == made, "sent again it is the same look"
    api("member").post(LOOKS, said | {"clock_offset_s": 0}, status=409)


def test_a_device_seal_cannot_come_before_its_look_or_from_the_future(api: ApiOf, places: Places) -> None:
    for wrong in ("2026-06-15T11:29:59Z", "2099-01-01T00:00:00Z"):
        refused = api("member").post(LOOKS, a_look(places.shared) | {"device_sealed_at": wrong}, status=400)
        assert list(refused) == ["device_sealed_at"]
    refused = api("member").post(LOOKS, a_look(places.shared) | {"clock_offset_s": 1e12}, status=400)
    assert list(refused) == ["clock_offset_s"]
    assert not Observation.objects.exists()


def test_a_device_seal_before_the_proof_is_a_seal_and_one_after_it_none(places: Places) -> None:
    at = datetime.fromisoformat(STARTED)
    sealed = {
        seal: _sealed_before_proof(places.shared.pk, at, seal, at + timedelta(minutes=1), {})
        for seal in ("server", "record", "device", "memory")
    }
    assert sealed == {"server": True, "record": True, "device": True, "memory": False}
    proved = {places.shared.pk: [at + timedelta(minutes=5)]}
    late = _sealed_before_proof(places.shared.pk, at, "device", at + timedelta(minutes=6), proved)
    assert late is False
