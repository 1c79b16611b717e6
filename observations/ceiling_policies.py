"""A species with a ceiling is not told where its spot is shown finer: the rule, as a condition of policies.

It goes by how exactly anybody but the owner is shown the spot, and not by how exactly the reader is: a member
who sees a place exactly would otherwise sign out and read there, as the public, what was left out for them.
A spot's owner and the observer of a look keep what is theirs.

A look whose finding is left out stays, and says what it would say without the fish: a look that vanished, or a
gap, would tell of it.
"""

from club.rls import AUDIENCES, MEMBER, Table
from spots.rules import owner_of, owns

_ORGANISER = f"'organisers' = ANY ({AUDIENCES})"


def told(species: str, spot_id: str) -> str:
    """Return the condition that the species of this SQL expression (or of several, by commas) is told at a spot.

    Both name their tables. A species without a ceiling costs one look into a table of a few rows.
    """
    if "." not in species:
        raise ValueError(f"{species} must name its table: a bare column means another one inside EXISTS")
    return (
        f"(NOT EXISTS (SELECT 1 FROM observations_speciesceiling k WHERE k.species_id IN ({species})"
        f" AND spots_widest_sight({spot_id}) > k.level) OR {owns(owner_of(spot_id))})"
    )


def told_in_look(species: str, look_id: str) -> str:
    """Return `told` for what belongs to a visible look, whose observer is always told."""
    return (
        f"(NOT EXISTS (SELECT 1 FROM observations_speciesceiling k WHERE k.species_id IN ({species}))"
        f" OR EXISTS (SELECT 1 FROM observations_observation l WHERE l.id = {look_id}"
        f" AND (l.observer_id = {MEMBER} OR {told(species, 'l.spot_id')})))"
    )


TABLES = [
    Table(
        "observations_speciesceiling",
        insert=f"{_ORGANISER} AND set_by_id = {MEMBER}",
        update=f"{_ORGANISER} AND set_by_id = {MEMBER}",
        delete=_ORGANISER,
    )
]
