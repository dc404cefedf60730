"""Tables that people send: CSV and XLSX read into rows, with nothing lost on the way.

This module knows headers and rows, not what they mean. A file is read whole, and every
fault is named with its line, before anything is used.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
import zipfile
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sumpwright.errors import Complaint
from sumpwright.records.cells import Cell, Formula, Habit, day_first, decimal_comma

LARGEST_FILE = 50_000_000
"""Bytes, unpacked, beyond which a table is refused."""
MOST_ROWS = 500_000
_HEADER_WITHIN = 30
_DELIMITERS = ";\t,|"


@dataclass(frozen=True)
class Fault:
    """Something wrong at one place of a table; ``line`` counts from 1 as the user sees it."""

    line: int
    column: str
    what: str
    do: str = ""

    def __str__(self) -> str:
        head = f"line {self.line}" + (f", {self.column}" if self.column else "")
        return f"{head}: {self.what}" + (f"; {self.do}" if self.do else "")


@dataclass(frozen=True)
class Header:
    """A column's header taken apart: the words, the unit that stood beside them."""

    text: str
    key: str
    unit: str


@dataclass(frozen=True)
class Table:
    """Rows of a file under known headers.

    ``rows`` holds the line number of each row and its cells by key; ``unknown`` the
    headers that nothing was made of; ``comma`` whether the file writes decimal commas,
    ``day_first`` whether its dates are like 31/3/2025; ``faults`` the rows that are torn;
    ``notes`` what was passed over.
    """

    headers: tuple[Header, ...]
    rows: tuple[tuple[int, Mapping[str, Cell]], ...]
    unknown: tuple[str, ...]
    comma: Habit
    day_first: Habit
    faults: tuple[Fault, ...] = ()
    notes: tuple[str, ...] = ()

    def header(self, key: str) -> Header:
        """Header of a column."""
        return next(h for h in self.headers if h.key == key)


def read_table(
    data: bytes,
    name: str,
    aliases: Mapping[str, Iterable[str]],
    words: Collection[str],
    dates: Collection[str] = ("when",),
) -> Table:
    """Read a CSV or XLSX file under the headers that are known.

    Parameters
    ----------
    data : bytes
    name : str
        Name of the file; its ending says what it is.
    aliases : mapping of key to spellings
        How each column may be headed; compared without case, accents and punctuation.
    words, dates : collection of str
        Keys of columns that hold words, and dates; the others hold numbers.

    Returns
    -------
    Table

    Raises
    ------
    Complaint
        A file that cannot be read, holds no known header, or the same column twice.

    Examples
    --------
    >>> table = read_table(b"Date;Fe (ppm)\\n2025-03-01;12,5\\n", "r.csv",
    ...                    {"when": ["date"], "Fe": ["iron", "fe"]}, words=())
    >>> table.rows[0][1]["Fe"], table.header("Fe").unit, table.comma
    ('12,5', 'ppm', True)
    """
    if len(data) > LARGEST_FILE:
        raise Complaint("the file is too large", "split it", name)
    known = {squeeze(spelling): key for key, names in aliases.items() for spelling in names}
    workbook = name.lower().endswith((".xlsx", ".xlsm")) or data[:4] == b"PK\x03\x04"
    grid, notes = _read_xlsx(data, name, known) if workbook else _read_csv(data, name)
    line, headers, unknown = _find_headers(grid, known, name)
    # A separator too many shifts the cells of a text table; a workbook cannot be torn so.
    width = max(len(cells) for _, cells in grid) if workbook else len(grid[line - 1][1])
    rows, faults = [], []
    for number, cells in grid[line:]:
        if any(cell is not None for cell in cells[width:]):
            faults.append(_too_wide(number, cells, width))
            continue
        values = {h.key: cells[k] if k < len(cells) else None for k, h in headers}
        if any(value is not None for value in values.values()):
            rows.append((number, values))
    notes += _unheaded(grid, line, width)
    if not rows and not faults:
        notes.append(f"no row follows the headers on line {grid[line - 1][0]}")
    texts = [(key, v) for _, row in rows for key, v in row.items() if isinstance(v, str)]
    return Table(
        tuple(header for _, header in headers),
        tuple(rows),
        unknown,
        decimal_comma(text for key, text in texts if key not in words and key not in dates),
        day_first(text for key, text in texts if key in dates),
        tuple(faults),
        tuple(notes),
    )


Grid = list[tuple[int, list[Cell]]]


def _too_wide(number: int, cells: Sequence[Cell], width: int) -> Fault:
    count = max(k for k, cell in enumerate(cells) if cell is not None) + 1
    what = f"the row has {count} cells under {width} headers"
    do = "put a cell that holds the separator in quotes, or name the column"
    return Fault(number, "", what, do)


def _unheaded(grid: Grid, line: int, width: int) -> list[str]:
    """Name the first rows that hold something in a column without a header."""
    headed = {k for k, cell in enumerate(grid[line - 1][1]) if cell is not None}
    found = [
        number
        for number, cells in grid[line:]
        if any(cell is not None and k not in headed for k, cell in enumerate(cells[:width]))
    ]
    if not found:
        return []
    more = f" and {len(found) - 1} more" if len(found) > 1 else ""
    return [f"line {found[0]}{more}: cells in a column without a header are not used"]


def _read_csv(data: bytes, name: str) -> tuple[Grid, list[str]]:
    text, notes = _decode(data)
    if "\x00" in text:
        raise Complaint("the file is not a text table", "save it as CSV or XLSX", name)
    lines = [line for line in text.splitlines()[:_HEADER_WITHIN] if line.strip()]
    counts = {mark: sum(line.count(mark) > 0 for line in lines) for mark in _DELIMITERS}
    mark = max(_DELIMITERS, key=lambda m: (counts[m], -_DELIMITERS.index(m)))
    grid: Grid = []
    for number, cells in _records(text, mark, name):
        grid.append((number, [_tidy(cell) for cell in cells]))
        if len(grid) > MOST_ROWS:
            raise Complaint("the file has too many rows", "split it", name)
    return grid, notes


def _records(text: str, mark: str, name: str) -> Iterator[tuple[int, list[str]]]:
    """Yield the rows of a CSV text with the line on which each begins."""
    lines = list(io.StringIO(text, newline=""))
    reader = csv.reader(lines, delimiter=mark)
    begin = 0
    try:
        for cells in reader:
            if reader.line_num > begin + 1:
                _check_quotes(lines[begin : reader.line_num], mark, f"{name}:{begin + 1}")
            yield begin + 1, cells
            begin = reader.line_num
    except csv.Error as error:
        where = f"{name}:{reader.line_num}"
        raise Complaint(f"not a table: {error}", "save it as CSV or XLSX", where) from None


def _check_quotes(lines: Sequence[str], mark: str, where: str) -> None:
    """Refuse a row that runs over several lines because a quotation mark stands alone."""
    try:
        list(csv.reader(lines, delimiter=mark, strict=True))
    except csv.Error:
        raise Complaint(
            "a quotation mark is opened and not closed, so the rows after it run into one",
            "close it, or take it out",
            where,
        ) from None


def _decode(data: bytes) -> tuple[str, list[str]]:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace"), []
    try:
        return data.decode("utf-8-sig"), []
    except UnicodeDecodeError:
        note = "the file is not UTF-8; it was read as Windows-1252, so check its special letters"
        return data.decode("cp1252", errors="replace"), [note]


def _read_xlsx(data: bytes, name: str, known: Mapping[str, str]) -> tuple[Grid, list[str]]:
    try:
        return _read_workbook(data, name, known)
    except Complaint:
        raise
    except Exception:
        # The reader raises whatever the damaged part of the file provokes.
        raise Complaint(
            "the workbook cannot be read: it is damaged, or no XLSX file",
            "save it again as XLSX",
            name,
        ) from None


def _read_workbook(data: bytes, name: str, known: Mapping[str, str]) -> tuple[Grid, list[str]]:
    """Read the first sheet of a workbook that has known headers, and name the others."""
    from openpyxl import load_workbook

    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        if sum(entry.file_size for entry in packed.infolist()) > LARGEST_FILE:
            raise Complaint("the workbook is too large when unpacked", "split it", name)
        unsolved = any(
            _UNSOLVED.search(packed.read(entry)) is not None
            for entry in packed.infolist()
            if entry.filename.startswith("xl/worksheets/")
        )
    book = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
    try:
        sheets = book.worksheets
        heads = [_grid(sheet, name, _HEADER_WITHIN) for sheet in sheets]
        filled = [
            k
            for k, head in enumerate(heads)
            if any(cell is not None for _, cells in head for cell in cells)
        ]
        if not filled:
            return [], []
        found = {k: len(_best_headers(heads[k], known)[1]) for k in filled}
        # One known word alone may be the title of a cover sheet.
        fit = [k for k in filled if found[k] > 1] or [k for k in filled if found[k]] or filled
        grid = _grid(sheets[fit[0]], name)
        if unsolved:
            _put_formulas(grid, data, sheets[fit[0]])
        left = [f"'{sheets[k].title}'" for k in filled if k != fit[0]]
    finally:
        book.close()
    title = sheets[fit[0]].title
    return grid, [f"only the sheet '{title}' is read, not {', '.join(left)}"] if left else []


_UNSOLVED = re.compile(
    rb'<c(?:\s(?![^<>]*\st="str")[^<>]*)?>\s*'
    rb"<f(?:[^<>]*/>|[^<>]*>[^<>]*</f>)\s*(?:<v\s*/>|<v></v>)?\s*</c>"
)
"""A formula in the XML of a sheet that was never worked out; one of words may be empty."""


def _grid(sheet: Any, name: str, most: int | None = None) -> Grid:
    grid: Grid = []
    for number, cells in enumerate(sheet.iter_rows(max_row=most, values_only=True), start=1):
        grid.append((number, [_from_excel(cell) for cell in cells]))
        if len(grid) > MOST_ROWS:
            raise Complaint("the workbook has too many rows", "split it", name)
    return grid


def _put_formulas(grid: Grid, data: bytes, sheet: Any) -> None:
    """Put formulas that were never worked out where the sheet seems to be empty."""
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(data), read_only=True)
    try:
        written = book[sheet.title].iter_rows(values_only=True)
        for (_, cells), solved, formulas in zip(grid, sheet.iter_rows(), written, strict=False):
            for k, (cell, formula) in enumerate(zip(solved, formulas, strict=False)):
                if cell.value is None and cell.data_type == "n" and str(formula).startswith("="):
                    cells[k] = Formula(formula)
    finally:
        book.close()


def _from_excel(cell: Any) -> Cell:
    if isinstance(cell, datetime):
        return cell.date()
    if isinstance(cell, bool):
        return str(cell)
    if isinstance(cell, int | float):
        return float(cell)
    if isinstance(cell, date):
        return cell
    return None if cell is None else _tidy(str(cell))


def _tidy(cell: str) -> str | None:
    bare = " ".join(cell.replace("\ufeff", "").split())
    return bare or None


def squeeze(text: str) -> str:
    """Reduce a header to what tells headers apart.

    Examples
    --------
    >>> squeeze("Viscosity @ 40 °C") == squeeze("viscosity 40c")
    True
    """
    plain = unicodedata.normalize("NFKD", text.casefold()).replace("µ", "u").replace("μ", "u")
    plain = plain.replace("≥", ">=").replace("≤", "<=")
    return re.sub(r"[^0-9a-z<>=]", "", "".join(c for c in plain if not unicodedata.combining(c)))


_BARE_UNITS = {
    *("ppm", "mg/kg", "%", "wt%", "cst", "mm2/s", "mgkoh/g", "mg/g", "/ml", "/100ml"),
    *("km", "mi", "mile", "miles", "m", "h", "hr", "hrs", "hour", "hours"),
    *("l", "ml", "litre", "litres", "liter", "liters", "qt", "quart", "quarts"),
}
"""Units that may follow a header without brackets."""


def squeeze_unit(unit: str) -> str:
    """Reduce a unit to what tells units apart.

    Examples
    --------
    >>> squeeze_unit("[mm²/s]"), squeeze_unit("mg KOH / g")
    ('mm2/s', 'mgkoh/g')
    """
    plain = unicodedata.normalize("NFKC", unit.casefold()).replace("²", "2").replace("per ", "/")
    return plain.replace(" ", "").strip("()[]°")


_UNIT = re.compile(r"^(?P<head>.*?)\s*(?:\((?P<a>[^()]*)\)|\[(?P<b>[^\[\]]*)\]|,\s*(?P<c>\S+))\s*$")


def split_header(text: str, known: Mapping[str, str]) -> Header | None:
    """Take a header apart into its key and its unit; ``None`` when it is not known.

    Examples
    --------
    >>> split_header("Iron [ppm]", {"iron": "Fe"})
    Header(text='Iron [ppm]', key='Fe', unit='ppm')
    >>> split_header("Fe ppm", {"fe": "Fe"}).unit
    'ppm'
    """
    # A known unit is taken off first: squeezing the whole would swallow "(%)".
    words = text.split()
    splits = [
        (" ".join(words[:cut]), " ".join(words[cut:])) for cut in range(len(words) - 1, 0, -1)
    ]
    match = _UNIT.match(text)
    if match is not None:
        inner = next(u for u in (match["a"], match["b"], match["c"]) if u is not None)
        splits.insert(0, (match["head"], inner))
    for head, unit in splits:
        if squeeze(head) in known and squeeze_unit(unit) in _BARE_UNITS:
            return Header(text, known[squeeze(head)], unit.strip("()[] "))
    if squeeze(text) in known:
        return Header(text, known[squeeze(text)], "")
    if match is not None and squeeze(match["head"]) in known:
        return Header(text, known[squeeze(match["head"])], splits[0][1].strip())
    return None


Found = list[tuple[int, Header]]


def _best_headers(grid: Grid, known: Mapping[str, str]) -> tuple[int, Found]:
    """Return the place of the row with the most known headers, and those by column."""
    best: tuple[int, Found] = (0, [])
    for place, (_, cells) in enumerate(grid[:_HEADER_WITHIN]):
        found = [
            (k, header)
            for k, cell in enumerate(cells)
            if isinstance(cell, str) and (header := split_header(cell, known)) is not None
        ]
        if len(found) > len(best[1]):
            best = (place, found)
    return best


def _find_headers(
    grid: Grid, known: Mapping[str, str], name: str
) -> tuple[int, Found, tuple[str, ...]]:
    place, headers = _best_headers(grid, known)
    if not headers:
        raise Complaint(
            "no row of known headers was found", "name the columns in the first row", name
        )
    first: dict[str, str] = {}
    for _, header in headers:
        if header.key in first:
            raise Complaint(
                f"'{first[header.key]}' and '{header.text}' are the same column",
                "leave one of them out",
                f"{name}:{grid[place][0]}",
            )
        first[header.key] = header.text
    taken = {k for k, _ in headers}
    unknown = tuple(
        str(cell) for k, cell in enumerate(grid[place][1]) if cell is not None and k not in taken
    )
    return place + 1, headers, unknown
