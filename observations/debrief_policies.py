"""Rights on what a debrief keeps: like trips, each row is its member's alone. The worker has no business there."""

from club.rls import MEMBER, Table

_OWN = f"member_id = {MEMBER}"


def _private(table: str) -> Table:
    own_trip = (
        f"EXISTS (SELECT 1 FROM observations_trip t WHERE t.id = {table}.trip_id AND t.member_id = {MEMBER})"
    )
    return Table(table, select=_OWN, insert=f"{_OWN} AND {own_trip}", update=_OWN, delete=_OWN, worker=())


TABLES = [
    _private("observations_track"),
    _private("observations_pass"),
    _private("observations_debriefdraft"),
    _private("observations_debriefpicture"),
]
