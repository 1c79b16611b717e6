"""Why a chance is what it is, and what would make it surer, in plain words."""

from collections.abc import Sequence
from datetime import timedelta

from club.units import Units
from observations.models import EchoGroup, Finding, History, Method, Observation
from observations.words import SHORT_METHOD, call_of, echo_words

LITTLE = 0.05
NUMBERS = {1: "one", 2: "two", 3: "three", 4: "four", 5: "five"}


def narrowing_words(row: History) -> str:
    """Return what would narrow the interval most, in a sentence; empty where that was not worked out."""
    plan = row.narrowed_by
    if not plan:
        return ""
    more = " more" if row.looks else ""
    effort = NUMBERS.get(plan["effort"], f"{plan['effort']:g}")
    if plan["method"] == "camera":
        what = f"{NUMBERS[plan['looks']]}{more} camera drops in clear water, {effort} minutes each"
    else:
        hours = "an hour" if plan["effort"] == 1 else f"{effort} hours"
        what = f"{NUMBERS[plan['looks']]}{more} trips with {hours} of rod and line each"
    if plan["by"] < LITTLE:
        return f"Even {what} would hardly make the interval narrower."
    return (
        f"{what.capitalize()} and on different days, would tell most: they should make the interval about"
        f" {round(plan['by'] * 100)}\u00a0% narrower."
    )


def moved_words(row: History, looks: Sequence[Observation], units: Units) -> list[tuple[str, str]]:
    """Return what moved a probability most, as (`up 24` or `down 3`, words about this species)."""
    by_id = {str(look.id): look for look in looks}
    out = []
    for item in row.moved_by:
        look = by_id.get(item["look"])
        if look is None:
            continue
        points = round(abs(item["change"]) * 100)
        at = look.started_at + timedelta(minutes=look.utc_offset_min)
        way = f"{'up' if item['change'] > 0 else 'down'} {points if points else 'under 1'}"
        told = reason_words(look, row.species_id, row.species.name, units)
        out.append((way, f"{at.day} {at:%b %Y}: {told}"))
    return out


def reason_words(look: Observation, code: str, name: str, units: Units) -> str:
    """Say what one look has to do with one species: what it found or called of it, and how hard it looked."""
    method = Method(look.method)
    if method in {Method.CAMERA, Method.ROD}:
        return f"{_how(look, method, units)} {_found(look, method, code, name)}"
    groups = list(look.groups.all())
    blank = [group for group in groups if group.band == EchoGroup.Band.NONE]
    if len(blank) == len(groups):
        return f"{SHORT_METHOD[method]} showed nothing"
    told = "; ".join(_called(group, code, units) for group in groups if group not in blank)
    return f"{SHORT_METHOD[method]} showed {told}"


def _how(look: Observation, method: Method, units: Units) -> str:
    """`Camera for 6 min in water clear to 1.8 m`, `Rod for 1.5 hours`."""
    if method == Method.ROD:
        hours = look.rod_hours
        spent = "" if hours is None else f" for {hours:.1f}".removesuffix(".0") + " rod-hours"
        return f"Rod{spent}"
    minutes = "" if look.minutes is None else f" for {look.minutes:.0f} min"
    if look.secchi_m is not None:
        return f"Camera{minutes} in water clear to {units.depth_text(look.secchi_m)}"
    return f"Camera{minutes}" + (f" in {look.clarity} water" if look.clarity else "")


def _found(look: Observation, method: Method, code: str, name: str) -> str:
    verb = "landed" if method == Method.ROD else "saw"
    findings = list(look.findings.all())
    mine = [finding for finding in findings if (finding.corrected_species_id or finding.species_id) == code]
    if mine:
        sure = (
            "confirmed by a checker" if any(finding.verified_at for finding in mine) else "not yet confirmed"
        )
        return f"{verb} {sum(finding.count for finding in mine)} {name}, {sure}"
    if not findings:
        return "landed nothing" if method == Method.ROD else "saw no fish"
    others = sorted({(finding.corrected_species or finding.species).name for finding in findings})
    return f"{verb} no {name}, only {' and '.join(others)}{_doubted(findings, code)}"


def _doubted(findings: Sequence[Finding], code: str) -> str:
    """A checker who named another species is why a find counts against the one it was first called."""
    was = any(finding.species_id == code and finding.corrected_species_id for finding in findings)
    return ", as a checker put right" if was else ""


def _called(group: EchoGroup, code: str, units: Units) -> str:
    words = echo_words(group, units)
    call = call_of(group)
    if call is None or call.withdrawn_at:
        return f"{words}, not called"
    sure = f", {call.probability * 100:.0f}\u00a0% sure" if call.probability is not None else ""
    said = "it" if call.species_id == code else call.species.name
    return f"{words}, called {said}{sure}"
