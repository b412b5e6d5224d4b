"""A result as JSON (`cakeqc-measurement/1`) and as a table a person reads."""

import math
from typing import Any

from qc.no_card import NoCardResult
from qc.quantities import QUANTITIES, CheckResult, Measurement
from qc.uncertainty import rounded

FORMAT = "cakeqc-measurement/1"


def _row(m: Measurement) -> dict[str, Any]:
    row: dict[str, Any] = {"name": m.name}
    if m.clock is not None:
        row["clock"] = round(m.clock, 2)
    row |= {"value": m.value, "uncertainty": m.uncertainty, "unit": m.unit, "photos": list(m.photos), "note": m.note}
    if m.interval is not None:
        row["interval"] = list(m.interval)
    return row


def result_json(result: CheckResult) -> dict[str, Any]:
    """The result as plain data, in the documented format."""
    return {
        "format": FORMAT,
        "measurements": [_row(m) for m in result.measurements if math.isfinite(m.value)],
        "decorations": [
            {
                "x_mm": d.x_mm,
                "y_mm": d.y_mm,
                "diameter_mm": d.diameter_mm,
                "clock": d.clock,
                "ring": d.ring,
                "move_x_mm": d.move_x_mm,
                "move_y_mm": d.move_y_mm,
            }
            for d in result.decorations
        ],
        "blemishes": [
            {
                "kind": b.kind,
                "photo": b.photo,
                "clock": b.clock,
                "height_mm": b.height_mm,
                "size_mm": b.size_mm,
                "x_mm": b.x_mm,
                "y_mm": b.y_mm,
            }
            for b in result.blemishes
        ],
        "meridians": [
            {"clock": m.clock, "photo": m.photo, "height_mm": list(m.height_mm), "radius_mm": list(m.radius_mm)}
            for m in result.meridians
        ],
        "photos": {
            n: {
                "usable": p.usable,
                "reasons": list(p.reasons),
                "card_corners": p.card_corners,
                "sharpness": p.sharpness,
            }
            for n, p in result.photos.items()
        },
        "warnings": list(result.warnings),
    }


def _said(m: Measurement) -> str:
    quantity = QUANTITIES[m.name]
    unit = "o'clock" if m.unit == "h" else "" if m.unit == "1" else m.unit
    value, spread = rounded(m.value, m.uncertainty)
    if float(value) == 0:
        value = value.removeprefix("-")  # no "-0.0"
    if quantity.decimals == 0:
        value = f"{m.value:.0f}"
    if m.uncertainty == 0:  # a count without doubt
        return f"{m.value:>8.0f}          {unit}"
    return f"{value:>8} ± {spread:<6} {unit}"


def result_text(result: CheckResult) -> str:
    """The overall figures as a table, the warnings below it."""
    rows = [m for m in result.measurements if m.clock is None]
    lines = [f"{QUANTITIES[m.name].label:<26}{_said(m)}{f'  ({m.note})' if m.note else ''}" for m in rows]
    lines += [f"note: {w}" for w in result.warnings]
    return "\n".join(lines)


def budget_text(result: CheckResult) -> str:
    """Where each uncertainty comes from: standard uncertainties by source, and the expanded total (JCGM 100)."""
    lines = ["", "Uncertainty budget (standard uncertainties; the total is expanded, k = 2)"]
    for m in result.measurements:
        if m.clock is None and m.budget:
            parts = ", ".join(
                f"{source} {u:.2f}" for source, u in sorted(m.budget.items(), key=lambda p: -p[1]) if u >= 0.005
            )
            lines.append(f"{QUANTITIES[m.name].label:<26}{parts}; total {m.uncertainty:.2f} {m.unit}")
    return "\n".join(lines)


def without_card_json(result: NoCardResult) -> dict[str, Any]:
    """The scale-free result as plain data."""
    return {
        "format": "cakeqc-without-card/1",
        "measurements": [_row(m) for m in result.measurements],
        "warnings": list(result.warnings),
    }


def without_card_text(result: NoCardResult) -> str:
    """The scale-free result as lines."""
    lines = ["Without a card nothing is in millimetres; angles and shares of the cake's radius only."]
    lines += [
        f"{m.name.replace('_', ' '):<26}{m.value:.1f} ± {m.uncertainty:.1f} {m.unit}" for m in result.measurements
    ]
    return "\n".join(lines + [f"note: {w}" for w in result.warnings])
