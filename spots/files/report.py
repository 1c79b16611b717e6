"""What an import says about a file: where, what stood there, and which rule it breaks."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from django.core.exceptions import ValidationError

LONGEST_SHOWN = 60


@dataclass(frozen=True, order=True)
class Remark:
    """One rejected or noteworthy thing. `line` 0 is the file as a whole; `column` may be empty."""

    line: int
    column: str
    value: str
    rule: str

    def __str__(self) -> str:
        where = f"line {self.line}: " if self.line else ""
        value = f' "{shortened(self.value)}"' if self.value else ""
        return f"{where}{self.column}{value}: {self.rule}" if self.column else f"{where}{self.rule}"

    @property
    def shown_value(self) -> str:
        return shortened(self.value)


class FileError(Exception):
    """A file that cannot be read as what it says it is. Carries one remark or several."""

    def __init__(self, *remarks: Remark) -> None:
        super().__init__("; ".join(str(remark) for remark in remarks))
        self.remarks = remarks


def refused(rule: str, *, line: int = 0, column: str = "", value: str = "") -> FileError:
    return FileError(Remark(line, column, value, rule))


@dataclass
class Report:
    """Errors and warnings by line. With one error nothing is saved."""

    errors: list[Remark] = field(default_factory=list)
    warnings: list[Remark] = field(default_factory=list)

    def error(self, line: int, column: str, value: str, rule: str) -> None:
        self.errors.append(Remark(line, column, value, rule))

    def warn(self, line: int, column: str, value: str, rule: str) -> None:
        self.warnings.append(Remark(line, column, value, rule))

    def sorted(self) -> "Report":
        return Report(sorted(set(self.errors)), sorted(set(self.warnings)))


def messages_of(error: ValidationError) -> Iterator[tuple[str, str]]:
    """Yield (field, message) of a ValidationError; the field is empty where it names none."""
    by_field: Iterable[tuple[str, list[str]]]
    by_field = error.message_dict.items() if hasattr(error, "error_dict") else [("", error.messages)]
    for name, messages in by_field:
        for message in messages:
            yield ("" if name == "__all__" else name), message


def shortened(value: str) -> str:
    """Return a value as a message shows it: one line, not endless."""
    plain = " ".join(value.split())
    return plain if len(plain) <= LONGEST_SHOWN else plain[: LONGEST_SHOWN - 1] + "…"
