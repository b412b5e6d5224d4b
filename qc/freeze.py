"""Frozen results to bytes and back, without loss: JSON of the dataclass, compressed."""

import json
import zlib
from dataclasses import asdict, is_dataclass
from functools import lru_cache
from importlib import import_module
from typing import Any

from pydantic import TypeAdapter, ValidationError

from qc.errors import RecordError


def freeze(value: Any) -> bytes:
    """The bytes of one of this program's dataclasses.

    Floats are written with all their digits; NaN and infinity stay what they are.
    """
    if not is_dataclass(value) or isinstance(value, type) or not type(value).__module__.startswith("qc."):
        raise RecordError(f"A {type(value).__name__} cannot be recorded: only the program's own results can.")
    kind = type(value)
    text = json.dumps(
        {"type": f"{kind.__module__}:{kind.__qualname__}", "value": asdict(value)}, default=_plain, ensure_ascii=False
    )
    return zlib.compress(text.encode(), 6)


def thaw(data: bytes) -> Any:
    """The dataclass that `freeze` was given.

    Raises
    ------
    RecordError
        The bytes are damaged, or were written by a newer program.
    """
    try:
        return thaw_text(zlib.decompress(data).decode())
    except (zlib.error, UnicodeDecodeError) as error:
        raise RecordError("A stored result is damaged: restore the latest copy of the records.") from error


def thaw_text(text: str) -> Any:
    """The dataclass behind the JSON text of a frozen one."""
    try:
        found = json.loads(text)
        return _adapter(found["type"]).validate_python(found["value"])
    except (ValueError, KeyError, TypeError, ValidationError, ImportError, AttributeError) as error:
        raise RecordError("A stored result cannot be read by this version of the program: update it.") from error


def text_of(data: bytes) -> str:
    """The JSON text inside frozen bytes."""
    return zlib.decompress(data).decode()


@lru_cache(maxsize=32)
def _adapter(name: str) -> TypeAdapter[Any]:
    module, _, kind = name.partition(":")
    found = getattr(import_module(module), kind) if module.startswith("qc.") else None
    if not is_dataclass(found):
        raise KeyError(name)
    return TypeAdapter(found)  # type: ignore[arg-type]


def _plain(value: Any) -> Any:
    """Numpy scalars and arrays, and enumerations."""
    for method in ("tolist", "isoformat"):
        if hasattr(value, method):
            return getattr(value, method)()
    if hasattr(value, "value"):
        return value.value
    raise TypeError(type(value).__name__)
