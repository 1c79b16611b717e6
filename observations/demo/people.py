"""The invented members of the demo club, and how each of them fishes, looks and judges.

Names are made up and mean nobody. Personas sign in with their username; the others only have a history.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

CLUB = "Marrowby Rod and Line Club"
ABOUT = "An invented club on an invented lake, to try things out. Nothing here is real."
TEAM_A = "Team Bittern"
TEAM_B = "Team Sweetflag"
TEAMS = (TEAM_A, TEAM_B)


@dataclass(frozen=True)
class Person:
    """A member and their habits.

    ``outings`` weighs how many trips they make in a season; ``gear`` maps each method they own to how readily
    they use it (0 to 1); ``skill`` lifts or lowers the odds of a right call (on the logit); ``surety`` and
    ``lean`` turn what they should say into what they do say (multiplied and added on the logit: above 1 and
    above 0 are overconfident); ``care`` is how often they log a look that showed nothing.
    """

    username: str
    name: str
    role: str = "member"
    checker: bool = False
    team: str = ""
    captain: bool = False
    joined: date = date(2023, 11, 4)
    outings: int = 0
    gear: dict[str, float] = field(default_factory=dict)
    skill: float = 0.0
    surety: float = 1.0
    lean: float = 0.0
    care: float = 0.9
    likes: str = "crappie"
    haunts: str = ""
    yes_to_thin: bool = True
    units: tuple[str, str, str] = ("m", "C", "kg")
    persona: bool = False


def _gear(**use: float) -> dict[str, float]:
    """Methods by keyword, with the two that start with a digit or a long word renamed."""
    return {"2d" if name == "plain" else name: share for name, share in use.items()}


PEOPLE: tuple[Person, ...] = (
    Person(
        "organiser", "Harriet Quill", "organiser", outings=6, persona=True,
        gear=_gear(plain=0.8, down=0.4, rod=0.7), skill=-0.1, lean=-0.1, haunts="Ferry Narrows",
    ),
    Person(
        "checker", "Ida Brandt", checker=True, outings=9, persona=True, units=("ft", "F", "lb"),
        gear=_gear(plain=0.5, down=0.8, forward=0.5, camera=0.8, rod=0.4), skill=0.5, surety=1.0,
        haunts="Long Reach",
    ),
    Person(
        "member", "Tomas Vane", outings=17, persona=True, units=("ft", "F", "kg"),
        gear=_gear(plain=0.7, down=0.6, side=0.5, forward=0.4, camera=0.5, rod=0.8), skill=0.0,
        surety=1.15, lean=0.55, haunts="Sedge Arm",
    ),
    Person(
        "teammate", "Dale Okafor", team=TEAM_A, outings=15, persona=True,
        gear=_gear(down=0.4, side=0.5, forward=0.9, camera=0.5, rod=0.8), skill=0.4, lean=0.1,
        likes="bass", haunts="Kiln Arm",
    ),
    Person(
        "captain", "June Castell", team=TEAM_A, captain=True, outings=16, persona=True,
        units=("ft", "F", "lb"),
        gear=_gear(plain=0.2, side=0.7, forward=0.8, camera=0.4, rod=0.9), skill=0.6, lean=-0.05,
        likes="bass", haunts="Haymaker Reach",
    ),
    Person(
        "rival", "Marcus Pell", team=TEAM_B, captain=True, outings=15, persona=True, yes_to_thin=False,
        gear=_gear(plain=0.3, side=0.6, forward=0.8, rod=0.9, camera=0.2), skill=0.3, surety=1.3,
        lean=0.5, likes="bass", haunts="The Basin",
    ),
    Person(
        "newcomer", "Wen Liao", outings=30, persona=True, joined=date(2026, 8, 15),
        gear=_gear(plain=0.9, rod=0.8, eye=0.3), skill=-0.5, lean=-0.35, haunts="Ferry Narrows",
    ),
    Person("guest", "Petra Lund", "guest", persona=True, joined=date(2026, 9, 20)),
    Person(
        "oskar", "Oskar Fennim", checker=True, outings=8,
        gear=_gear(plain=0.7, down=0.5, camera=0.6, rod=0.5), skill=0.3, likes="walleye", haunts="Long Reach",
    ),
    Person(
        "ruth", "Ruth Abara", outings=12, gear=_gear(plain=0.6, down=0.7, rod=0.9, camera=0.3), skill=0.2,
        haunts="Orchard Arm",
    ),
    Person(
        "gideon", "Gideon Marl", outings=10, gear=_gear(plain=0.9, rod=0.8), skill=-0.6, surety=0.6, lean=1.1,
        care=0.35, likes="catfish", haunts="The Basin",
    ),
    Person(
        "lena", "Lena Kowal", team=TEAM_A, outings=11, gear=_gear(side=0.6, forward=0.7, rod=0.8, camera=0.3),
        skill=0.1, lean=0.2, likes="bass", haunts="Bittern Creek",
    ),
    Person(
        "amos", "Amos Tuckey", outings=13, gear=_gear(plain=0.8, down=0.3, rod=0.9), skill=0.0, lean=-0.6,
        haunts="Church Arm", joined=date(2024, 2, 10),
    ),
    Person(
        "bea", "Bea Solan", team=TEAM_B, outings=11, gear=_gear(down=0.5, side=0.4, forward=0.6, rod=0.8),
        skill=0.1, surety=1.1, lean=0.3, likes="bass", haunts="Kiln Arm",
    ),
    Person(
        "cyrus", "Cyrus Holm", outings=9, gear=_gear(plain=0.7, down=0.6, camera=0.7, rod=0.3), skill=0.2,
        surety=0.8, haunts="Tollgate Arm", likes="sunfish",
    ),
    Person(
        "nadia", "Nadia Forrow", outings=12, gear=_gear(down=0.7, forward=0.7, camera=0.6, rod=0.6),
        skill=0.5, surety=0.95, haunts="Sedge Arm",
    ),
    Person(
        "elwin", "Elwin Parrack", outings=8, gear=_gear(plain=0.9, rod=0.9, eye=0.3), skill=-0.7, surety=0.7,
        lean=0.9, care=0.3, haunts="Withy Reach",
    ),
    Person(
        "tess", "Tess Marolo", outings=7, gear=_gear(plain=0.5, side=0.8, camera=0.5, rod=0.4), skill=0.2,
        lean=-0.3, haunts="Orchard Arm", joined=date(2024, 4, 20),
    ),
    Person(
        "hollis", "Hollis Greave", outings=10, gear=_gear(plain=0.8, rod=0.9), skill=-0.2, lean=0.4,
        likes="catfish", haunts="Church Arm",
    ),
    Person(
        "ingrid", "Ingrid Vossler", team=TEAM_B, outings=10, gear=_gear(side=0.5, forward=0.7, rod=0.8),
        skill=0.2, likes="bass", haunts="Haymaker Reach", joined=date(2024, 9, 1),
    ),
    Person(
        "solomon", "Solomon Raye", outings=8, gear=_gear(plain=0.6, down=0.5, rod=0.8, eye=0.2), skill=0.0,
        likes="walleye", haunts="Ferry Narrows", joined=date(2025, 3, 8), units=("ft", "F", "lb"),
    ),
    Person(
        "pim", "Pim Alder", outings=6, gear=_gear(plain=0.5, down=0.6, camera=0.8, rod=0.2), skill=0.1,
        surety=0.9, haunts="Tollgate Arm", joined=date(2025, 4, 26), yes_to_thin=False,
    ),
)  # fmt: skip

BY_NAME = {person.username: person for person in PEOPLE}
ANGLERS = tuple(person for person in PEOPLE if person.outings)
CHECKERS = tuple(person.username for person in PEOPLE if person.checker)


def password(person: Person) -> str:
    """The demo password of a persona; the others cannot sign in."""
    return f"tallow-{person.username}" if person.persona else ""
