"""Tables for a terminal."""

from collections.abc import Sequence


def table_text(rows: Sequence[Sequence[str]]) -> str:
    """Rows of as many cells each, with aligned columns."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return "\n".join("  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in rows)
