"""A gauge study's table from a CSV file: cake, person, repeat, and the values, there or in the records."""

import csv
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from qc.errors import RecordError
from qc.quantities import QUANTITIES
from qc.records import Store

KEYS = ("cake", "person", "repeat")


@dataclass(frozen=True)
class StudyTable:
    """One quantity's values (cakes, people, repeats), and the cakes that were left out as incomplete."""

    quantity: str
    values: NDArray[np.float64]
    cakes: tuple[str, ...]
    people: tuple[str, ...]
    left_out: tuple[str, ...]


@dataclass(frozen=True)
class _Entry:
    line: int
    cake: str
    person: str
    values: dict[str, float]


def read_table(path: Path, store: Store | None = None) -> tuple[StudyTable, ...]:
    """Read a study.

    Parameters
    ----------
    path : Path
        CSV with the columns cake, person, repeat, and either one column a quantity (its name as in the measurements,
        such as `level`) or a column `check` with the number of a cake in the records.
    store : Store, optional
        Needed for a column `check`.

    Raises
    ------
    RecordError
        The file, a column or a line cannot be used; the line is named.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            reader = csv.DictReader(file)
            columns = [c.strip() for c in reader.fieldnames or []]
            reader.fieldnames = columns
            _require(path, columns)
            entries = list(_entries(path, reader, columns, store))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise RecordError(f"{path} cannot be read as a table: save it as CSV (UTF-8) with a header line.") from error
    names = [n for n in QUANTITIES if any(n in e.values for e in entries)]
    return tuple(_table(path, name, entries) for name in names)


def _require(path: Path, columns: list[str]) -> None:
    missing = [k for k in KEYS if k not in columns]
    if missing:
        raise RecordError(
            f"{path.name} has no column {missing[0]!r}: the header needs cake, person, repeat and values."
        )
    unknown = [c for c in columns if c not in (*KEYS, "check") and c not in QUANTITIES]
    if unknown:
        raise RecordError(f"{path.name}: nothing called {unknown[0]!r} is measured: use names such as level or height.")
    if len(columns) == len(KEYS):
        raise RecordError(f"{path.name} has no values: add a column such as level, or a column check.")


def _entries(path: Path, reader: "csv.DictReader[str]", columns: list[str], store: Store | None) -> Iterator[_Entry]:
    seen: set[tuple[str, ...]] = set()
    for number, row in enumerate(reader, start=2):
        if None in row.values() or None in row:
            raise RecordError(f"{path.name}, line {number}: not as many entries as the header has; correct the line.")
        key = tuple((row[k] or "").strip() for k in KEYS)
        if "" in key or key in seen:
            what = "the same cake, person and repeat stand twice" if key in seen else "cake, person or repeat is empty"
            raise RecordError(f"{path.name}, line {number}: {what}; correct the line.")
        seen.add(key)
        values = {c: _number(path, number, c, row[c]) for c in columns if c in QUANTITIES and row[c].strip()}
        if "check" in columns and (text := row["check"].strip()):
            values.update(_from_records(path, number, text, store))
        yield _Entry(number, key[0], key[1], values)


def _number(path: Path, line: int, column: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise RecordError(f"{path.name}, line {line}: {text!r} under {column} is no number; write it like 1.25.")
    return value


def _from_records(path: Path, line: int, text: str, store: Store | None) -> dict[str, float]:
    if store is None or not text.isdigit():
        raise RecordError(f"{path.name}, line {line}: {text!r} under check is no number of a cake in the records.")
    rows = store.check(int(text)).result.measurements
    return {m.name: m.value for m in rows if m.clock is None and math.isfinite(m.value) and m.name in QUANTITIES}


def _table(path: Path, name: str, entries: list[_Entry]) -> StudyTable:
    """The complete cells, every cake with the same number of repeats."""
    cells: dict[tuple[str, str], list[float]] = {}
    for entry in entries:
        if name in entry.values:
            cells.setdefault((entry.cake, entry.person), []).append(entry.values[name])
    cakes = list(dict.fromkeys(e.cake for e in entries))
    people = list(dict.fromkeys(e.person for e in entries))
    repeats = max(len(v) for v in cells.values())
    whole = [c for c in cakes if all(len(cells.get((c, p), [])) == repeats for p in people)]
    if not whole or repeats < 2:
        label = QUANTITIES[name].label
        raise RecordError(
            f"{path.name}, {label}: no cake has at least two values from every person; photograph the missing ones."
        )
    values = np.array([[cells[c, p] for p in people] for c in whole])
    return StudyTable(name, values, tuple(whole), tuple(people), tuple(c for c in cakes if c not in whole))
