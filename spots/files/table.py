"""A table of text from a CSV file: encoding, separator, header and rows, with the line of each. No rules of looks."""

import csv
import io
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from django.core.exceptions import ValidationError

from spots.files.report import FileError, Remark, refused, shortened

MOST_ROWS = 50_000
MOST_COLUMNS = 300
# Lines, empty ones and those within quotes included; and characters of one line.
MOST_LINES = 500_000
LONGEST_LINE = 1_000_000
CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
LONGEST_CELL = 4_000
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_FORMULA = ("=", "+", "-", "@")
_SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}


@dataclass(frozen=True, slots=True)
class TextRow:
    """One row: the line it starts on, and its cells by column, without spaces around them."""

    line: int
    cells: dict[str, str]
    # What stood in the file, where it was read as something else (a number in other units).
    typed: dict[str, str] = field(default_factory=dict)

    def shown(self, column: str) -> str:
        """Return the cell as a message shows it."""
        return self.typed.get(column) or self.cells.get(column, "")


@dataclass(frozen=True)
class Table:
    rows: list[TextRow]
    # With semicolons or tabs between cells a decimal comma is possible; with commas it is not.
    decimal_comma: bool


@dataclass(frozen=True)
class RawTable:
    """A CSV file as it stands: the header with its line, and the cells of each row with theirs."""

    line: int
    header: list[str]
    records: list[tuple[int, list[str]]]
    decimal_comma: bool

    @property
    def names(self) -> list[str]:
        return [column_key(name) for name in self.header]


def column_key(name: str) -> str:
    """Return what two spellings of one column's name share."""
    return " ".join(name.split()).casefold()


def read_raw(data: bytes) -> RawTable:
    """Read a CSV file whose columns may be any. Raises FileError naming lines, values and rules."""
    text = _decoded(data)
    separator = _separator(text)
    records = _records(text, separator)
    if not records:
        raise refused("The file is empty; it needs a header line.")
    line, header = records[0]
    if any(len(cell) > LONGEST_CELL for cell in header):
        raise refused(f"The name of a column has at most {LONGEST_CELL:,} characters.", line=line)
    kept, wrong = [], []
    for number, cells in records[1:]:
        if len(cells) != len(header):
            rule = f"The row has {len(cells)} cells, the header {len(header)}."
            wrong.append(Remark(number, "", "", rule))
        elif too_long := next((n for n, cell in enumerate(cells) if len(cell) > LONGEST_CELL), None):
            rule = f"A cell has at most {LONGEST_CELL:,} characters."
            wrong.append(Remark(number, column_key(header[too_long]), cells[too_long], rule))
        else:
            kept.append((number, [_plain(cell) for cell in cells]))
    if wrong:
        raise FileError(*wrong)
    return RawTable(line, header, kept, separator != ",")


def named_table(raw: RawTable, columns: tuple[str, ...], needed: tuple[str, ...]) -> Table:
    """Return the rows by column, where the header has our own names. Raises FileError for another."""
    names = raw.names
    _check_header(raw.line, raw.header, names, columns, needed)
    rows = [TextRow(line, dict(zip(names, cells, strict=True))) for line, cells in raw.records]
    return Table(rows, raw.decimal_comma)


def read_table(data: bytes, columns: tuple[str, ...], needed: tuple[str, ...]) -> Table:
    """Return the rows of a CSV file. Raises FileError naming lines, columns, values and rules."""
    return named_table(read_raw(data), columns, needed)


def number_of(text: str, decimal_comma: bool) -> float:
    """Return the number of a cell. Raises ValidationError."""
    plain = text.replace(",", ".") if decimal_comma else text
    if not _NUMBER.fullmatch(plain) or not math.isfinite(float(plain)):
        raise ValidationError("This is not a number.")
    return float(plain)


def guarded(text: str) -> str:
    """Return text that a spreadsheet will not take for a formula; reading takes the mark away again."""
    return f"'{text}" if _is_formula(text) else text


def _plain(cell: str) -> str:
    cell = cell.strip()
    return cell[1:] if cell.startswith("'") and _is_formula(cell) else cell


def _is_formula(text: str) -> bool:
    """True for what a spreadsheet computes, and for the same with marks before it: each mark is taken off once."""
    return text.lstrip("'").startswith(_FORMULA)


def _decoded(data: bytes) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise refused("The file is UTF-16; save it as CSV UTF-8.", line=1)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        start = data.rfind(b"\n", 0, error.start) + 1
        around = data[max(start, error.start - 20) : error.start + 20].decode("utf-8", errors="replace")
        rule = f"Byte {data[error.start]:#04x} is not UTF-8 text; save the file as CSV UTF-8."
        raise refused(rule, line=line, column="encoding", value=shortened(around)) from error
    if (at := text.find("\0")) >= 0:
        raise refused("The file holds a NUL character: it is not text.", line=text.count("\n", 0, at) + 1)
    return text


def _separator(text: str) -> str:
    """Return what stands between the names of the header: the one of three that is most frequent in it."""
    header = next((line for line in io.StringIO(text, newline=None) if line.strip()), "")[:LONGEST_LINE]
    return max(_SEPARATORS, key=header.count)


def _lines(text: str) -> Iterator[str]:
    for number, line in enumerate(io.StringIO(text, newline=""), 1):
        if len(line) > LONGEST_LINE:
            raise refused(f"A line has at most {LONGEST_LINE:,} characters.", line=number)
        yield line


def _records(text: str, separator: str) -> list[tuple[int, list[str]]]:
    if text.count("\n") + text.count("\r") > MOST_LINES:
        raise refused(f"The file has more than {MOST_LINES:,} lines, empty ones included: split it.")
    reader = csv.reader(_lines(text), delimiter=separator, strict=True)
    records: list[tuple[int, list[str]]] = []
    line = 1
    while True:
        try:
            cells = next(reader)
        except StopIteration:
            return records
        except csv.Error as error:
            raise refused(f"The row cannot be read as CSV: {error}.", line=line) from error
        if len(cells) > MOST_COLUMNS:
            raise refused(f"The row has {len(cells):,} cells; at most {MOST_COLUMNS} are allowed.", line=line)
        if any(cell.strip() for cell in cells):
            records.append((line, cells))
        line = reader.line_num + 1
        if len(records) > MOST_ROWS + 1:
            raise refused(f"The file has more than {MOST_ROWS:,} rows: split it.", line=line)


def _check_header(
    line: int, header: list[str], names: list[str], columns: tuple[str, ...], needed: tuple[str, ...]
) -> None:
    wrong = []
    for number, (typed, name) in enumerate(zip(header, names, strict=True), 1):
        if not name:
            wrong.append(Remark(line, f"column {number}", "", "The column has no name."))
        elif name not in columns:
            rule = f"The column is not known. Known are {', '.join(columns)}."
            wrong.append(Remark(line, "header", typed, rule))
        elif names.index(name) < number - 1:
            wrong.append(Remark(line, "header", typed, "The column stands twice."))
    wrong += [
        Remark(line, "header", "", f"The column {name} is missing.") for name in needed if name not in names
    ]
    if wrong:
        raise FileError(*wrong)
