"""Observers and confirmers by name; for an organiser's import of past records also people yet unknown."""

import re

from club.models import Member
from observations.files.looks_csv import Row
from spots.files.known import name_key
from spots.files.report import Report


class People:
    """Finds the member meant by a name; notes in the report whom the importer may not write for."""

    def __init__(self, importer: Member, *, organises: bool, create: bool, report: Report) -> None:
        self.importer = importer
        self.organises = organises
        self.create = create
        self.report = report
        self.created: list[Member] = []
        self._by_name: dict[str, list[Member]] = {}
        self._usernames: dict[str, Member] = {}
        for member in Member.objects.all():
            self._by_name.setdefault(name_key(member.name), []).append(member)
            self._usernames[member.username.casefold()] = member

    def observer(self, row: Row) -> Member | None:
        """Return who made the look; the importer where the cell is empty; None after an error."""
        if not row.observer:
            return self.importer
        if not self.organises:
            if name_key(row.observer) in (name_key(self.importer.name), self.importer.username.casefold()):
                return self.importer
            self._error(row, "observer", "Only an organiser imports the looks of others.")
            return None
        return self._named(row, "observer", row.observer)

    def confirmer(self, row: Row, observer: Member | None) -> Member | None:
        """Return who confirmed the row's finding, or None: nobody, or an error."""
        if not row.confirmed_by:
            return None
        if not row.finding_species:
            if "finding_species" not in row.bad:
                self._error(row, "confirmed_by", "There is no finding in this row to confirm.")
            return None
        if not self.organises:
            self._error(row, "confirmed_by", "Only an organiser imports confirmations.")
            return None
        confirmer = self._named(row, "confirmed_by", row.confirmed_by)
        if confirmer and observer and confirmer.pk == observer.pk:
            self._error(row, "confirmed_by", "Nobody confirms their own finding.")
            return None
        if confirmer and confirmer in self.created:
            confirmer.is_checker = True
        elif confirmer and not confirmer.is_checker:
            rule = f"{confirmer.name} is not a checker today; the record says they confirmed."
            self.report.warn(0, "confirmed_by", row.confirmed_by, rule)
        return confirmer

    def _error(self, row: Row, column: str, rule: str) -> None:
        self.report.error(row.line, column, row.shown(column), rule)

    def _named(self, row: Row, column: str, name: str) -> Member | None:
        named = self._by_name.get(name_key(name), [])
        if len(named) > 1:
            # Two of one name are told apart by a sign-in name, as it is written.
            if (exact := self._usernames.get(name.casefold())) and exact.username == name:
                return exact
            self._error(row, column, "Several members have this name; give the sign-in name instead.")
            return None
        member = named[0] if named else self._usernames.get(name.casefold())
        if member is None and self.create:
            member = self._new(row, column, name)
        elif member is None:
            rule = "No member has this name. Unknown people become members only where that is asked for."
            self._error(row, column, rule)
        elif member.role == Member.Role.GUEST:
            self._error(row, column, "This is a guest; looks and confirmations are made by members.")
            return None
        return member

    def _new(self, row: Row, column: str, name: str) -> Member | None:
        if len(name) > 80:
            self._error(row, column, "A name has at most 80 characters.")
            return None
        stem = re.sub(r"[^a-z0-9]+", "-", name.casefold())[:30].strip("-") or "member"
        username, number = stem, 1
        while username in self._usernames:
            number += 1
            username = f"{stem}-{number}"
        member = Member(username=username, name=name, is_active=False)
        member.set_unusable_password()
        self._usernames[username] = member
        self._by_name[name_key(name)] = [member]
        self.created.append(member)
        return member
