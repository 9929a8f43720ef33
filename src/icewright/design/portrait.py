"""What is remembered of a crystal when it is compared with another: its sizes, its plan and its section.

A portrait is small (some thousand numbers), travels between processes as plain data, and does not know on
what voxels its crystal was grown. Both pictures are drawn in units of the crystal's own size, so that a shape
can be compared apart from its size.

Array layout::

    plan[radius, angle]      share of the cell that is ice seen along c; PLAN_SHAPE cells of equal radius from
                             the axis to the farthest tip and equal angle from a corner (0) to the middle of a
                             facet (30 degrees): the other eleven twelfths are its images
    section[radius, height]  share of ice on the ring at that radius and height, averaged round the axis;
                             SECTION_SHAPE cells from the axis to the farthest tip, and from the lowest ice to
                             the highest
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from icewright.ground.errors import IcewrightError
from icewright.shape import sizes as sizing
from icewright.shape.habit import word
from icewright.shape.sizes import Sizes

if TYPE_CHECKING:
    from icewright.shape.solid import Solid

FloatArray = NDArray[np.float64]

PLAN_SHAPE = (48, 16)
SECTION_SHAPE = (32, 24)


class DesignError(IcewrightError):
    """A target that cannot be read or compared, or a search that cannot be made."""


@dataclass(frozen=True, eq=False)
class Portrait:
    """One crystal, ready to be compared.

    Parameters
    ----------
    sizes : what ``icewright.shape.sizes`` reads off it (SI).
    plan, section : shares 0..1, shapes ``PLAN_SHAPE`` and ``SECTION_SHAPE``; see the module text.
    mass_kg : mass, kg (0 where it is not known: an outline has none).
    time_s : model time at which it was like this, s.
    """

    sizes: Sizes
    plan: FloatArray
    section: FloatArray
    mass_kg: float = 0.0
    time_s: float = 0.0

    @property
    def radius_m(self) -> float:
        """Centre to the farthest ice across the basal plane, m."""
        return self.sizes.radius_max_m

    @property
    def thickness_m(self) -> float:
        """Full height along c, m."""
        return self.sizes.thickness_m

    @property
    def habit(self) -> str:
        """The habit word, by ``icewright.shape.habit``."""
        return word(self.sizes)

    def to_dict(self) -> dict[str, Any]:
        """Plain data; shares are kept to a thousandth, which no comparison here can tell from the whole."""
        return {
            "sizes": {k: (v if math.isfinite(v) else 0.0) for k, v in asdict(self.sizes).items()},
            "plan": np.rint(self.plan * 1000).astype(int).ravel().tolist(),
            "section": np.rint(self.section * 1000).astype(int).ravel().tolist(),
            "mass_kg": self.mass_kg,
            "time_s": self.time_s,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Portrait:
        """Back from ``to_dict``. Raises ``DesignError`` for other data."""
        try:
            return cls(
                Sizes(**data["sizes"]),
                np.array(data["plan"], float).reshape(PLAN_SHAPE) / 1000,
                np.array(data["section"], float).reshape(SECTION_SHAPE) / 1000,
                float(data["mass_kg"]),
                float(data["time_s"]),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise DesignError("This is no portrait of a crystal.", got=str(error)) from error


def portrait(solid: Solid, *, mass_kg: float = 0.0, time_s: float = 0.0) -> Portrait:
    """The portrait of a grown crystal; of a solid without ice, one of zeros."""
    read = sizing.measure(solid)
    if read.volume_m3 <= 0:
        return Portrait(read, np.zeros(PLAN_SHAPE), np.zeros(SECTION_SHAPE), 0.0, time_s)
    return Portrait(
        read, _plan(solid, read.radius_max_m), _section(solid, read.radius_max_m), mass_kg, time_s
    )


def plan_points(radius_m: float) -> tuple[FloatArray, FloatArray]:
    """Middles of the cells of ``plan`` for a crystal of that radius: x, y (m), shape ``PLAN_SHAPE``."""
    n, m = PLAN_SHAPE
    rho = (np.arange(n) + 0.5)[:, None] * radius_m / n
    angle = (np.arange(m) + 0.5)[None, :] * (math.pi / 6) / m
    return rho * np.cos(angle), rho * np.sin(angle)


def _sampled(solid: Solid, values: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
    from icewright.shape.solid import SIXFOLD, sample_columns

    if solid.symmetry == SIXFOLD:
        return np.asarray(sample_columns(solid, values, x, y), dtype=np.float64)
    ring = np.append(values[np.argsort(solid.q)], 0.0)
    at = (np.arange(ring.size) + 0.5) * solid.spacing_m
    return np.asarray(np.interp(np.hypot(x, y), at, ring))


def _plan(solid: Solid, radius_m: float) -> FloatArray:
    x, y = plan_points(radius_m)
    return np.asarray(np.clip(_sampled(solid, solid.coverage, x, y), 0.0, 1.0), dtype=np.float64)


def _section(solid: Solid, radius_m: float) -> FloatArray:
    n, layers = SECTION_SHAPE
    edges, fill = solid.z_edges_m, solid.fill.astype(np.float64)
    # Heights of the ice itself, part-filled end layers in part, as `sizes` takes them.
    ice = solid.ice
    tops, lows = np.flatnonzero(ice.any(axis=0))[[-1, 0]]
    high = float(edges[tops + 1])
    if tops + 1 < fill.shape[1]:
        high += float(fill[:, tops + 1].max()) * float(edges[tops + 2] - edges[tops + 1])
    low = -high if solid.mirrored else float(edges[lows])
    if not solid.mirrored and lows > 0:
        low -= float(fill[:, lows - 1].max()) * float(edges[lows] - edges[lows - 1])
    # What of each column lies below a height is linear between the edges: its differences are the shares.
    below = np.concatenate([np.zeros((fill.shape[0], 1)), np.cumsum(fill * solid.dz_m, axis=1)], axis=1)
    cuts = np.linspace(low, high, layers + 1)
    if solid.mirrored:
        at = np.array([np.interp(np.abs(cuts), edges, row) * np.sign(cuts) for row in below])
    else:
        at = np.array([np.interp(cuts, edges, row) for row in below])
    share = np.diff(at, axis=1) / (cuts[1] - cuts[0])
    rho = (np.arange(n) + 0.5)[:, None] * radius_m / n
    angle = (np.arange(PLAN_SHAPE[1]) + 0.5)[None, :] * (math.pi / 6) / PLAN_SHAPE[1]
    x, y = rho * np.cos(angle), rho * np.sin(angle)
    rows = [_sampled(solid, share[:, k], x, y).mean(axis=1) for k in range(layers)]
    return np.asarray(np.clip(np.stack(rows, axis=1), 0.0, 1.0), dtype=np.float64)
