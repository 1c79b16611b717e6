"""The organiser sees what the club's confidence rests on, and whether the last fit held."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from club.viewer import working
from observations import jobs
from observations.models import Refit
from observations.services import GroupDraft
from tests.conftest import Cast, Places, found, look, sonar


@pytest.fixture
def fitted(cast: Cast, places: Places) -> None:
    at = timezone.now() - timedelta(days=9)
    look(cast, "member", places.shared, "2d", at, groups=sonar("white-crappie", 0.7))
    # A bare screen. As a file says it; the log page and the API say True.
    said = {"small_filtered": "Yes"}
    bare = (GroupDraft(band="none"),)
    look(cast, "member", places.shared, "2d", at - timedelta(days=2), groups=bare, settings=said)
    look(
        cast, "member", places.shared, "camera", at + timedelta(minutes=9), minutes=6, secchi_m=2.0,
        findings=found("largemouth-bass", 2),
    )  # fmt: skip
    jobs.refit()


def test_the_organiser_reads_counts_diagnostics_and_rates(
    fitted: None, client_of: Callable[[str], Client]
) -> None:
    page = client_of("organiser").get("/club/refits/").content.decode()
    assert "converged after" in page
    assert "3 rows of looks, 2 visits to 1 spots" in page
    assert "Largemouth bass" in page or "largemouth bass" in page.lower()
    assert "With small echoes filtered out (2D sonar, 1 looks)" in page


def test_a_fit_that_failed_is_said_with_the_date_of_what_is_shown(
    fitted: None, client_of: Callable[[str], Client]
) -> None:
    with working(timezone.now()):
        good = Refit.objects.get(is_current=True)
        Refit.objects.create(
            as_of=timezone.now(), started_at=timezone.now(), code_version="1", parameters={}, converged=False,
            diagnostics={"iterations": 200},
        )  # fmt: skip
    page = client_of("organiser").get("/club/refits/").content.decode()
    assert "The last fit did not converge" in page
    assert f"{timezone.localtime(good.finished_at):%H:%M}" in page


@pytest.mark.parametrize("persona", ["member", "rival", "guest", "nobody"])
def test_nobody_else_gets_the_page(fitted: None, client_of: Callable[[str], Client], persona: str) -> None:
    assert client_of(persona).get("/club/refits/").status_code in {302, 403, 404}
