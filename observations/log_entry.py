"""One filled-in log page: checks its forms together and turns them into a draft of a look."""

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Self
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.http import QueryDict

from club.models import Member
from observations.camera_check import asks_for
from observations.log_fields import Measured
from observations.log_forms import FINDINGS, GROUPS, FindingForm, GroupForm, LookForm, Offer, shows_echoes
from observations.log_queries import opening_of
from observations.models import PROVING, SONAR, Call, EchoGroup, Finding, Method
from observations.services import FindingDraft, GroupDraft, LookDraft
from observations.sonar_filter import SMALL_FILTERED
from spots.models import Spot

# A time typed this long after the fact is from memory: the look counts, its call feeds no reliability.
MEMORY_AFTER = timedelta(minutes=30)
# How long a look may have waited on a phone for its seal to be taken at its word; older is from memory.
DEVICE_BELIEVED = timedelta(days=14)
# How far back the phone's own clock is believed; an older page was left open.
CLOCK_BELIEVED = timedelta(hours=24)

# Where the service's messages belong on this page.
_FIELDS = {
    "started_at": "when",
    "echoes": "g0-band",
    "placement": "g0-placement",
    "depth_m": "g0-depth",
    "call": "g0-call",
    "call_probability": "g0-sure",
    "finding_species": "f0-species",
    "finding_count": "f0-count",
    "finding_length_mm": "f0-lengths",
    "tie": "f0-tie",
    "rod_hours": "lines",
    "secchi_m": "secchi",
    "water_temp_c": "water_temp",
    "water_temp_depth_m": "water_temp_depth",
    "pool_level_m": "pool_level",
    "wind_m_s": "wind",
}
# What the page hides for the other methods.
_ONLY_FOR = {
    **dict.fromkeys(("minutes", "found", "settles"), PROVING),
    **dict.fromkeys(("lines", "response", "what"), (Method.ROD,)),
}


@dataclass(frozen=True)
class DeviceSeal:
    """A look that a device sealed without signal: when, by the server's clock, and how far its own was ahead."""

    sealed_at: datetime
    offset: timedelta

    @classmethod
    def of(cls, data: Mapping[str, str], moment: datetime) -> Self | None:
        """Return the seal that a queued look was sent with, or None. What is no time is no seal.

        `sealed_at` and `sent_at` are by the device's clock. How far that is off shows when it sends: the
        difference between its `sent_at` and the server's moment, both being the same instant but for the way.
        """
        sealed, sent = _instant(data.get("sealed_at", "")), _instant(data.get("sent_at", ""))
        if sealed is None or sent is None:
            return None
        offset = sent - moment
        try:
            return cls(min(sealed - offset, moment), offset)
        except OverflowError:
            return None


def _si(value: Measured | None) -> float | None:
    return value.si if value else None


class LogEntry:
    """The forms of one log page. Unbound when `data` is None."""

    def __init__(
        self, offer: Offer, data: QueryDict | None = None, initial: Mapping[str, Any] | None = None
    ) -> None:
        initial = dict(initial or {})
        self.look = LookForm(offer, data, initial=initial)
        self.groups = [
            GroupForm(offer, data, prefix=f"g{n}", initial=initial.get(f"g{n}")) for n in range(GROUPS)
        ]
        self.findings = [
            FindingForm(offer, data, prefix=f"f{n}", initial=initial.get(f"f{n}")) for n in range(FINDINGS)
        ]
        self.errors: dict[str, list[str]] = {}

    def is_valid(self) -> bool:
        """Check what the chosen method needs; collect the messages by the page's field names."""
        self.look.is_valid()
        method = self.look.cleaned_data.get("method") or ""
        for name, methods in _ONLY_FOR.items():
            if method not in methods:
                self.look.errors.pop(name, None)
        self._collect(self.look)
        if shows_echoes(method):
            self._check_groups()
        if method in PROVING and self.look.cleaned_data.get("found") == "fish":
            self._check_findings()
        return not self.errors

    def _collect(self, form: LookForm | GroupForm | FindingForm) -> None:
        for name, messages in form.errors.items():
            self.errors[form.add_prefix(name)] = [str(message) for message in messages]

    def say(self, name: str, message: str) -> None:
        """Add a message to a field by its name on the page, so that it stands beside it too."""
        self.errors.setdefault(name, []).append(message)
        for form in (self.look, *self.groups, *self.findings):
            bare = name.removeprefix(f"{form.prefix}-") if form.prefix else name
            if form.add_prefix(bare) != name:
                continue
            if bare in form.fields:
                form.add_error(bare, message)
            elif isinstance(form, FindingForm) and bare == "pictures":
                form.picture_errors.append(message)

    def summary(self) -> list[tuple[str, str, str]]:
        """Return (field name, label, message) for each thing to put right, in the order of the page."""
        labels = {"pictures": "Picture", "page": "This page", "spot": "Spot", "scope": "Whose evidence it is"}
        for form in (self.look, *self.groups, *self.findings):
            for bound in form:
                labels.setdefault(bound.html_name, str(bound.label))
            labels.setdefault(form.add_prefix("pictures"), "Picture")
        return [(name, labels.get(name, name), text) for name, found in self.errors.items() for text in found]

    def _check_groups(self) -> None:
        for form in self.groups:
            form.is_valid()
        self.told_groups = [form for form in self.groups if form.said_something]
        for form in self.told_groups:
            self._collect(form)
        bands = [form.cleaned_data.get("band") for form in self.told_groups]
        if not self.groups[0].cleaned_data.get("band"):
            self.say("g0-band", "Say what the screen showed; none is an answer too.")
        elif EchoGroup.Band.NONE in bands and len(bands) > 1:
            self.say("g0-band", "None stands alone: take out the other groups, or say how many.")

    def _check_findings(self) -> None:
        self.told_findings = [form for n, form in enumerate(self.findings) if n == 0 or not form.is_blank]
        for form in self.told_findings:
            form.is_valid()
            self._collect(form)
        codes = [form.cleaned_data.get("code") for form in self.told_findings]
        for form, code in zip(self.told_findings, codes, strict=True):
            if code and codes.count(code) > 1:
                name = form.offer.species[code].name if code in form.offer.species else code
                self.say(
                    form.add_prefix("species"), f"{name} stands twice: each species once, with its number."
                )

    def take(self, error: ValidationError) -> None:
        """Put the service's messages where their fields stand on this page."""
        found = error.message_dict if hasattr(error, "error_dict") else {"page": error.messages}
        for name, messages in found.items():
            for message in messages:
                self.say(_FIELDS.get(name, name), str(message))

    def _started_at(
        self, zone: ZoneInfo, settled: EchoGroup | None, moment: datetime, ahead: timedelta
    ) -> tuple[datetime, bool]:
        """Return when the look that was saved at `moment` began, and whether that was typed.

        `ahead` is how far the clock that wrote `at` was ahead of the server's.
        """
        data = self.look.cleaned_data
        if data.get("when"):
            typed: datetime = data["when"]
            return typed.replace(tzinfo=zone), True
        began = _instant(data.get("at") or "")
        if began is not None:
            began -= ahead
        if began is None or not moment - CLOCK_BELIEVED <= began <= moment:
            began = moment
        if data["method"] in PROVING and data.get("minutes"):
            began = min(began, moment - timedelta(minutes=data["minutes"].si))
        if settled:
            # What is proved had been sealed before: minutes rounded up do not turn that round.
            call = getattr(settled, "call", None)
            sealed = call.sealed_at if call else settled.look.started_at
            began = max(began, settled.look.started_at, min(sealed, moment))
        return began, False

    def draft(
        self,
        spot: Spot,
        observer: Member,
        settles: list[EchoGroup],
        moment: datetime,
        device: DeviceSeal | None = None,
    ) -> LookDraft:
        """Return the draft of a valid entry that was saved at `moment`, or before that on a `device`."""
        too_old = device is not None and moment - device.sealed_at > DEVICE_BELIEVED
        moment = device.sealed_at if device else moment
        data = self.look.cleaned_data
        method: str = data["method"]
        proving = method in PROVING
        zone = ZoneInfo(spot.water.time_zone)
        settled = next((group for group in settles if proving and str(group.pk) == data.get("settles")), None)
        started_at, was_typed = self._started_at(
            zone, settled, moment, device.offset if device else timedelta()
        )
        offset = started_at.astimezone(zone).utcoffset()
        minutes = _si(data.get("minutes")) if proving else None
        lines = _si(data.get("lines")) or 1
        from_memory = too_old or (was_typed and moment - started_at > MEMORY_AFTER)
        groups = [form.cleaned_data for form in self.told_groups] if shows_echoes(method) else []
        findings = (
            [form.cleaned_data for form in self.told_findings] if proving and data["found"] == "fish" else []
        )
        scope, opens_at = opening_of(data.get("scope") or "")
        return LookDraft(
            id=data["look"],
            spot=spot,
            observer=observer,
            method=method,
            started_at=started_at,
            utc_offset_min=round(offset.total_seconds() / 60) if offset is not None else 0,
            minutes=minutes,
            rod_hours=round(lines * minutes / 60, 4)
            if method == Method.ROD and minutes is not None
            else None,
            settings=self._settings(groups, findings, proving),
            platform=data.get("platform") or "",
            secchi_m=_si(data.get("secchi")),
            clarity=data.get("clarity") or "",
            water_temp_c=_si(data.get("water_temp")),
            water_temp_depth_m=_si(data.get("water_temp_depth")),
            pool_level_m=_si(data.get("pool_level")),
            wind_m_s=float(data["wind"]) if data.get("wind") else None,
            wind_from_deg=int(data["wind_from"]) if data.get("wind_from") else None,
            sky=data.get("sky") or "",
            note=(data.get("note") or "").strip(),
            groups=tuple(_group(group) for group in groups),
            findings=tuple(_finding(finding, settled, method) for finding in findings),
            presentations=_presentations(data, minutes) if method == Method.ROD else (),
            scope=scope,
            opens_at=opens_at,
            seal=Call.Seal.MEMORY if from_memory else Call.Seal.SERVER,
            device_sealed_at=max(device.sealed_at, started_at) if device else None,
            clock_offset_s=round(device.offset.total_seconds(), 1) if device else None,
            random_check=not was_typed and asks_for(observer.pk, data["look"], method),
        )

    def _settings(
        self, groups: list[dict[str, Any]], findings: list[dict[str, Any]], proving: bool
    ) -> dict[str, Any]:
        """Return the method's settings, and under `typed` each number with its unit just as it was typed."""
        data = self.look.cleaned_data
        typed: dict[str, Any] = {}
        names = ["secchi", "water_temp", "water_temp_depth", "pool_level"]
        names += ["minutes", "lines"] if proving else []
        for name in names:
            if value := data.get(name):
                typed[name] = [value.typed, value.unit]
        for kind, parts in (("g", groups), ("f", findings)):
            for n, part in enumerate(parts):
                if part.get("depth"):
                    typed[f"{kind}{n}-depth"] = [part["depth"].typed, part["depth"].unit]
                if part.get("lengths"):
                    typed[f"{kind}{n}-lengths"] = [
                        [one.typed for one in part["lengths"]],
                        part["lengths"][0].unit,
                    ]
        out: dict[str, Any] = {"typed": typed} if typed else {}
        if data.get("setting"):
            out["text"] = data["setting"].strip()
        if data.get("small_filtered") and data["method"] in SONAR:
            out[SMALL_FILTERED] = True
        return out


def _instant(text: str) -> datetime | None:
    try:
        value = datetime.fromisoformat(text)
        return value.astimezone(UTC) if value.utcoffset() is not None else None
    except (ValueError, OverflowError):
        return None


def _group(data: dict[str, Any]) -> GroupDraft:
    none = data["band"] == EchoGroup.Band.NONE
    return GroupDraft(
        id=data.get("id") or uuid.uuid4(),
        band=data["band"],
        placement="" if none else data.get("placement") or "",
        depth_m=None if none else _si(data.get("depth")),
        call=data["species"],
        probability=data["probability"],
        size=(data.get("size") or "") if data["species"] else "",
    )


def _finding(data: dict[str, Any], settled: EchoGroup | None, method: str) -> FindingDraft:
    lengths: list[Measured] = data.get("lengths") or []
    count = data.get("count")
    return FindingDraft(
        species=data["code"],
        count=int(count.si) if count else max(1, len(lengths)),
        lengths_mm=tuple(round(length.si) for length in lengths),
        fate=(data.get("fate") or "") if method == Method.ROD else "",
        depth_m=_si(data.get("depth")),
        tie=data.get("tie") or Finding.Tie.COVER,
        settles=settled.pk if settled else None,
    )


def _presentations(data: dict[str, Any], minutes: float | None) -> tuple[tuple[str, float | None, str], ...]:
    what = (data.get("what") or "").strip()
    response = data.get("response") or ""
    return ((what or "not said", minutes, response),) if what or response else ()
