"""The simulated seasons: the same every time, nothing of the future, and readers as good as their methods."""

import ast
from collections import Counter
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from observations.demo import people, simulate
from observations.demo.rows import (
    NOT_FISH,
    PROVING,
    SONAR,
    SPECIES,
    UNKNOWN,
    WIDER,
    Demo,
    GroupRow,
    LookRow,
    right,
)
from observations.demo.simulate import band_of

LOADED = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def demo() -> Demo:
    return simulate.simulate()


def calls(demo: Demo, method: str = "", observer: str = "") -> Iterable[tuple[LookRow, GroupRow, bool]]:
    """Sealed calls with whether the truth bears them out."""
    for look in demo.looks:
        if (not method or look.method == method) and (not observer or look.observer == observer):
            for group in look.groups:
                if group.call:
                    yield look, group, right(group.call, demo.visits[look.visit].target)


def share_right(demo: Demo, method: str) -> float:
    """Of the calls that name a species or say not fish, how many are right."""
    named = [fine for _, group, fine in calls(demo, method) if group.call != UNKNOWN]
    return float(np.mean(named))


def test_the_same_seed_gives_the_same_demo(demo: Demo) -> None:
    simulate.simulate.cache_clear()
    again = simulate.simulate()
    assert again.looks == demo.looks
    assert again.confirmations == demo.confirmations
    assert again.pictures == demo.pictures
    assert again.visits == demo.visits


def test_another_seed_gives_another_demo(demo: Demo) -> None:
    assert simulate.simulate(seed=1).looks != demo.looks


def test_nothing_is_of_the_future(demo: Demo) -> None:
    assert max(look.received_at for look in demo.looks) <= LOADED
    assert max(trip.ended_at for trip in demo.trips) <= LOADED
    assert max(row.at for row in demo.confirmations) <= LOADED


def test_on_a_machine_whose_clock_is_behind_nothing_is_of_its_future_either(demo: Demo) -> None:
    moment = datetime(2025, 7, 1, tzinfo=UTC)
    part = simulate.until(demo, moment)
    assert 0 < len(part.looks) < len(demo.looks)
    assert max(look.received_at for look in part.looks) <= moment
    assert max(row.at for row in part.confirmations) <= moment
    looks = {look.key for look in part.looks}
    findings = {finding.key for look in part.looks for finding in look.findings}
    assert {picture.look for picture in part.pictures} <= looks
    assert {row.finding for row in part.confirmations} <= findings
    assert simulate.until(demo, LOADED) == demo


def test_there_are_three_seasons_of_some_thousand_looks(demo: Demo) -> None:
    assert 2_500 <= len(demo.looks) <= 4_000
    assert {look.started_at.year for look in demo.looks} == {2024, 2025, 2026}
    assert {look.method for look in demo.looks} == {*SONAR, *PROVING, "eye"}


def test_every_persona_but_the_guest_has_logged_looks(demo: Demo) -> None:
    observers = Counter(look.observer for look in demo.looks)
    for person in people.PEOPLE:
        assert (observers[person.username] > 0) == (person.role != "guest"), person.username


def test_observers_know_the_place_exactly(demo: Demo) -> None:
    from observations.demo.outings import reachable

    spots = {spot.key: spot for spot in demo.spots}
    assert all(reachable(people.BY_NAME[look.observer], spots[look.spot]) for look in demo.looks)


def test_forward_facing_is_read_best_and_side_scan_worst(demo: Demo) -> None:
    rates = {method: share_right(demo, method) for method in SONAR}
    assert rates["forward"] > rates["down"] > rates["side"]
    assert rates["forward"] - rates["side"] > 0.10
    assert rates["down"] > rates["2d"]


def test_confusions_are_the_ones_that_look_alike(demo: Demo) -> None:
    wrong = Counter(
        group.call
        for look, group, fine in calls(demo)
        if not fine and demo.visits[look.visit].target == "black-crappie" and group.call in SPECIES
    )
    assert wrong.most_common(1)[0][0] == "white-crappie"


def test_the_careless_are_surer_than_right_and_the_modest_less(demo: Demo) -> None:
    def gap(observer: str) -> float:
        pairs = [(group.probability, fine) for _, group, fine in calls(demo, observer=observer)]
        return float(np.mean([said for said, _ in pairs if said]) - np.mean([fine for _, fine in pairs]))

    assert gap("gideon") > 0.05
    assert gap("amos") < -0.10


def test_a_visits_proofs_were_present(demo: Demo) -> None:
    for look in demo.looks:
        for finding in look.findings:
            assert finding.truth in demo.visits[look.visit].present


def test_same_fish_proofs_settle_the_target_of_the_observers_own_echoes(demo: Demo) -> None:
    groups = {group.key: look for look in demo.looks for group in look.groups}
    ties = 0
    for look in demo.looks:
        for finding in look.findings:
            if finding.settles is not None:
                settled = groups[finding.settles]
                assert settled.spot == look.spot
                assert settled.observer == look.observer
                assert settled.started_at < look.started_at
            if finding.tie == "same fish":
                ties += 1
                assert finding.truth == demo.visits[look.visit].target
    assert ties >= 80


def test_camera_drops_in_murk_see_less(demo: Demo) -> None:
    seen: dict[bool, list[int]] = {True: [], False: []}
    for look in demo.looks:
        if look.method == "camera" and look.secchi_m and demo.visits[look.visit].present:
            seen[look.secchi_m >= 1.6].append(bool(look.findings))
    assert np.mean(seen[True]) > np.mean(seen[False]) + 0.05


def test_about_one_sonar_look_in_ten_of_those_with_a_camera_is_drawn(demo: Demo) -> None:
    able = {person.username for person in people.ANGLERS if "camera" in person.gear}
    looks = [look for look in demo.looks if look.method in SONAR and look.observer in able]
    drawn = sum(look.random_check for look in looks)
    assert 0.05 < drawn / len(looks) < 0.13
    assert demo.refusals > 0


def test_members_prove_what_looks_good(demo: Demo) -> None:
    """Camera drops follow echoes far oftener than blank screens; the engine has to live with that."""
    proved = {look.visit for look in demo.looks if look.method == "camera" and not look.random_check}
    with_echoes = {look.visit for look in demo.looks if any(group.count for group in look.groups)}
    blank = {look.visit for look in demo.looks if look.groups} - with_echoes
    assert len(proved & with_echoes) / len(with_echoes) > 2 * len(proved & blank) / len(blank)


def test_a_dozen_recent_proofs_wait_with_pictures_and_one_for_the_checker_is_wrong(demo: Demo) -> None:
    decided = {row.finding for row in demo.confirmations}
    pictured = {row.finding for row in demo.pictures if row.finding} - decided
    findings = {finding.key: (look, finding) for look in demo.looks for finding in look.findings}
    waiting = [findings[key] for key in pictured]
    assert 10 <= len(waiting) <= 14
    assert all(LOADED - look.started_at < timedelta(days=21) for look, _ in waiting)
    wrong = [look.observer for look, finding in waiting if finding.species != finding.truth]
    assert sum(observer != "checker" for observer in wrong) == 1
    assert len(wrong) <= 2


def test_nobody_decides_on_their_own_finding(demo: Demo) -> None:
    observer = {finding.key: look.observer for look in demo.looks for finding in look.findings}
    assert all(observer[row.finding] != row.checker for row in demo.confirmations)
    assert {row.checker for row in demo.confirmations} <= set(people.CHECKERS)


def test_rows_keep_the_databases_rules(demo: Demo) -> None:
    codes = {*SPECIES, *WIDER, UNKNOWN, NOT_FISH}
    for look in demo.looks:
        assert len({finding.species for finding in look.findings}) == len(look.findings)
        assert (look.rod_hours is not None) == (look.method == "rod")
        assert bool(look.groups) == (look.method not in PROVING)
        for group in look.groups:
            assert group.band == band_of(group.count)
            assert not group.call or (group.count > 0 and group.call in codes)
        for finding in look.findings:
            assert len(finding.lengths_mm) <= finding.count
            assert finding.species in SPECIES


def test_the_simulator_does_not_know_the_inference() -> None:
    for path in Path(simulate.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            names = [alias.name for alias in getattr(node, "names", [])]
            modules = [getattr(node, "module", "") or "", *names]
            assert not any(module.startswith("observations.inference") for module in modules), path.name
