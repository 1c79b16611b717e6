"""Three seasons of looks at the demo's spots, drawn from a known truth.

The simulator knows nothing of the inference that will read its looks; what it draws from (effort that prefers
good spots, readers of uneven skill, copied opinions, imperfect proofs) is described where it is drawn.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from functools import lru_cache

import numpy as np

from observations.demo.checking import decide
from observations.demo.ecology import Truth
from observations.demo.outings import LAST, ZONE, Planner, Stop
from observations.demo.people import Person
from observations.demo.proving import Sight, camera, lure_for, rod
from observations.demo.reading import call, echoes
from observations.demo.rows import (
    SONAR,
    Demo,
    FindingRow,
    GroupRow,
    LookRow,
    PresentationRow,
    SpotRow,
    TripRow,
    Visit,
)
from observations.demo.spotlist import spots as all_spots
from observations.demo.weather import clarity, weather

CLOSURE = timedelta(hours=6)
"""Looks at one spot within this time share one truth."""

DRAW = 0.10
"""One sonar look in ten is drawn for a camera drop, whatever it looks like."""

NOTES = (
    "Bait balled up nearby.",
    "Limbs look thinner than last year.",
    "Two boats were on it before us.",
    "Current running.",
    "Held still for ten minutes.",
    "Wind pushed us off twice.",
    "Zebra-striped shadow on the near side.",
)


def band_of(count: int) -> str:
    """The number band of a count of echoes."""
    for top, band in ((0, "none"), (3, "1-3"), (8, "4-8"), (20, "9-20")):
        if count <= top:
            return band
    return "more"


@lru_cache(maxsize=2)
def simulate(seed: int = 20240304) -> Demo:
    """The whole demo of a seed: spots, trips, looks, calls, findings, and the truth behind them."""
    rng = np.random.default_rng(seed)
    spots = all_spots()
    planner = Planner(spots, rng)
    stops = planner.stops()
    teller = Teller(spots, rng)
    for stop in stops:
        teller.stop(stop)
    trips = []
    ends: dict[int, datetime] = {}
    for look in teller.looks:
        if look.trip is not None:
            end = look.started_at + timedelta(minutes=look.minutes)
            ends[look.trip] = max(ends.get(look.trip, end), end)
    for outing in planner.outings:
        if outing.key in ends:
            home = ends[outing.key] + timedelta(minutes=int(rng.integers(10, 40)))
            trips.append(
                TripRow(outing.key, outing.person.username, outing.water, outing.starts, home, outing.note)
            )
    decided = decide(tuple(teller.looks), spots, teller.truth.visits, rng)
    return Demo(
        spots=spots,
        trips=tuple(trips),
        looks=decided.looks,
        confirmations=decided.confirmations,
        pictures=decided.pictures,
        visits=teller.truth.visits,
        refusals=teller.refusals,
    )


def until(demo: Demo, moment: datetime) -> Demo:
    """The part of a demo that has happened by a moment; all of it unless the clock is behind the demo's end."""
    looks = tuple(look for look in demo.looks if look.received_at <= moment)
    kept = {look.key for look in looks}
    findings = {finding.key for look in looks for finding in look.findings}
    return replace(
        demo,
        spots=tuple(
            replace(spot, paused_at=None) if spot.paused_at and spot.paused_at > moment else spot
            for spot in demo.spots
        ),
        trips=tuple(trip for trip in demo.trips if trip.ended_at <= moment),
        looks=looks,
        confirmations=tuple(c for c in demo.confirmations if c.finding in findings and c.at <= moment),
        pictures=tuple(picture for picture in demo.pictures if picture.look in kept),
    )


class Teller:
    """Tells one stop after the other, in order of time, and keeps the looks and the truth."""

    def __init__(self, spots: tuple[SpotRow, ...], rng: np.random.Generator) -> None:
        self._rng = rng
        self.truth = Truth(spots, rng)
        self.looks: list[LookRow] = []
        self.refusals = 0
        self._open: dict[int, tuple[datetime, Visit]] = {}
        self._keys = 0
        # The latest group with echoes that a member saw at a visit: what their proof may settle.
        self._last_group: dict[tuple[int, str], tuple[GroupRow, datetime, str]] = {}

    def _key(self) -> int:
        self._keys += 1
        return self._keys

    def _visit(self, stop: Stop) -> Visit:
        """The open visit at the stop's spot, or a new one."""
        began = self._open.get(stop.spot.key)
        if began and stop.at - began[0] < CLOSURE:
            return began[1]
        visit = self.truth.visit(stop.spot.key, stop.at.astimezone(ZONE).date())
        self._open[stop.spot.key] = (stop.at, visit)
        return visit

    def stop(self, stop: Stop) -> None:
        """Look by sonar, perhaps prove by camera, perhaps fish."""
        rng, person, visit = self._rng, stop.person, self._visit(stop)
        scope = self._scope(stop)
        gear = person.gear
        methods = [m for m in (*SONAR, "eye") if m in gear and (stop.thorough or rng.random() < gear[m])]
        if not methods:
            sonar = [m for m in gear if m in SONAR]
            methods = [max(sonar, key=lambda m: gear[m])] if sonar else ["rod"]
        at, previous, shown, asked = stop.at, "", False, False
        for method in methods:
            if method == "rod":
                break
            group = self._read(method, visit, person, previous)
            previous = group.call or previous
            shown = shown or group.count > 0
            drawn = rng.random() < DRAW and "camera" in gear and method in SONAR
            if drawn and rng.random() < (0.30 if group.count == 0 else 0.12):
                self.refusals += 1
                drawn = False
            asked = asked or drawn
            if group.count or drawn or stop.thorough or rng.random() < person.care:
                minutes = float(rng.integers(2, 6))
                self._log(stop, visit, method, at, scope, minutes, groups=(group,), asked=drawn)
                if group.count:
                    self._last_group[visit.key, person.username] = (group, at, method)
            at += timedelta(minutes=int(rng.integers(3, 7)))
        eager = 0.8 if shown else 0.14
        if asked or ("camera" in gear and (stop.thorough or rng.random() < eager * gear["camera"] * 1.1)):
            at = self._drop(stop, visit, at, scope, asked)
        if "rod" in gear and rng.random() < (0.75 if shown else 0.4) * gear["rod"]:
            self._fish(stop, visit, at, scope)

    def _scope(self, stop: Stop) -> str:
        """Whose evidence a look is: the spot's, or kept for the team or the member now and then."""
        person, spot = stop.person, stop.spot
        if spot.scope != "club" or stop.thorough:
            return spot.scope
        recent = (LAST - stop.at.date()).days < 90
        if person.team and self._rng.random() < (0.35 if recent else 0.08):
            return f"team:{person.team}"
        if person.username == "member" and self._rng.random() < 0.10:
            return "member:member"
        return "club"

    def _read(self, method: str, visit: Visit, person: Person, previous: str) -> GroupRow:
        """A sonar look's group of echoes, with the call on it."""
        rng = self._rng
        count = echoes(method, visit.target, visit.target_count, rng)
        if count == 0:
            return GroupRow(self._key(), "none", 0, "", None)
        if visit.target is None:
            depth, placement = max(visit.target_depth_m - rng.uniform(0.2, 1.5), 0.3), "in"
        else:
            depth, placement = visit.target_depth_m + rng.normal(0, 0.25), visit.placement
        if method == "side":
            placement = "beside" if placement in ("over", "in") else placement
        group = GroupRow(self._key(), band_of(count), count, placement, round(max(depth, 0.2), 1))
        if rng.random() > 0.93:
            return group
        named, said = call(method, visit.target, person, previous, rng)
        size = str(rng.choice(["small", "middle", "large"], p=[0.3, 0.5, 0.2])) if rng.random() < 0.5 else ""
        if named in ("not-fish",):
            size = ""
        return replace(group, call=named, probability=said, size=size, withdrawn=rng.random() < 0.012)

    def _drop(self, stop: Stop, visit: Visit, at: datetime, scope: str, asked: bool) -> datetime:
        """A camera drop."""
        rng = self._rng
        minutes = float(rng.choice([2, 3, 4, 5, 6, 8], p=[0.2, 0.2, 0.2, 0.15, 0.15, 0.1]))
        minutes = max(minutes, 4.0) if stop.thorough else minutes
        secchi = self._secchi(stop)
        seen = camera(visit, self.truth, minutes, secchi, stop.spot.cover, rng)
        self._log(
            stop,
            visit,
            "camera",
            at,
            scope,
            minutes,
            findings=self._settle(stop, visit, seen, at),
            asked=asked,
        )
        return at + timedelta(minutes=minutes + 3)

    def _fish(self, stop: Stop, visit: Visit, at: datetime, scope: str) -> None:
        """A rod session."""
        rng = self._rng
        hours = round(float(np.clip(rng.gamma(3.0, 0.14), 0.15, 1.4)), 2)
        landed, responses = rod(visit, self.truth, hours, lure_for(stop.person, rng), rng)
        self._log(
            stop, visit, "rod", at, scope, round(hours * 60.0), rod_hours=hours,
            findings=self._settle(stop, visit, landed, at), presentations=tuple(responses),
        )  # fmt: skip

    def _settle(self, stop: Stop, visit: Visit, sights: list[Sight], at: datetime) -> tuple[FindingRow, ...]:
        """Findings tied to the member's latest echoes: same fish if it was watched, else same cover."""
        group, when, method = self._last_group.get((visit.key, stop.person.username), (None, at, ""))
        rows = []
        for sight in sights:
            settles = group.key if group is not None and at - when < timedelta(hours=2) else None
            watched = {"forward": 0.85, "down": 0.55}.get(method, 0.45)
            same = settles is not None and sight.truth == visit.target and self._rng.random() < watched
            rows.append(
                FindingRow(
                    self._key(), sight.named, sight.count, sight.lengths_mm, sight.fate, sight.depth_m,
                    settles, "same fish" if same else "same cover", sight.truth,
                )
            )  # fmt: skip
        return tuple(rows)

    def _secchi(self, stop: Stop) -> float:
        """The day's clarity, murkier in the upper lake and clearer by the dam."""
        if stop.spot.water == "tansy":
            return 1.1
        east = float(np.clip((stop.spot.longitude + 97.86) / 0.17, 0.0, 1.0))
        return round(weather(stop.at.astimezone(ZONE).date()).secchi_m * (0.55 + 0.6 * east), 1)

    def _log(
        self,
        stop: Stop,
        visit: Visit,
        method: str,
        at: datetime,
        scope: str,
        minutes: float,
        *,
        groups: tuple[GroupRow, ...] = (),
        findings: tuple[FindingRow, ...] = (),
        presentations: tuple[PresentationRow, ...] = (),
        rod_hours: float | None = None,
        asked: bool = False,
    ) -> None:
        """Write one look down, with the day's conditions."""
        rng = self._rng
        day = weather(at.astimezone(ZONE).date())
        secchi = self._secchi(stop)
        offset = at.astimezone(ZONE).utcoffset() or timedelta()
        self.looks.append(
            LookRow(
                key=self._key(),
                spot=stop.spot.key,
                trip=stop.trip,
                visit=visit.key,
                observer=stop.person.username,
                method=method,
                started_at=at,
                utc_offset_min=round(offset.total_seconds() / 60),
                minutes=minutes,
                rod_hours=rod_hours,
                settings=settings(method, stop.spot, rng),
                secchi_m=secchi if rng.random() < (0.95 if method == "camera" else 0.7) else None,
                clarity=clarity(secchi),
                water_temp_c=round(day.water_temp_c + rng.normal(0, 0.2), 1) if rng.random() < 0.93 else None,
                pool_level_m=day.pool_level_m
                if stop.spot.water == "marrowby"
                else round(day.pool_level_m * 0.3, 2),
                wind_m_s=day.wind_m_s,
                wind_from_deg=day.wind_from_deg,
                sky=day.sky,
                note=str(rng.choice(NOTES)) if rng.random() < 0.05 else "",
                scope=scope,
                random_check=asked,
                received_at=at + timedelta(minutes=minutes + 1),
                groups=groups,
                findings=findings,
                presentations=presentations,
            )
        )


def settings(method: str, spot: SpotRow, rng: np.random.Generator) -> dict[str, str]:
    """Plausible settings of a look by a method, in the words of a member."""
    if method == "2d":
        text = "200 kHz, 20° cone" if rng.random() < 0.6 else "83 kHz, 60° cone"
    elif method == "down":
        text = f"{rng.choice([455, 800])} kHz, 3° fore and aft, {rng.choice([3, 4, 5])} km/h"
    elif method == "side":
        text = f"455 kHz, {rng.choice([15, 20, 25, 30])} m each side, {rng.choice([5, 6, 7])} km/h"
    elif method == "forward":
        text = f"18° wide, {rng.choice([12, 15, 20, 25])} m range, {rng.choice(['held on the spot', 'drifting'])}"
    elif method == "camera":
        text = f"lens at {max(spot.depth_min_m - rng.uniform(0, 0.8), 0.3):.1f} m"
    else:
        return {}
    return {"text": text}
