"""A spot's history has the declared shape, with evidence and without."""

from datetime import timedelta

from django.utils import timezone

from observations import jobs
from tests.api.document import ApiOf
from tests.conftest import Cast, Places, found, look, sonar


def test_a_history_has_twelve_months_and_counts_each_look_once(
    api: ApiOf, cast: Cast, places: Places
) -> None:
    at = timezone.now() - timedelta(days=2)
    look(cast, "member", places.shared, "down", at, groups=sonar("white-crappie", 0.7))
    look(cast, "member", places.shared, "camera", at, minutes=5, findings=found("white-crappie", 3))
    jobs.refit()
    for persona in ("member", "guest", "nobody"):
        for query in ("", f"?as_of={timezone.now():%Y-%m-%d}"):
            told = api(persona).get(f"/api/spots/{places.shared.pk}/history/{query}")
            assert all([row["month"] for row in s["months"]] == list(range(1, 13)) for s in told["species"])
    told = api("member").get(f"/api/spots/{places.shared.pk}/history/")
    grades = {row["species"]["id"]: row["grades"] for row in told["species"]}
    assert grades["white-crappie"] == {"called": 1, "seen": 1, "landed": 0, "verified": 0}
    for query in ("colour=red", "as_of=yesterday"):
        address = f"/api/spots/{places.shared.pk}/history/?{query}"
        assert list(api("member").get(address, status=400)) == [query.partition("=")[0]]
