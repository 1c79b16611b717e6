"""What is new below `exact` comes in batches, so that a change does not tell who was out the day before."""

from datetime import UTC, datetime

from club.models import AudiencePolicy, Level


def next_batch(moment: datetime) -> datetime:
    """Return when the next batch is published: the first of the next month, 00:00 UTC."""
    at = moment.astimezone(UTC)
    return datetime(at.year + at.month // 12, at.month % 12 + 1, 1, tzinfo=UTC)


class Batch:
    """When the sights of spots that are new at a moment begin."""

    def __init__(self, moment: datetime) -> None:
        self._moment = moment
        self._defaults = {policy.audience: policy.default_level for policy in AudiencePolicy.objects.all()}

    def starts(self, audience: str, level: int | None, wanted: datetime | None = None) -> datetime | None:
        """Return when a grant begins: as wanted at `exact`, below it no sooner than with the next batch."""
        given = self._defaults.get(audience, Level.HIDDEN) if level is None else level
        if given >= Level.EXACT:
            return wanted
        return max(wanted or self._moment, next_batch(self._moment))
