"""Sun, twilight and moon against printed almanac values, and against a second library.

Printed to whole minutes by the United States Naval Observatory: within one minute. The list of the moon's phases
is Skyfield's with JPL's DE421. The second library is astral (its Sun after Meeus); its own twilight takes no
refraction, as here. `-s` prints the worst figures.
"""

import csv
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import astral
import astral.sun
import pytest

from spots.geometry.almanac import SkyDay, sky_day

REFERENCES = Path(__file__).resolve().parents[3] / "shared" / "references"
MINUTE = timedelta(minutes=1)
EASTERN = ZoneInfo("America/New_York")
STANDARD = ZoneInfo("Etc/GMT+5")  # Eastern standard time the whole year, as that table is printed


def reference(name: str) -> str:
    if not (REFERENCES / name).exists():
        pytest.skip(f"the reference table is not there: ../shared/references/{name}")
    return (REFERENCES / name).read_text()


def minutes(zone: ZoneInfo, sky: SkyDay, *names: str) -> list[str]:
    """The events to the minute, as an almanac prints them."""
    found = [getattr(sky, name) for name in names]
    return [f"{(at + timedelta(seconds=30)).astimezone(zone):%H:%M}" for at in found]


def apart(printed: list[str], ours: list[str]) -> int:
    """The largest difference in minutes."""

    def count(text: str) -> int:
        return int(text[:2]) * 60 + int(text[3:])

    return max(abs(count(a) - count(b)) for a, b in zip(printed, ours, strict=True))


def test_a_whole_year_of_sunrise_and_sunset_is_the_observatorys() -> None:
    rows = [line for line in reference("usno_atlanta_2007_sun.txt").splitlines() if line[:2].isdecimal()]
    worst, events = 0, 0
    for row in rows:
        for month in range(1, 13):
            printed = row[4 + (month - 1) * 11 :][:9].split()
            if printed:
                sky = sky_day(33 + 46 / 60, -(84 + 25 / 60), date(2007, month, int(row[:2])), STANDARD)
                ours = minutes(STANDARD, sky, "sunrise", "sunset")
                worst = max(worst, apart([f"{text[:2]}:{text[2:]}" for text in printed], ours))
                events += 2
    print(f"\nUSNO, Atlanta 2007: {events} events, at most {worst} minute off")
    assert (events, worst <= 1) == (730, True)


# Quoted from the USNO by PyEphem's manual (the first) and by Skyfield's tests (the others).
QUOTED = (
    (33.8, -84.4, date(2009, 9, 6), EASTERN, {
        "civil_dawn": "06:50", "sunrise": "07:15", "sunset": "19:56", "civil_dusk": "20:21",
        "moonset": "09:05", "moonrise": "20:44"}),
    (40.8939, -83.8917, date(2018, 9, 12), EASTERN, {"sunrise": "07:13", "sunset": "19:50"}),
    (41.281944, -84.362778, date(2019, 11, 8), EASTERN, {
        "nautical_dawn": "06:15", "civil_dawn": "06:48", "sunrise": "07:17", "sunset": "17:25",
        "civil_dusk": "17:54"}),
)  # fmt: skip


@pytest.mark.parametrize(("north", "east", "day", "zone", "printed"), QUOTED)
def test_what_the_observatory_printed_of_twilight_and_moon(
    north: float, east: float, day: date, zone: ZoneInfo, printed: dict[str, str]
) -> None:
    ours = minutes(zone, sky_day(north, east, day, zone), *printed)
    assert apart(list(printed.values()), ours) <= 1, dict(zip(printed, ours, strict=True))


def test_the_moons_phases_fall_on_the_days_and_minutes_of_the_list() -> None:
    rows = list(csv.DictReader(reference("moon_phases_2026.csv").splitlines()))
    named = {"New": "new moon", "Full": "full moon"}
    for row in rows:
        at = datetime.fromisoformat(row["skyfield_de421_utc"]).replace(tzinfo=UTC)
        sky = sky_day(45.0, 0.0, at.date(), ZoneInfo("UTC"))
        assert sky.phase == named.get(row["phase"], row["phase"].lower())
        assert sky.phase_at and abs(sky.phase_at - at) <= MINUTE
    assert len(rows) >= 48


def test_between_the_phases_it_has_the_words_between() -> None:
    # From the new moon of 11 September 2026 on: three, ten, eighteen and twenty-six days old.
    days = (date(2026, 9, 14), date(2026, 9, 21), date(2026, 9, 29), date(2026, 10, 7))
    words = [sky_day(45.0, -93.0, day, ZoneInfo("America/Chicago")).phase for day in days]
    assert words == ["waxing crescent", "waxing gibbous", "waning gibbous", "waning crescent"]


def test_a_second_library_says_the_same_of_the_sun() -> None:
    worst, events = timedelta(0), 0
    for north in (-45.0, -12.0, 33.0, 45.0, 58.0):
        for east in (-120.0, -93.0, 10.0, 151.0):
            # The local mean day, so that both speak of the same one.
            zone = ZoneInfo(f"Etc/GMT{-round(east / 15):+d}")
            for month in range(1, 13):
                day = date(2026, month, 21)
                sky = sky_day(north, east, day, zone)
                place = astral.Observer(north, east, 0)
                for name, angle in (("civil", 6), ("nautical", 12)):
                    if month in (5, 6, 7) and north > 50:
                        continue  # The Sun hardly goes that low: a second in angle is minutes in time.
                    dawn = astral.sun.dawn(place, day, angle, zone)
                    worst = max(worst, abs(dawn - getattr(sky, f"{name}_dawn")))
                for ours, theirs in (
                    (sky.sunrise, astral.sun.sunrise(place, day, zone)),
                    (sky.sunset, astral.sun.sunset(place, day, zone)),
                ):
                    assert ours
                    worst, events = max(worst, abs(ours - theirs)), events + 1
    print(f"\nastral: {events} risings and settings, at most {worst.total_seconds():.0f} s apart")
    assert worst <= MINUTE


def test_where_the_sun_stays_up_or_down_that_is_said() -> None:
    oslo = ZoneInfo("Europe/Oslo")
    summer, winter = (sky_day(69.65, 18.96, date(2026, month, 21), oslo) for month in (6, 12))
    assert (summer.sunrise, summer.sunset, summer.sun_stays) == (None, None, "up")
    assert (winter.sunrise, winter.sunset, winter.sun_stays) == (None, None, "down")
    assert winter.civil_dawn and winter.civil_dusk  # the polar night there has its hours of twilight
    with pytest.raises(ValueError, match="no latitude"):
        sky_day(91.0, 0.0, date(2026, 6, 21), oslo)
