"""Turns what a checker finds wrong in a house standard into one sentence that a chef can act on."""

import difflib
import re

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from qc.quantities import QUANTITIES

EXAMPLES = {
    "name": 'name = "Cream cake 15 cm"',
    "code": 'code = "cream-15" (small letters, digits and hyphens)',
    "version": "version = 1",
    "date": "date = 2026-03-01",
    "pan_mm": "pan_mm = 150",
    "house_colour": "house_colour = [90.0, 1.0, 10.0]",
    "starting_values": "starting_values = false",
    "cold": "cold = true",
    "nominal": "nominal = 165",
    "tolerance": "tolerance = 4",
    "at_most": "at_most = 3",
    "at_least": "at_least = 20",
    "low": "low = 10",
    "high": "high = 40",
    "count": "count = 8",
    "per_order": "per_order = true",
    "from_layers": "from_layers = true",
    "aim": "aim = 3",
    "decides": 'decides = "must" or decides = "coach"',
    "weight": "weight = 2",
    "sponge_mm": "sponge_mm = [15.0, 15.0, 15.0]",
    "filling_mm": "filling_mm = [6.0, 6.0]",
    "coat_mm": "coat_mm = 8.0",
    "lines": "[lines.height] with nominal = 65 and tolerance = 4 under it",
}
ONE_LIMIT = "nominal = 165 and tolerance = 4, or at_most = 3"
WANTED = {
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "string_type": "words in quotation marks",
    "bool_type": "true or false",
    "date_type": "a date",
    "finite_number": "a number",
    "greater_than": "greater than {gt:g}",
    "greater_than_equal": "at least {ge:g}",
    "less_than_equal": "at most {le:g}",
    "string_too_short": "at least one letter",
    "string_too_long": "at most {max_length} letters",
    "literal_error": "one of {expected}",
    "tuple_type": "a list in square brackets",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "string_pattern_mismatch": "small letters, digits and hyphens",
}


def explain(where: str, error: ValidationError) -> str:
    """One sentence about the first fault found, and how many more there are."""
    faults = error.errors(include_url=False)
    place, wrong, example = _fault(faults[0])
    more = len(faults) - 1
    tail = f" ({more} more after that)" if more else ""
    return f"{where}, {place}: {wrong}; write for example {example}{tail}."


def explain_toml(where: str, text: str, message: str) -> str:
    """One sentence for text that is not TOML, with the row it stops at."""
    found = re.search(r"at line (\d+)", message)
    if not found:
        return f"{where} ends too early or has an unclosed quotation mark; write each line like at_most = 3."
    number = int(found.group(1))
    rows = text.splitlines()
    row = rows[number - 1].strip()[:60] if 0 < number <= len(rows) else ""
    if "overwrite" in message or "twice" in message:
        return f"{where}, row {number}: {row} stands there a second time; keep one of the two."
    return f"{where}, row {number}: {row} cannot be read; write a name, an equals sign and a value, like at_most = 3."


def _fault(fault: ErrorDetails) -> tuple[str, str, str]:
    """Place, what is wrong, an example."""
    path = [str(part) for part in fault["loc"] if not str(part).startswith("function-")]
    line = path[1] if path[:1] == ["lines"] and len(path) > 1 else None
    key = path[-1] if path else "lines"
    if fault["type"] == "value_error":
        return _own_fault(str(fault["ctx"]["error"]), line or (path[0] if path else None))
    place = f'line "{line}"' if line else f'"{path[0]}"' if path else "the whole"
    named = next((part for part in reversed(path) if part in EXAMPLES), key)
    if fault["type"] == "missing" and key.isdigit():
        return place, f"{named} needs one more number", EXAMPLES.get(named, ONE_LIMIT)
    if fault["type"] == "missing":
        return place, f"{key} is missing", EXAMPLES.get(key, ONE_LIMIT)
    if fault["type"] == "extra_forbidden":
        near = difflib.get_close_matches(key, EXAMPLES, 1)
        return place, f"{key} is not a name that is known here", EXAMPLES[near[0]] if near else ONE_LIMIT
    wanted = WANTED.get(fault["type"], "another value").format_map(fault.get("ctx", {}))
    if line and len(path) == 2:
        return (
            place,
            f"its limit must stand in a table of its own, found {_short(fault['input'])}",
            (f"[lines.{line}] with at_most = 3 under it"),
        )
    return place, f"{named} must be {wanted}, found {_short(fault['input'])}", EXAMPLES.get(named, ONE_LIMIT)


def _own_fault(message: str, place: str | None) -> tuple[str, str, str]:
    found = re.match(r"lines\.([^:]+): (.*)", message)
    if found:
        place, message = found.group(1), found.group(2)
    if message.startswith("no such quantity"):
        near = difflib.get_close_matches(place or "", QUANTITIES, 1, 0.4)
        return f'line "{place}"', message, f"[lines.{near[0] if near else 'height'}]"
    if "house_colour" in message:
        return f'line "{place}"', message, EXAMPLES["house_colour"]
    if "negative" in message:
        return f'line "{place}"', message, "nominal = 0 and tolerance = 2"
    if "direction" in message:
        return f'line "{place}"', message, "at_most = 3 under [lines.level] or [lines.lean]"
    if "from_layers" in message:
        return f'line "{place}"', message, "[layers] with " + EXAMPLES["sponge_mm"]
    if "no count" in message or "per order" in message or "one limit" in message:
        return f'line "{place}"', message, ONE_LIMIT
    key = next((word for word in re.findall(r"\w+", message) if word in EXAMPLES), "lines")
    if "decide" in message:
        return "the lines", "none of them decides the verdict", 'decides = "must" under [lines.height]'
    if "thickness" in message:
        key = "sponge_mm"
    if "smaller than high" in message:
        return f'line "{place}"', message, "low = 10 and high = 40"
    return (f'line "{place}"' if place else "the lines"), message, EXAMPLES[key]


def _short(value: object) -> str:
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 40 else text[:37] + "..."
