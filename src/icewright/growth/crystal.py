"""The crystal's own state on a lattice: how full each cell is and when it froze.

Layout ``fill[column, z]`` as in the field. Mask codes: 0 vapour, 1 ice, 3 inert (a pedestal, or the needle
below the crystal: no vapour enters it and it does not grow); odd codes are closed to vapour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from icewright.growth.lattice import Lattice

VAPOUR, ICE, INERT = 0, 1, 3
F32 = NDArray[np.float32]


@dataclass
class Crystal:
    """fill and frozen_s, [columns, z]; frozen_s is NaN where there is no ice."""

    fill: F32
    frozen_s: F32

    @classmethod
    def empty(cls, columns: int, nz: int) -> Crystal:
        """No ice anywhere."""
        return cls(
            np.zeros((columns, nz), dtype=np.float32), np.full((columns, nz), np.nan, dtype=np.float32)
        )

    def extent(self, lattice: Lattice) -> tuple[float, int, int]:
        """(radius of the farthest ice column in dx, lowest and highest ice layer)."""
        ice = self.fill >= 1
        cols, layers = np.nonzero(ice.any(axis=1))[0], np.nonzero(ice.any(axis=0))[0]
        return float(lattice.radius[cols].max()), int(layers[0]), int(layers[-1])


def column_map(old: Lattice, new: Lattice) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Columns that two lattices of one symmetry share: (old, new) indices."""
    size = int(max(old.q.max(), new.q.max())) + 1
    look = np.full((size, size if old.symmetry == "sixfold" else 1), -1, dtype=np.int64)
    look[old.q, old.r] = np.arange(old.n)
    found = look[new.q, new.r]
    keep = found >= 0
    return found[keep], np.nonzero(keep)[0]
