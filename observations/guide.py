"""The field guide: for each species and screen the club's verified pictures, and what it is mistaken for.

It opens no door of its own. Pictures are the cleared ones, which everybody may see, and those of looks that the
reader sees in full; row-level security says which. Of a water that is frozen for the reader only their own side's
pictures are here: what the others' prove may have been decided since. Figures are the club's, of the refit that the
reader may know.
"""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass, field

from django.db.models import BooleanField, Count, F, Func, Q, QuerySet

from club.viewer import Viewer, current_freeze
from observations.blind import leave_unnamed
from observations.calls_told import Share
from observations.clearing_models import ClearedPicture
from observations.models import Confirmation, EchoGroup, Finding, Method, Picture, Reliability, Species
from observations.reliability import readable
from observations.visits import Kinds
from observations.words import SHORT_METHOD

# Pictures of one species by one method: on its own page, and beside all the others.
MOST, FEW = 8, 1
UNCALLED = "uncalled"


@dataclass(frozen=True)
class Shown:
    """One picture: where its pixels are, small and whole, and whether it is for everybody."""

    url: str
    cleared: bool


@dataclass(frozen=True)
class Mistaken:
    """How a species fares on one screen: of those proved, how many were called right, and what for else."""

    called: Share | None
    taken_for: list[tuple[str, int]]
    right: float | None = None  # of calls of this species, how many hold true
    low: float | None = None
    high: float | None = None
    made: int = 0


@dataclass(frozen=True)
class Plate:
    """One species on one screen."""

    method: str
    name: str
    pictures: list[Shown]
    mistaken: Mistaken | None


@dataclass(frozen=True)
class Entry:
    """One species in the guide."""

    species: Species
    plates: list[Plate] = field(default_factory=list)

    @property
    def pictures(self) -> int:
        return sum(len(plate.pictures) for plate in self.plates)


def entries(viewer: Viewer, only: str = "") -> list[Entry]:
    """Return the species of which there is a picture or a proof, in the club's order; with `only`, that one."""
    species = Species.objects.filter(is_wider=False).order_by("order", "name")
    names = dict(Species.objects.values_list("code", "name")) | {UNCALLED: "not called"}
    shown, kinds = _pictures(viewer, only), Kinds()
    tables = {row.method: row for row in readable(observers=[None]) if row.method}
    made = []
    for one in species:
        if only and one.code != only:
            continue
        plates = []
        for method in Method:
            pictures = shown.get((one.code, method), [])[: MOST if only else FEW]
            told = _mistaken(tables.get(method), one.code, names, kinds)
            plates.append(Plate(method, SHORT_METHOD[method], pictures, told))
        if any(plate.pictures or (plate.mistaken and plate.mistaken.called) for plate in plates):
            made.append(
                Entry(one, [plate for plate in plates if plate.method != Method.EYE or plate.mistaken])
            )
    return made


def _pictures(viewer: Viewer, only: str) -> dict[tuple[str, str], list[Shown]]:
    """Return the pictures by species and method, best first.

    Those for everybody, whose copies say nothing more, come first; then of the reader's own sight those whose fish
    most checkers agree on, then those of a fish in hand, then the largest.
    """
    found: dict[tuple[str, str], list[Shown]] = {}
    cleared = ClearedPicture.objects.exclude(species=None).order_by("id")
    if only:
        cleared = cleared.filter(species=only)
    for row in leave_unnamed(cleared, viewer):
        if row.kept:
            continue
        key = (str(row.species_id), row.method)
        found.setdefault(key, []).append(Shown(f"/pictures/cleared/{row.pk}/", cleared=True))
    mine = [one for one in (*_of_findings(), *_of_echoes()) if not only or one.species == only]
    agreed = dict(
        Confirmation.objects.filter(
            finding__in={one.proof for one in mine}, decision__in=("confirmed", "corrected"), undone_at=None
        )
        .order_by("finding")
        .values_list("finding")
        .annotate(Count("id"))
    )
    # Sorted as they come, largest first.
    for one in sorted(mine, key=lambda one: (-agreed.get(one.proof, 0), not one.landed)):
        found.setdefault((one.species, one.method), []).append(
            Shown(f"/pictures/{one.picture}/", cleared=False)
        )
    return found


@dataclass(frozen=True)
class _Sight:
    """A picture of the reader's own sight, with the finding that says what it shows."""

    picture: uuid.UUID
    species: str
    method: str
    proof: uuid.UUID
    landed: bool


def _seen() -> QuerySet[Picture]:
    """The pictures of looks that the reader sees in full, not of those whose findings they only check.

    None of which everybody sees a named copy: that one stands here. Both would be one picture twice, and tell whoever
    did not know it which of the copies, that have no place, is from where.
    """
    copied = Func(F("pk"), function="observations_has_named_copy", output_field=BooleanField())
    there = Picture.objects.annotate(copied=copied).filter(look__withdrawn_at=None, copied=False)
    return there.order_by((F("width") * F("height")).desc(), "id")


def _known(to_finding: str = "") -> Q:
    """The findings whose state now is the reader's to know: none of a frozen water, but their own side's."""
    freeze = current_freeze()
    mine = [key.removeprefix("member:") for key in freeze.side if key.startswith("member:")]
    frozen = Q(**{f"{to_finding}water_id__in": list(freeze.waters)})
    own = Q(**{f"{to_finding}scope__in": freeze.side}) | Q(**{f"{to_finding}observer__in": mine})
    return ~frozen | own if freeze.waters else Q()


def _of_findings() -> Iterable[_Sight]:
    rows = (
        _seen()
        .filter(_known("finding__"), finding__verified_at__isnull=False, finding__disputed_at=None)
        .values_list("id", "finding__corrected_species", "finding__species", "look__method", "finding")
    )
    return [
        _Sight(key, corrected or species, method, proof, method == Method.ROD)
        for key, corrected, species, method, proof in rows
        if proof
    ]


def _of_echoes() -> Iterable[_Sight]:
    """Sonar pictures of looks with one group of echoes, which a verified *same fish* proof gives one species."""
    settled = (
        Finding.objects.filter(
            _known(), tie=Finding.Tie.FISH, verified_at__isnull=False, disputed_at=None, withdrawn_at=None
        )
        .exclude(settles=None)
        .order_by("settles_id", "id")
        .values_list("settles__look_id", "corrected_species", "species", "id", "look__method")
    )
    truths: dict[uuid.UUID, set[str]] = {}
    proofs: dict[uuid.UUID, tuple[uuid.UUID, bool]] = {}
    for look, corrected, species, proof, method in settled:
        truths.setdefault(look, set()).add(corrected or species)
        if look is not None and (look not in proofs or method == Method.ROD):
            proofs[look] = (proof, method == Method.ROD)
    single = {look for look, kinds in truths.items() if len(kinds) == 1}
    groups = (
        EchoGroup.objects.filter(look__in=single)
        .exclude(band=EchoGroup.Band.NONE)
        .values("look_id")
        .annotate(many=Count("id"))
        .filter(many=1)
        .values_list("look_id", flat=True)
    )
    rows = _seen().filter(finding=None, look__in=set(groups)).values_list("id", "look_id", "look__method")
    return [_Sight(key, next(iter(truths[look])), method, *proofs[look]) for key, look, method in rows]


def _mistaken(row: Reliability | None, species: str, names: dict[str, str], kinds: Kinds) -> Mistaken | None:
    """Return what the club's table of a method says of one species; None where there is nothing to say."""
    if row is None:
        return None
    taken: dict[str, int] = {}
    told = None
    for call in row.body["calls"]:
        if call["call"] == species and call.get("right") is not None:
            told = call
        proofs = sum(truth["proofs"] for truth in call["truths"] if truth["species"] == species)
        if proofs:
            taken[call["call"]] = proofs
    proved = sum(taken.values())
    if not proved and told is None:
        return None
    wrong = sorted(
        ((names.get(code, code), times) for code, times in taken.items() if not kinds.covers(code, species)),
        key=lambda pair: (-pair[1], pair[0]),
    )
    called = Share("", proved - sum(times for _, times in wrong), proved) if proved else None
    if told is None:
        return Mistaken(called, wrong)
    low, high = told["right_interval"]
    return Mistaken(called, wrong, told["right"], low, high, told["made"])
