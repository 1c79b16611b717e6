"""What the club knows of its seasons besides presence: kept with each refit, used by every spot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from .bands import BandFit, fit_bands
from .catches import CatchFit, fit_catches
from .results import ClubFit
from .types import Evidence

_VERSION = 2


@dataclass(frozen=True)
class SeasonFit:
    """Bands of water temperature and catch rates of the club. Made by `fit_season`; store with `to_dict`."""

    bands: BandFit
    catches: CatchFit

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe form; numbers are kept bit for bit."""
        return {"version": _VERSION, "bands": self.bands.to_dict(), "catches": self.catches.to_dict()}

    @classmethod
    def from_dict(cls, packed: Mapping[str, Any]) -> SeasonFit | None:
        """Inverse of `to_dict`; None where a refit kept nothing, or what another version made."""
        if packed.get("version") != _VERSION:
            return None
        return cls(BandFit.from_dict(packed["bands"]), CatchFit.from_dict(packed["catches"]))


def fit_season(fitted: ClubFit, evidence: Evidence) -> SeasonFit:
    """Learn the club's bands and catch rates from club-scope evidence, at the fit's parameters."""
    return SeasonFit(fit_bands(fitted, evidence), fit_catches(evidence))
