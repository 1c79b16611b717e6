"""Ceilings of vulnerable species: setting them, and what is left out where rows are computed, not read."""

import uuid
from collections.abc import Mapping
from datetime import datetime

from django.db import connection, transaction

from club.models import Level
from club.viewer import Viewer
from observations.ceiling_models import SpeciesCeiling
from observations.ceiling_policies import told
from observations.models import Species

_WITHHELD = f"""
    SELECT c.species_id FROM observations_speciesceiling c JOIN spots_spot s ON s.id = %s
    WHERE NOT {told("c.species_id", "s.id")}
"""  # noqa: S608 - written in ceiling_policies


def withheld_at(spot_id: uuid.UUID) -> set[str]:
    """Return the codes of the species that are not told to the current viewer at a spot that they see."""
    with connection.cursor() as cursor:
        cursor.execute(_WITHHELD, [spot_id])
        return {code for (code,) in cursor.fetchall()}


def vulnerable() -> list[SpeciesCeiling]:
    return list(SpeciesCeiling.objects.select_related("species").order_by("species__order", "species__name"))


def set_ceilings(wanted: Mapping[str, int | None], viewer: Viewer, moment: datetime) -> None:
    """Give each of these species its ceiling, or none. An organiser's alone: the database refuses others."""
    with transaction.atomic():
        SpeciesCeiling.objects.filter(
            species__in=[code for code, level in wanted.items() if level is None]
        ).delete()
        for code, level in wanted.items():
            if level is None:
                continue
            row, made = SpeciesCeiling.objects.get_or_create(
                species_id=code,
                defaults={"level": level, "set_at": moment, "set_by_id": viewer.member_id},
            )
            if not made and row.level != level:
                row.level, row.set_at, row.set_by_id = level, moment, viewer.member_id
                row.save()


def may_have_one() -> list[Species]:
    """Return the species that can carry a ceiling: those that can be proved."""
    return list(Species.objects.filter(is_wider=False).exclude(pk="not-fish").order_by("order", "name"))


CHOICES = (
    ("", "no ceiling"),
    (str(int(Level.AREA)), "area: left out where anybody sees the place exactly"),
    (str(int(Level.WATER)), "water: left out where anybody sees more than the water"),
    (str(int(Level.HIDDEN)), "hidden: told to a spot’s owner only"),
)
