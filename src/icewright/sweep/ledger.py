"""What of a sweep is finished: every cell's record once, damaged ones seen, half-written ones removed."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from icewright.notebook.files import StoreError
from icewright.sweep.cells import read_cell
from icewright.sweep.store import Store


@dataclass
class Ledger:
    """Records of finished cells by name, and in words what was found amiss."""

    records: dict[str, dict[str, Any]] = field(default_factory=dict)
    events: list[str] = field(default_factory=list)


def take_stock(
    store: Store,
    names: Iterable[str],
    *,
    wall_s: float,
    retry_failed: bool,
    on_progress: Callable[[int], None] | None = None,
) -> Ledger:
    """Read every cell of those names that is there, and say which must be grown again.

    A damaged cell is taken away and grown again. One that the wall limit cut is grown again if the limit is
    longer now; a failed one only with ``retry_failed``. Raises ``StoreError`` if the store cannot
    be read, ``RecordError`` if a cell was written by a newer Icewright.
    """
    from icewright import __version__
    from icewright.growth.kernels import cache_key

    ledger = Ledger()
    begun = store.sweep_up()
    if begun:
        ledger.events.append(f"{begun} cells had been begun and were cut off; they are grown again")
    there = store.names()
    elsewhere: set[str] = set()
    for number, name in enumerate(dict.fromkeys(names)):
        if on_progress is not None and number % 100 == 0:
            on_progress(number)
        if name not in there:
            continue
        try:
            record, _ = read_cell(store, name)
        except StoreError as error:  # a newer Icewright's cell is refused, and never taken away
            store.remove(name)
            ledger.events.append(f"cell {name} is damaged ({error.got or error.message}); it is grown again")
            continue
        if record["state"] == "failed" and retry_failed:
            continue
        if record["state"] == "cut" and wall_s > float(record["wall_limit_s"]):
            continue
        ledger.records[name] = record
        if (record["version"], record["engine"]) != (__version__, cache_key()):
            elsewhere.add(f"{record['version']} ({record['engine'][:6]})")
    if elsewhere:
        ledger.events.append(
            "some cells are from another engine or Python: "
            + ", ".join(sorted(elsewhere))
            + f"; this is {__version__} ({cache_key()[:6]}). Another --out grows all anew"
        )
    return ledger
