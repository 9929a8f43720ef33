"""Every file that we write says what kind it is and which schema it follows.

``kind`` is dotted text such as ``icewright.recipe``; ``schema`` is a whole number from 1 up.
A reader names the newest schema it knows; anything newer was written by a later Icewright and is refused
rather than misread.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from icewright.ground.errors import RecordError


def stamp(kind: str, schema: int, data: Mapping[str, Any]) -> dict[str, Any]:
    """A plain dictionary of ``data`` with ``kind`` and ``schema`` put first.

    Raises ``RecordError`` if ``data`` holds a different ``kind`` or ``schema`` of its own.
    """
    head: dict[str, Any] = {"kind": kind, "schema": schema}
    for key, value in head.items():
        if data.get(key, value) != value:
            raise RecordError(f"The record has its own {key!r}.", got=repr(data[key]), wanted=repr(value))
    return head | dict(data)


def check_kind(data: Mapping[str, Any], kind: str, newest_schema: int) -> int:
    """The schema number of ``data``, once known to be of this kind and not newer than ``newest_schema``.

    Raises ``RecordError`` if the kind or schema is missing or wrong, or the schema is newer.
    """
    got = data.get("kind")
    if got != kind:
        raise RecordError(
            "This is not the kind of file that was asked for.",
            got=f"kind = {got!r}" if got is not None else "no kind at all",
            wanted=f'kind = "{kind}"',
            do=f'a file whose first lines are kind = "{kind}" and schema = {newest_schema}',
        )
    schema = data.get("schema")
    # bool is an int to Python, and `schema = true` is a slip, not schema 1.
    if not isinstance(schema, int) or isinstance(schema, bool) or schema < 1:
        raise RecordError(
            f"A file of kind {kind} must carry its schema number.",
            got=f"schema = {schema!r}" if schema is not None else "no schema",
            wanted=f"a whole number from 1 to {newest_schema}",
            do=f"schema = {newest_schema}",
        )
    if schema > newest_schema:
        raise RecordError(
            f"This {kind} file was written by a newer Icewright.",
            got=f"schema = {schema}",
            wanted=f"schema = {newest_schema} or older",
            do="pip install --upgrade icewright",
        )
    return schema


def check_keys(
    data: Mapping[str, Any],
    *,
    required: tuple[str, ...],
    optional: tuple[str, ...] = (),
    where: str = "record",
) -> None:
    """Refuse missing and unknown keys by name.

    Raises ``RecordError`` naming the first offending keys and those allowed.
    """
    missing = [key for key in required if key not in data]
    if missing:
        raise RecordError(
            f"The {where} lacks {', '.join(missing)}.",
            got=", ".join(data) or "nothing",
            wanted=", ".join(required),
        )
    unknown = [key for key in data if key not in required + optional]
    if unknown:
        raise RecordError(
            f"The {where} has unknown keys: {', '.join(unknown)}.",
            got=", ".join(unknown),
            wanted="only " + ", ".join(required + optional),
        )
