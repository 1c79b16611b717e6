"""Which of the demo's proofs have pictures, which a checker has decided, and which still wait."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from observations.demo.outings import LAST, METHOD_DAYS, ZONE
from observations.demo.people import CHECKERS
from observations.demo.rows import (
    SONAR,
    ConfirmationRow,
    FindingRow,
    LookRow,
    PictureRow,
    SpotRow,
    Visit,
)
from observations.demo.spotlist import FLAGSHIP

WAITING = 12
"""Recent proofs that wait for a checker; one of them claims a wrong species."""

PRACTICE = 22
"""Sonar pictures whose truth a same-fish proof has settled, to practise blind calls on."""

BOARD = 8
"""Further landed fish with a picture on the measuring board."""

ALIKE = {
    "white-crappie": "black-crappie",
    "black-crappie": "white-crappie",
    "bluegill": "redear-sunfish",
    "largemouth-bass": "spotted-bass",
    "smallmouth-bass": "largemouth-bass",
    "spotted-bass": "largemouth-bass",
    "blue-catfish": "channel-catfish",
}
"""What a true species is wrongly claimed to be in the queue."""

END = datetime(LAST.year, LAST.month, LAST.day, 23, 30, tzinfo=ZONE).astimezone(UTC)
SHOWN_METHOD_DAY = METHOD_DAYS[-1]
"""Every telling look of this day at the best-known spot has a picture, to lay side by side."""


@dataclass(frozen=True)
class Decided:
    """The looks (one of them now with a wrong claim), what checkers decided, and the pictures to draw."""

    looks: tuple[LookRow, ...]
    confirmations: tuple[ConfirmationRow, ...]
    pictures: tuple[PictureRow, ...]


def decide(
    looks: tuple[LookRow, ...],
    spots: tuple[SpotRow, ...],
    visits: dict[int, Visit],
    rng: np.random.Generator,
) -> Decided:
    """Choose pictures, leave the newest club proofs waiting, and decide most of the others."""
    album = _Album()
    waiting = _waiting(looks)
    looks, waiting = _with_a_wrong_claim(looks, waiting)
    for look, finding in waiting:
        album.add(look, finding)
    flagship = next(spot.key for spot in spots if spot.name == FLAGSHIP)
    for look in looks:
        day = look.started_at.astimezone(ZONE).date()
        if day == SHOWN_METHOD_DAY and look.spot == flagship and look.scope == "club":
            album.add_telling(look)
    _practice(looks, visits, album, rng)
    _boards(looks, album, rng)
    keys = {finding.key for _, finding in waiting}
    decisions: list[ConfirmationRow] = []
    for look in looks:
        for finding in look.findings:
            if look.scope == "club" and finding.key not in keys:
                decisions += _decisions(look, finding, finding.key in album.findings, rng)
    return Decided(looks, tuple(decisions), tuple(album.rows))


class _Album:
    """The pictures chosen so far, one a look at most."""

    def __init__(self) -> None:
        self.rows: list[PictureRow] = []
        self.findings: set[int] = set()
        self.looks: set[int] = set()

    def add(self, look: LookRow, finding: FindingRow | None) -> None:
        if look.key in self.looks:
            return
        kind = look.method if look.method != "rod" else "board"
        key = len(self.rows) + 1
        self.rows.append(PictureRow(key, look.key, finding.key if finding else None, kind, 7000 + look.key))
        self.looks.add(look.key)
        if finding:
            self.findings.add(finding.key)

    def add_telling(self, look: LookRow) -> None:
        """A picture of a look that shows something, or of a camera drop that shows nothing."""
        if look.method in SONAR and look.groups and look.groups[0].count:
            self.add(look, None)
        elif look.method == "camera" or look.findings:
            self.add(look, look.findings[0] if look.findings else None)


Proof = tuple[LookRow, FindingRow]


def _waiting(looks: Iterable[LookRow]) -> list[Proof]:
    """The newest club-scope proofs, one a look, newest last; a method day's are checked on the spot."""
    newest = [
        look
        for look in looks
        if look.findings
        and look.scope == "club"
        and look.started_at.astimezone(ZONE).date() not in METHOD_DAYS
    ]
    return [(look, look.findings[0]) for look in newest[-WAITING:]]


def _with_a_wrong_claim(
    looks: tuple[LookRow, ...], waiting: list[Proof]
) -> tuple[tuple[LookRow, ...], list[Proof]]:
    """Make one waiting claim name a fish that is taken for the true one, if no other is wrong for the checker."""
    if any(finding.species != finding.truth and look.observer != "checker" for look, finding in waiting):
        return looks, waiting
    for turn, (look, finding) in enumerate(waiting):
        named = ALIKE.get(finding.species)
        if named is None or look.observer == "checker" or named in {f.species for f in look.findings}:
            continue
        wrong = replace(finding, species=named)
        changed = replace(look, findings=(wrong, *look.findings[1:]))
        waiting = [*waiting[:turn], (changed, wrong), *waiting[turn + 1 :]]
        return tuple(changed if row.key == look.key else row for row in looks), waiting
    return looks, waiting


def _practice(
    looks: tuple[LookRow, ...], visits: dict[int, Visit], album: _Album, rng: np.random.Generator
) -> None:
    """Sonar looks whose called group was settled by a same-fish proof, spread over methods and species."""
    settled = {
        finding.settles: (look, finding)
        for look in looks
        for finding in look.findings
        if finding.settles and finding.tie == "same fish" and look.scope == "club"
    }
    found: dict[tuple[str, str], list[tuple[LookRow, Proof]]] = {}
    for look in looks:
        if look.method in SONAR and look.scope == "club":
            for group in look.groups:
                if group.call and group.key in settled:
                    proof = settled[group.key]
                    found.setdefault((look.method, proof[1].truth), []).append((look, proof))
    rounds = [sorted(found), sorted(found), sorted(found)]
    number = 0
    for keys in rounds:
        for key in rng.permutation(len(keys)):
            options = found[keys[int(key)]]
            if not options or number >= PRACTICE:
                continue
            look, (proof_look, finding) = options.pop(int(rng.integers(len(options))))
            if look.key in album.looks:
                continue
            album.add(look, None)
            album.findings.add(finding.key)
            number += 1
            if number % 3 == 0:
                album.add(proof_look, finding)


def _boards(looks: tuple[LookRow, ...], album: _Album, rng: np.random.Generator) -> None:
    """Some landed fish of every kind, on the board."""
    by_species: dict[str, list[Proof]] = {}
    for look in looks:
        for finding in look.findings:
            if look.method == "rod" and finding.lengths_mm and look.scope == "club":
                by_species.setdefault(finding.species, []).append((look, finding))
    for species in sorted(by_species)[:BOARD]:
        options = by_species[species]
        look, finding = options[int(rng.integers(len(options)))]
        album.add(look, finding)


def _decisions(
    look: LookRow, finding: FindingRow, pictured: bool, rng: np.random.Generator
) -> list[ConfirmationRow]:
    """One checker's decision on most proofs, a second one's on one in twenty; the rest none can tell."""
    able = [name for name in CHECKERS if name != look.observer]
    order = [able[int(i)] for i in rng.permutation(len(able))]
    unclear = not pictured and rng.random() > 0.62
    again = rng.random() < 0.05
    found: list[ConfirmationRow] = []
    for checker in order:
        verified = any(row.decision in ("confirmed", "corrected") for row in found)
        if verified and not again:
            break
        after = timedelta(hours=float(rng.uniform(5, 90)) + 60.0 * len(found))
        at = min(look.received_at + after, END - timedelta(minutes=10) + after / 100)
        if unclear:
            at = at.replace(microsecond=0)
            found.append(ConfirmationRow(finding.key, checker, "", "unsure", "", at))
        else:
            found.append(_decision(finding, checker, at, pictured, rng))
    return found


def _decision(
    finding: FindingRow, checker: str, at: datetime, pictured: bool, rng: np.random.Generator
) -> ConfirmationRow:
    """Name the species first: right nearly always, and wrong claims are caught more often than not."""
    at = at.replace(microsecond=0)
    roll = rng.random()
    if finding.species == finding.truth:
        if pictured or roll < 0.955:
            return ConfirmationRow(finding.key, checker, finding.species, "confirmed", "", at)
        if roll < 0.985:
            return ConfirmationRow(finding.key, checker, "", "unsure", "", at)
        return ConfirmationRow(finding.key, checker, "", "rejected", "The picture shows limbs only.", at)
    if pictured or roll < 0.6:
        return ConfirmationRow(finding.key, checker, finding.truth, "corrected", "", at)
    if roll < 0.9:
        return ConfirmationRow(finding.key, checker, finding.species, "confirmed", "", at)
    return ConfirmationRow(finding.key, checker, "", "unsure", "", at)
