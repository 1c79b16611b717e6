"""What must not get out, and who may know it."""

from tests.conftest import PERSONAS
from tests.leaks.positions import Canary

CANARIES = {
    "club": Canary("Canary Club Crib", -93.276713, 45.021137, ("heron lantern", "PERMIT-7431-C")),
    "shared": Canary("Canary Shared Pile", -93.265951, 45.044379, ("mallard kettle", "PERMIT-7431-S")),
    "private": Canary("Canary Private Laydown", -93.287531, 45.032717, ("bittern anvil", "PERMIT-7431-P")),
    "team": Canary("Canary Team Ledge", -93.254839, 45.013363, ("osprey thimble", "PERMIT-7431-T")),
}
# Words alone: notes of looks at the spot that all members see exactly, and names of uploaded files.
CANARIES |= {
    "club look": Canary("curlew bellows"),
    "private look": Canary("plover spindle"),
    "team look": Canary("avocet trivet"),
    "look at the private spot": Canary("dunlin gimlet"),
    "look at the team's spot": Canary("godwit pestle"),
    "file name": Canary("quillback-cove"),
    "waypoint": Canary("sandpiper bodkin"),
}
# People who once could see more: their old session and token, a trust taken away, a grant that has ended.
FORMER = ("removed", "removed by token", "demoted", "lapsed")
# A member who comes with a token and no session.
EVERYBODY = (*PERSONAS, *FORMER, "rival by token")

_MEMBERS = {"shared", "club look"}
# Which canaries a persona may know exactly.
KNOWS: dict[str, set[str]] = {
    "organiser": {*_MEMBERS, "club"},
    "checker": _MEMBERS,
    "member": {*_MEMBERS, "private", "private look", "look at the private spot", "waypoint"},
    "teammate": {*_MEMBERS, "team", "team look", "look at the team's spot"},
    "captain": {*_MEMBERS, "team", "team look", "look at the team's spot"},
    "rival": _MEMBERS,
    "newcomer": _MEMBERS,
    "demoted": _MEMBERS,
    "rival by token": _MEMBERS,
    "guest": set(),
    "nobody": set(),
    "lapsed": set(),
    "removed": set(),
    "removed by token": set(),
}


def hidden_from(persona: str) -> dict[str, Canary]:
    return {name: canary for name, canary in CANARIES.items() if name not in KNOWS[persona]}
