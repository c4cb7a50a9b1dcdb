"""The parts catalogue: read it, check it, match it to a verdict.

A catalogue is a file that the seller owns, CSV or TOML, with these columns (keys):

=========  ========  ============================================================================
column     needed    content
=========  ========  ============================================================================
part       yes       what it is, up to 200 characters
fits       yes       ``iron``, ``alloy4``, ``alloy5``; several separated by spaces or semicolons
replaces   no        what it takes the place of, text
quantity   no        pieces for one carburetor, 1 to 999; empty means 1
note       no        what the buyer should know, contents of a kit, up to 2,000 characters
sku        no        the seller's number, text, up to 100 characters
price      no        the price as the seller writes it, text, up to 40 characters
=========  ========  ============================================================================

CSV: UTF-8, a header row, comma, semicolon or tab between cells, columns in any order. TOML: one ``[[part]]``
table a row. A column or key that is not in the table above is an error, so that a misspelt one is noticed.
Cells are text and stay text: a formula-like cell is neither run nor changed. Control characters are dropped.

What fits what is common practice of the trade, no published source.
"""

from __future__ import annotations

import csv
import io
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from .answer import PartLine
from .cues import ERAS, Era, Outcome, Verdict
from .errors import CatalogueError

COLUMNS: tuple[str, ...] = ("part", "fits", "replaces", "quantity", "note", "sku", "price")
MAX_BYTES = 64 * 1024 * 1024
MAX_ROWS = 200_000
_LONGEST: Mapping[str, int] = MappingProxyType(
    {"part": 200, "fits": 200, "replaces": 200, "quantity": 20, "note": 2000, "sku": 100, "price": 40}
)
_SHOWN_ERRORS = 200

# C0, DEL, C1, zero-width and bidirectional controls: they can forge a terminal or a printed list.
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff]+")
_ORDERABLE = (Outcome.NAMED, Outcome.SHORTLIST)
_RANK = MappingProxyType({"fits": 0, "wait": 1, "do_not_order": 2})

WHY: Mapping[str, str] = MappingProxyType(
    {
        "fits_iron": "Made for the iron body.",
        "fits_alloy4": "Made for the alloy body with four joint screws.",
        "fits_alloy5": "Made for the alloy body with five joint screws.",
        "fits_alloys": "Fits both alloy bodies, with four and with five joint screws.",
        "fits_all": "Fits all three generations.",
        "fits_several": "Fits this one and one other generation.",
        "not_for_iron": "Do not order: made for an alloy body. Inside parts, gaskets and kits do not interchange "
        "between iron and alloy.",
        "not_for_alloy": "Do not order: made for the iron body. Inside parts, gaskets and kits do not interchange "
        "between iron and alloy.",
        "not_for_alloy4": "Do not order: not for the alloy body with four joint screws. Order by generation.",
        "not_for_alloy5": "Do not order: not for the alloy body with five joint screws. Order by generation.",
        "wait_metal": "Wait: it does not fit every generation that is still possible, and iron or alloy is not "
        "settled yet. A magnet on the bare casting settles it.",
        "wait_ear": "Wait: it does not fit both alloy bodies, and four or five joint screws is not settled yet. "
        "One look at the front of the joint settles it.",
    }
)
"""Every sentence that ``match`` can put in ``PartLine.why``; the English text is the key for translation."""


@dataclass(frozen=True, slots=True)
class RowError:
    """What is wrong with one row. ``row`` counts as the file does: the header is row 1 of a CSV, the first
    ``[[part]]`` is row 1 of a TOML."""

    row: int
    message: str


class CatalogueRowsError(CatalogueError):
    """Rows of a catalogue cannot be used. ``rows`` holds all of them; the message shows the first 200."""

    def __init__(self, name: str, rows: tuple[RowError, ...]) -> None:
        shown = "\n".join(f"  row {e.row}: {e.message}" for e in rows[:_SHOWN_ERRORS])
        more = f"\n  and {len(rows) - _SHOWN_ERRORS} more" if len(rows) > _SHOWN_ERRORS else ""
        super().__init__(f"{name}: {len(rows)} problem(s); correct these rows and load it again\n{shown}{more}")
        self.rows = rows


@dataclass(frozen=True, slots=True)
class CatalogueRow:
    """One part. ``fits`` is in the order of the generations and never empty."""

    row: int
    part: str
    fits: tuple[Era, ...]
    replaces: str = ""
    quantity: int = 1
    note: str = ""
    sku: str | None = None
    price: str | None = None


@dataclass(frozen=True, slots=True)
class Catalogue:
    """Checked rows, in the file's order. ``name`` is the file's name, for messages."""

    name: str
    rows: tuple[CatalogueRow, ...]


def load_catalogue(path: Path | str | None = None) -> Catalogue:
    """Read and check a catalogue; without ``path`` the shipped one, which describes kits by their contents.

    Raises:
        CatalogueError: the file is missing, too large, neither CSV nor TOML, or its columns are wrong.
        CatalogueRowsError: rows are wrong; every one of them is reported.
    """
    file = Path(__file__).with_name("catalogue.toml") if path is None else Path(path)
    suffix = file.suffix.lower()
    if suffix not in (".csv", ".toml"):
        raise CatalogueError(f"{file.name}: expected a file that ends in .csv or .toml")
    try:
        if file.stat().st_size > MAX_BYTES:
            raise CatalogueError(f"{file.name}: larger than {MAX_BYTES // 1024**2} MiB; split it")
        data = file.read_bytes()
    except OSError as e:
        raise CatalogueError(f"{file.name}: cannot be read ({e.strerror or e})") from e
    return parse_catalogue(data, file.name, toml=suffix == ".toml")


def parse_catalogue(data: bytes, name: str, *, toml: bool) -> Catalogue:
    """Check the bytes of a catalogue, as ``load_catalogue`` does.

    Raises:
        CatalogueError: as ``load_catalogue``.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        raise CatalogueError(f"{name}: not UTF-8 text (byte {e.start}); in a spreadsheet, save as 'CSV UTF-8'") from e
    if "\x00" in text:
        raise CatalogueError(f"{name}: contains NUL bytes; expected plain text")
    errors: list[RowError] = []
    rows: list[CatalogueRow] = []
    first: dict[tuple[str, tuple[Era, ...], str | None], int] = {}
    for number, cells in _toml_rows(text, name) if toml else _csv_rows(text, name, errors):
        if len(rows) + len(errors) >= MAX_ROWS:
            raise CatalogueError(f"{name}: more than {MAX_ROWS:,} rows; split it")
        row, wrong = _check(number, cells)
        if row is None:
            errors.extend(RowError(number, w) for w in wrong)
            continue
        same = first.setdefault((row.part, row.fits, row.sku), number)
        if same != number:
            errors.append(RowError(number, f"repeats row {same}: same part, fits and sku"))
        rows.append(row)
    if errors:
        raise CatalogueRowsError(name, tuple(sorted(errors, key=lambda e: e.row)))
    if not rows:
        raise CatalogueError(f"{name}: no parts in it")
    return Catalogue(name, tuple(rows))


def match(catalogue: Catalogue, verdict: Verdict) -> tuple[PartLine, ...]:
    """Say of each part whether it fits, must not be ordered, or has to wait.

    ``fits`` only if the part fits every generation that is still possible; ``do_not_order`` if it fits none
    of them; ``wait`` if it depends on what is not settled. Without a usable verdict (conflict, nothing seen,
    retake) there is nothing to order and the answer is empty. What fits comes first, then what waits.
    """
    if verdict.outcome not in _ORDERABLE:
        return ()
    named = verdict.outcome is Outcome.NAMED and verdict.era is not None
    open_ = frozenset({verdict.era} if named else verdict.candidates)
    if not open_:
        return ()
    lines = [_line(row, frozenset(e for e in open_ if e is not None)) for row in catalogue.rows]
    return tuple(sorted(lines, key=lambda p: _RANK[p.order]))  # stable: the seller's order within each


def _line(row: CatalogueRow, candidates: frozenset[Era]) -> PartLine:
    fits = frozenset(row.fits)
    if candidates <= fits:
        order, why = "fits", _why_fits(fits)
    elif candidates & fits:
        order, why = "wait", "wait_metal" if Era.IRON in candidates else "wait_ear"
    else:
        order, why = "do_not_order", _why_not(fits, candidates)
    note = row.note if not row.replaces else f"{row.note} Replaces: {row.replaces}".strip()
    return PartLine(row.part, order, tuple(str(e) for e in row.fits), row.quantity, note, row.sku, row.price, WHY[why])


def _why_fits(fits: frozenset[Era]) -> str:
    if len(fits) == len(ERAS):
        return "fits_all"
    if fits == {Era.ALLOY4, Era.ALLOY5}:
        return "fits_alloys"
    return f"fits_{next(iter(fits))}" if len(fits) == 1 else "fits_several"


def _why_not(fits: frozenset[Era], candidates: frozenset[Era]) -> str:
    if Era.IRON in candidates:
        return "not_for_iron"
    if fits == {Era.IRON}:
        return "not_for_alloy"
    # Both alloys open and the part fits neither is the case above; one alloy is left here.
    return f"not_for_{next(iter(candidates))}"


def _csv_rows(text: str, name: str, errors: list[RowError]) -> Iterator[tuple[int, Mapping[str, object]]]:
    head = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    row = 0
    try:
        header = [c.strip().lower() for c in next(reader, [])]
        _check_columns(header, name)
        for row, cells in enumerate(reader, start=2):
            if not any(c.strip() for c in cells):
                continue  # spreadsheets leave empty rows at the end
            if len(cells) > len(header):
                errors.append(RowError(row, f"{len(cells)} cells, expected {len(header)}; quote cells that hold "
                                            f"'{delimiter}'"))  # fmt: skip
                continue
            yield row, dict(zip(header, cells, strict=False))
    except csv.Error as e:
        raise CatalogueError(f"{name}: row {row + 1} is not CSV ({e})") from e


def _check_columns(header: list[str], name: str) -> None:
    unknown = [c for c in header if c not in COLUMNS]
    missing = [c for c in COLUMNS[:2] if c not in header]
    twice = sorted({c for c in header if header.count(c) > 1})
    said = [
        f"{what} {', '.join(repr(c) for c in columns)}"
        for what, columns in (("unknown", unknown), ("missing", missing), ("repeated", twice))
        if columns
    ]
    if said:
        raise CatalogueError(f"{name}: columns {'; '.join(said)}; expected {', '.join(COLUMNS)}")


def _toml_rows(text: str, name: str) -> Iterator[tuple[int, Mapping[str, object]]]:
    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as e:
        raise CatalogueError(f"{name}: not TOML ({e})") from e
    tables = document.get("part")
    if set(document) != {"part"} or not isinstance(tables, list):
        raise CatalogueError(f"{name}: expected [[part]] tables and nothing else")
    for number, table in enumerate(tables, start=1):
        yield number, table if isinstance(table, dict) else {"part": table}


def _check(number: int, cells: Mapping[str, object]) -> tuple[CatalogueRow | None, list[str]]:
    """Return the row, or None and what is wrong with it."""
    wrong: list[str] = []
    text: dict[str, str] = {}
    for column, value in cells.items():
        if column not in COLUMNS:
            wrong.append(f"unknown key {column!r}; expected {', '.join(COLUMNS)}")
            continue
        clean = _text(value)
        if clean is None:
            wrong.append(f"{column}: expected text, got {type(value).__name__}")
        elif len(clean) > _LONGEST[column]:
            wrong.append(f"{column}: {len(clean)} characters, at most {_LONGEST[column]}")
        else:
            text[column] = clean
    if not text.get("part") and not any(w.startswith("part:") for w in wrong):
        wrong.append("part: empty; say what it is")
    fits = _fits(text.get("fits", ""), wrong)
    quantity = _quantity(text.get("quantity", ""), wrong)
    if wrong:
        return None, wrong
    return CatalogueRow(
        number,
        text["part"],
        fits,
        text.get("replaces", ""),
        quantity,
        text.get("note", ""),
        text.get("sku") or None,
        text.get("price") or None,
    ), wrong


def _text(value: object) -> str | None:
    if isinstance(value, str):
        return value.strip() if value.isprintable() else _CONTROL.sub(" ", value).strip()
    if isinstance(value, list) and all(isinstance(v, str) for v in value):
        return " ".join(str(v).strip() for v in value)  # fits = ["alloy4", "alloy5"] in TOML
    if isinstance(value, int | float) and not isinstance(value, bool):
        return str(value)
    return None


def _fits(text: str, wrong: list[str]) -> tuple[Era, ...]:
    words = [w for w in re.split(r"[\s;]+", text.lower()) if w]
    unknown = [w for w in words if w not in _ERA_WORDS]
    if unknown:
        wrong.append(f"fits: unknown {_listed(unknown)}; expected {', '.join(ERAS)}")
    elif not words:
        wrong.append(f"fits: empty; expected one or more of {', '.join(ERAS)}")
    return tuple(e for e in ERAS if e in words)


def _quantity(text: str, wrong: list[str]) -> int:
    if not text:
        return 1
    if text.isascii() and text.isdigit() and 1 <= int(text) <= 999:
        return int(text)
    wrong.append(f"quantity: expected a whole number from 1 to 999, got {text!r}")
    return 1


def _listed(words: Iterable[str]) -> str:
    return ", ".join(repr(w[:40]) for w in words)


_ERA_WORDS = frozenset(str(e) for e in ERAS)
