"""Results kept by name, one small file each: written whole or not at all, and a changed byte is seen."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, is_dataclass
from pathlib import Path
from typing import Any

from icewright.ground.errors import IcewrightError
from icewright.notebook.files import StoreError, guard, read_json, write_json

KIND = "icewright.result"
SCHEMA = 1


def checksum(value: Any) -> str:
    """SHA-256 of a plain value in one fixed spelling."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


@dataclass(frozen=True)
class Found:
    """A kept result; wrapped, because a result may itself be None."""

    value: Any


class Shelf:
    """A folder of kept results. ``damaged`` says in words which files were found unfit and will be redone."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.damaged: list[str] = []
        with guard(folder):
            folder.mkdir(parents=True, exist_ok=True)

    @staticmethod
    def key_for(function: Callable[[Any], Any]) -> Callable[[Any], str]:
        """Names for records of that function: a hash of its name and of the record as JSON."""
        name = f"{function.__module__}.{getattr(function, '__qualname__', type(function).__name__)}"

        def key(record: Any) -> str:
            return checksum([name, plain(record)])[:32]

        return key

    def get(self, key: str) -> Found | None:
        """The kept result, or None if there is none or it is damaged."""
        path = self.folder / f"{key}.json"
        if not path.exists():
            return None
        try:
            data = read_json(path, KIND, SCHEMA)
            if checksum(data["value"]) != data["sha256"]:
                raise StoreError("its content and its checksum differ")
        except (IcewrightError, KeyError) as error:
            self.damaged.append(f"{path.name} is damaged ({str(error).splitlines()[0]}); worked again")
            return None
        return Found(data["value"])

    def put(self, key: str, value: Any) -> None:
        """Keep a result. Raises ``StoreError`` if the disk is full or forbidden, or it is not plain."""
        kept = plain(value)
        write_json(
            self.folder / f"{key}.json", KIND, SCHEMA, {"sha256": checksum(kept), "value": kept}, indent=None
        )


def plain(value: Any) -> Any:
    """The same in what JSON holds; NaN and infinities become None. Raises ``StoreError`` for other things."""
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        return value if value - value == 0.0 else None
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if hasattr(value, "tolist"):  # numpy scalars and arrays
        return plain(value.tolist())
    if hasattr(value, "model_dump"):
        return plain(value.model_dump(mode="json"))
    if is_dataclass(value) and not isinstance(value, type):
        return plain(asdict(value))
    if isinstance(value, Path):
        return str(value)
    raise StoreError(
        "This cannot be kept as JSON.",
        got=type(value).__name__,
        wanted="numbers, text, lists and dictionaries",
        do="give spread(..., key=...) a name for each record",
    )
