"""Crystals of a run folder as solids: the frames, read from the disk when they are asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any, overload

import numpy as np

from icewright.ground.errors import IcewrightError
from icewright.notebook.frames import list_frames, read_frame
from icewright.notebook.store import RunFolder
from icewright.shape.solid import Solid

_FIELDS = tuple(field.name for field in fields(Solid))


def record_of(solid: Solid) -> dict[str, Any]:
    """A solid as a plain record for the notebook, without the empty columns and layers around it.

    One empty column and layer stay on each side; the mirror plane stays the lowest edge.
    """
    some = solid.fill > 0
    layers = np.flatnonzero(some.any(axis=0))
    low, high = (int(layers[0]), int(layers[-1]) + 1) if layers.size else (0, 1)
    low = 0 if solid.mirrored else max(low - 1, 0)
    high = min(high + 1, solid.fill.shape[1])
    # A column is kept by how far out it lies, so that what is kept is again a whole wedge.
    reach = solid.q + solid.r
    full = some.any(axis=1)
    columns = reach <= (int(reach[full].max()) if full.any() else 0) + 1
    return {
        "symmetry": solid.symmetry,
        "q": solid.q[columns],
        "r": solid.r[columns],
        "spacing_m": solid.spacing_m,
        "z_edges_m": solid.z_edges_m[low : high + 1],
        "fill": solid.fill[columns, low:high],
        "frozen_s": solid.frozen_s[columns, low:high],
        "mirrored": solid.mirrored,
    }


class Frames(Sequence[tuple[float, Solid]]):
    """(time in s, solid) of each frame of a run, in order; each is read when it is asked for.

    Asking for a damaged frame raises ``StoreError``.
    """

    def __init__(self, folder: Path, indices: Sequence[int] | None = None) -> None:
        self._store = RunFolder(folder).frames
        self.indices = list(list_frames(self._store) if indices is None else indices)

    def __len__(self) -> int:
        return len(self.indices)

    @overload
    def __getitem__(self, place: int) -> tuple[float, Solid]: ...
    @overload
    def __getitem__(self, place: slice) -> Sequence[tuple[float, Solid]]: ...
    def __getitem__(self, place: int | slice) -> tuple[float, Solid] | Sequence[tuple[float, Solid]]:
        if isinstance(place, slice):
            return Frames(self._store.parent, self.indices[place])
        record = read_frame(self._store, self.indices[place])
        return float(record["time_s"]), Solid(**{name: record[name] for name in _FIELDS})


def solid_of(folder: Path, frame: int = -1) -> Solid:
    """The crystal of a run's frame, by place; the last one unless said otherwise.

    Raises ``StoreError`` if the folder is no run or the frame is damaged, ``IcewrightError`` if it has none.
    """
    RunFolder(folder).read_run()
    frames = Frames(folder)
    if not frames:
        raise IcewrightError(f"The run in {folder} has no frame yet.", do=f"icewright grow --resume {folder}")
    return frames[frame][1]
