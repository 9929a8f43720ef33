"""Lights of a microscope as pictures of its two apertures, and how sharp its objective draws.

Directions are written as their sine from the axis, the number that apertures are given in. A point of a
facet that turns light by p sends the objective's cone, a disc of radius NA, onto the condenser's aperture
displaced by p. What arrives is what the two share. So with the aperture of each light drawn as discs, the
brightness of a ray turned by p is an area of two overlapping circles; wave effects within the cone (partial
coherence) and the spread of the cone over the crystal's depth are left out, and blur stands in for both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from icewright.ground.errors import IcewrightError
from icewright.shape.solid import FloatArray

BRIGHT, DARK, OBLIQUE, TWO_COLOUR = LIGHTS = ("bright-field", "dark-field", "oblique", "two-colour")
INDEX = 1.31  # ice at visible wavelengths, four digits in icewright.measure.refractive_index
WATER_INDEX = 1.333  # water at 20 degC, 589 nm; common practice, no source
TABLE = 801  # points of a light's table from sine -1 to 1


@dataclass(frozen=True)
class Light:
    """One way of lighting.

    name : bright-field, dark-field, oblique or two-colour.
    objective_na : aperture of the objective.
    condenser_na : radius of the condenser's disc; in dark field and two-colour the outer radius of the ring.
    from_deg : oblique only, the side from which the light comes, against the clock from the right.
    wavelength_nm : for how sharp the objective draws.

    Raises IcewrightError for another name or an aperture outside 0 to 0.95.
    """

    name: str = BRIGHT
    objective_na: float = 0.14
    condenser_na: float | None = None
    from_deg: float = 135.0
    wavelength_nm: float = 550.0

    def __post_init__(self) -> None:
        if self.name not in LIGHTS:
            raise IcewrightError(
                "No such light.", got=repr(self.name), wanted=" | ".join(LIGHTS), do=f"--light {BRIGHT}"
            )
        for said, na in (("objective", self.objective_na), ("condenser", self.na)):
            if not 0.0 < na <= 0.95:
                raise IcewrightError(f"An aperture of the {said} in air.", got=str(na), wanted="0 to 0.95")
        if self.name in (DARK, TWO_COLOUR) and self.na <= 1.2 * self.objective_na:
            raise IcewrightError(
                "The condenser's ring must lie well outside the objective's aperture.",
                got=f"ring to {self.na}, objective {self.objective_na}",
                wanted="a ring at least a fifth larger: a larger condenser_na or a smaller objective_na",
            )

    @property
    def na(self) -> float:
        """The condenser's aperture: as given, or what suits the light."""
        if self.condenser_na is not None:
            return self.condenser_na
        # A disc smaller than the objective's for contrast; a ring well outside it, as wide as air allows.
        if self.name in (DARK, TWO_COLOUR):
            return min(0.95, max(0.45, 1.05 * self.objective_na + 0.3))
        return {BRIGHT: 0.36, OBLIQUE: 0.71}[self.name] * self.objective_na

    @property
    def coloured(self) -> bool:
        """Whether its pictures have colours."""
        return self.name == TWO_COLOUR


def overlap(distance: ArrayLike, one: float, other: float) -> FloatArray:
    """Area that two discs share (elementary geometry); any unit, area in its square."""
    d = np.abs(np.asarray(distance, dtype=np.float64))
    small, large = min(one, other), max(one, other)
    out = np.zeros(d.shape)
    out[d <= large - small] = math.pi * small * small
    cut = (d > large - small) & (d < large + small)
    x = d[cut]
    a = (x * x + large * large - small * small) / (2.0 * x)
    b = x - a
    out[cut] = (
        large**2 * np.arccos(np.clip(a / large, -1, 1))
        - a * np.sqrt(np.maximum(large**2 - a * a, 0.0))
        + small**2 * np.arccos(np.clip(b / small, -1, 1))
        - b * np.sqrt(np.maximum(small**2 - b * b, 0.0))
    )
    return out


def brightness(light: Light, px: ArrayLike, py: ArrayLike) -> FloatArray:
    """Light of a ray that comes from the direction (px, py), in parts of full exposure.

    Full exposure is what the objective can take from the condenser at best; open field gets all of it in
    bright field, none in dark field, about half in oblique light.

    Returns
    -------
    float64[channels, ...]; one channel, or red, green and blue.
    """
    x, y = np.broadcast_arrays(np.asarray(px, dtype=np.float64), np.asarray(py, dtype=np.float64))
    objective, na = light.objective_na, light.na
    r = np.hypot(x, y)
    best = math.pi * min(objective, na) ** 2
    if light.name == BRIGHT:
        return (overlap(r, objective, na) / best)[None]
    if light.name == OBLIQUE:
        # The disc stands on the rim of the objective's aperture: half of it is seen.
        a = math.radians(light.from_deg)
        d = np.hypot(x - objective * math.cos(a), y - objective * math.sin(a))
        return (overlap(d, objective, na) / best)[None]
    inner = 1.05 * objective
    ring = overlap(r, objective, na) - overlap(r, objective, min(inner, na))
    ring = ring / (math.pi * objective**2)
    if light.name == DARK:
        return ring[None]
    # A coloured disc with another colour around it: flat ice and open field take the first, slopes the other.
    disc = overlap(r, objective, inner) / (math.pi * objective**2)
    middle, around = np.array([0.10, 0.28, 0.62]), np.array([1.00, 0.62, 0.16])
    shape = (3,) + (1,) * r.ndim
    return middle.reshape(shape) * disc + around.reshape(shape) * ring


def table(light: Light) -> FloatArray:
    """`brightness` on an even grid of sines from -1 to 1, float64[channels, TABLE, TABLE]; row is y."""
    s = np.linspace(-1.0, 1.0, TABLE)
    return np.ascontiguousarray(brightness(light, s[None, :], s[:, None]))


def blur_um(light: Light, defocus_um: float = 0.0) -> float:
    """Standard deviation of the blur (um).

    The Airy disc as a Gaussian, 0.21 wavelengths over NA (Appl. Opt. 46, 1819, 2007,
    DOI 10.1364/AO.46.001819, from memory); defocus adds a disc of radius |z| NA / sqrt(1 - NA^2), taken as
    the Gaussian of the same variance, a quarter of the radius squared.
    """
    sharp = 0.21 * light.wavelength_nm * 1e-3 / light.objective_na
    na = light.objective_na
    disc = abs(defocus_um) * na / math.sqrt(1.0 - na * na)
    return math.hypot(sharp, 0.5 * disc)


def sphere(light: Light, x: FloatArray, y: FloatArray, index: float = WATER_INDEX) -> FloatArray:
    """Light seen through a small transparent ball at (x, y), in ball radii from its middle; NaN outside.

    A vertical ray at height h = sin(i) leaves turned towards the axis by 2 (i - r), Snell; what the two
    surfaces let through is Fresnel's, and light thrown back inside is left out.

    Returns
    -------
    float64[channels, ...].
    """
    h = np.hypot(x, y)
    inside = h < 1.0
    i = np.arcsin(np.where(inside, h, 0.0))
    r = np.arcsin(np.sin(i) / index)
    turn = 2.0 * (i - r)
    rs = np.sin(i - r) / np.maximum(np.sin(i + r), 1e-12)
    rp = np.tan(i - r) * np.cos(i + r) / np.maximum(np.sin(i + r), 1e-12)
    normal = ((index - 1.0) / (index + 1.0)) ** 2
    back = np.where(h < 1e-6, normal, 0.5 * (rs**2 + rp**2))
    unit = np.where(h > 0, np.sin(turn) / np.maximum(h, 1e-12), 0.0)
    # Seen backwards, the ray is bent towards the axis on its way down.
    light_here = brightness(light, -unit * x, -unit * y) * (1.0 - back) ** 2
    light_here = np.where(np.cos(turn) > 0, light_here, 0.0)
    return np.where(inside, light_here, np.nan)
