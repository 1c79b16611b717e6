"""From looks to a verified history: the spot job, the refit, and what they promise about each other."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from club.viewer import working
from observations import jobs
from observations.computing import histories, refit_by, scopes_of
from observations.evidence import club_taxa, gather_club
from observations.explaining import narrowing_words
from observations.models import Due, Finding, History, Refit
from observations.services import confirm
from tests.conftest import Cast, Places, found, look, see, sonar


@pytest.fixture
def some_looks(cast: Cast, places: Places) -> None:
    start = timezone.now() - timedelta(days=20)
    for day in range(6):
        at = start + timedelta(days=day)
        look(cast, "member", places.shared, "2d", at, groups=sonar("white-crappie", 0.7))
        look(
            cast, "member", places.shared, "camera", at + timedelta(minutes=9), minutes=6, secchi_m=2.0,
            findings=found("largemouth-bass", 2, tie="same fish"),
        )  # fmt: skip


def test_a_refit_gives_every_spot_with_looks_a_history(some_looks: None, places: Places) -> None:
    report = jobs.refit()
    assert report is not None
    rows = {
        row.species_id: row
        for row in History.objects.filter(spot=places.shared, scope="club", edition="live")
    }
    bass = rows["largemouth-bass"]
    assert (bass.called, bass.seen, bass.landed, bass.verified) == (0, 6, 0, 0)
    assert rows["white-crappie"].called == 6
    assert 0 < bass.low < bass.probability < bass.high < 1
    assert bass.probability > rows["bluegill"].probability
    assert not Due.objects.exists()


def test_a_confirmed_proof_makes_the_spot_due_and_its_refresh_tells_it(
    some_looks: None, cast: Cast, places: Places, quiet_queue: Any
) -> None:
    jobs.refit()
    finding = Finding.objects.filter(species="largemouth-bass").order_by("look__started_at").last()
    assert finding
    with see(cast, "checker"):
        confirm(finding, cast.checker, "largemouth-bass", "confirmed", "", timezone.now())
    assert Due.objects.filter(pk=places.shared.pk).exists()
    assert jobs.refresh_due() == 1
    row = History.objects.get(spot=places.shared, species="largemouth-bass", scope="club", edition="live")
    assert (row.seen, row.verified) == (5, 1)
    assert row.last_verified == finding.look.started_at


def test_the_spot_job_and_the_refit_agree_at_the_same_parameters(some_looks: None, places: Places) -> None:
    moment = timezone.now()
    jobs.refit(moment)
    nightly = list(History.objects.filter(spot=places.shared, edition="live").order_by("species_id", "scope"))
    Due.objects.create(spot=places.shared)
    refit = Refit.objects.get(is_current=True)
    from observations.inference.results import ClubFit

    with working(moment):
        fit, key = ClubFit.from_dict(refit.parameters), places.shared.pk
        rows = histories(scopes_of([key]), fit, refit, moment, moment)
    again = sorted(rows, key=lambda row: (row.species_id, row.scope))
    for old, new in zip(nightly, again, strict=True):
        assert abs(old.probability - new.probability) < 1e-8
        assert abs(old.low - new.low) < 1e-8 and abs(old.high - new.high) < 1e-8


def test_a_private_look_changes_only_its_owners_history(some_looks: None, cast: Cast, places: Places) -> None:
    jobs.refit()
    before = list(
        History.objects.filter(spot=places.shared, scope="club").values("species_id", "probability", "months")
    )
    look(
        cast, "captain", places.shared, "camera", timezone.now() - timedelta(hours=3), minutes=8, secchi_m=2.0,
        scope=f"team:{cast.alder.pk}", findings=found("bluegill", 4),
    )  # fmt: skip
    assert jobs.refresh_due() == 1
    after = list(
        History.objects.filter(spot=places.shared, scope="club").values("species_id", "probability", "months")
    )
    assert [r["species_id"] for r in before] == [r["species_id"] for r in after]
    team = History.objects.get(spot=places.shared, scope=f"team:{cast.alder.pk}", species="bluegill")
    club = History.objects.get(spot=places.shared, scope="club", species="bluegill", edition="live")
    assert team.seen == 1 and club.seen == 0
    assert team.probability > club.probability


def test_running_the_refit_twice_changes_nothing_but_its_date(some_looks: None, places: Places) -> None:
    moment = timezone.now()
    jobs.refit(moment)
    first = {row.pk: row for row in History.objects.all()}
    jobs.refit(moment)
    assert Refit.objects.filter(is_current=True).count() == 1
    assert History.objects.count() == len(first)


def test_a_club_without_looks_has_priors_and_says_how_unsure_they_are(places: Places) -> None:
    assert jobs.refit() is not None
    row = History.objects.filter(spot=places.private).first()
    assert row and row.looks == 0 and row.high - row.low > 0.3


def test_a_fit_that_does_not_converge_leaves_the_last_good_results_in_place(
    some_looks: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert jobs.refit() is not None
    with working(timezone.now()):
        good = Refit.objects.get(is_current=True)
        before = list(History.objects.order_by("id").values_list("id", "probability", "refit"))
    assert good.diagnostics["rates"]["largemouth-bass"]["camera"][0] > 0

    real = jobs.fit_club
    monkeypatch.setattr(jobs, "fit_club", lambda *args, **more: replace(real(*args, **more), converged=False))
    report = jobs.refit()
    assert report is not None and not report.converged
    with working(timezone.now()):
        assert Refit.objects.get(is_current=True) == good
        assert list(History.objects.order_by("id").values_list("id", "probability", "refit")) == before
        failed = Refit.objects.order_by("-id").first()
        assert failed is not None and not failed.converged and failed.diagnostics["iterations"] > 0
    assert refit_by(timezone.now()) == good


def test_blind_checks_that_name_another_species_teach_how_often_sightings_err(
    some_looks: None, cast: Cast
) -> None:
    findings = list(Finding.objects.order_by("look__started_at")[:4])
    for finding, (named, decision) in zip(
        findings,
        [("largemouth-bass", "confirmed"), ("white-crappie", "corrected"), ("", "unsure")],
        strict=False,
    ):
        confirm(finding, cast.checker, named, decision, "", timezone.now())
    with working(timezone.now()):
        evidence = gather_club(club_taxa(), timezone.now()).evidence
    # The third could not be told: it says nothing about the claim.
    assert (evidence.rechecked, evidence.recheck_wrong) == (2, 1)
    jobs.refit()
    refit = Refit.objects.get(is_current=True)
    # A Beta worth 50 re-checks at .02, and one error in two: (1 + 1) / 52.
    assert refit.diagnostics["mistaken_sightings"] == pytest.approx(2 / 52)


def test_a_history_says_which_looks_would_narrow_it_and_its_published_edition_does_not(
    some_looks: None, places: Places
) -> None:
    jobs.refit()
    row = History.objects.get(spot=places.shared, scope="club", edition="live", species="largemouth-bass")
    assert row.narrowed_by["method"] in {"camera", "rod"} and 0 <= row.narrowed_by["by"] <= 1
    row.narrowed_by = {"method": "camera", "looks": 3, "effort": 5.0, "by": 0.31}
    assert narrowing_words(row) == (
        "Three more camera drops in clear water, five minutes each and on different days, would tell most: they"
        " should make the interval about 31\u00a0% narrower."
    )
    row.narrowed_by = {"method": "rod", "looks": 3, "effort": 1.0, "by": 0.01}
    assert narrowing_words(row).startswith("Even three more trips with an hour of rod and line each")
    assert all(row.narrowed_by == {} for row in History.objects.filter(edition="published"))
