"""Refractive index of ice for visible light, from its published table."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from icewright.ground.errors import IcewrightError
from icewright.ground.sources import Source, register

register(
    Source(
        "jgr-d14220-2008",
        "Journal of Geophysical Research 113, D14220, 2008: optical constants of ice",
        "10.1029/2007JD009744",
        how="read",
        note="table at -7 degC, read in a public index database (CC0); four decimals",
    )
)
register(
    Source(
        "ice-birefringence",
        "Ordinary and extraordinary index of ice at the sodium line: 1.3090 and 1.3104 near -3 degC",
        how="from memory",
        note="an ordinary and an extraordinary ray differ by 0.0014; along c both see the ordinary index",
    )
)
SOURCE = "jgr-d14220-2008"
U_ROUNDING = 3e-5  # of each value by itself: four decimals, half a step over the root of three
TABLE_NM = np.array([400.0, 500.0, 550.0, 600.0, 650.0, 700.0])
TABLE_INDEX = np.array([1.3194, 1.3130, 1.3110, 1.3094, 1.3080, 1.3069])
U_INDEX = 2e-4  # the table's rounding, interpolation, and some kelvin from -7 degC (the last from memory)


def index_of_ice(wavelength_m: ArrayLike) -> NDArray[np.float64]:
    """Refractive index at a vacuum wavelength (m), any shape; smooth and falling between the table's points.

    Source: J. Geophys. Res. 113, D14220, 2008, DOI 10.1029/2007JD009744, -7 degC. Standard uncertainty
    `U_INDEX`. Raises IcewrightError outside the table, 400 to 700 nm.
    """
    from scipy.interpolate import PchipInterpolator

    wavelength_nm = np.asarray(wavelength_m, dtype=np.float64) * 1e9
    low, high = float(np.min(wavelength_nm)), float(np.max(wavelength_nm))
    # A hair of slack: 400e-9 is not exactly 400 nm.
    if not (low >= TABLE_NM[0] - 1e-6 and high <= TABLE_NM[-1] + 1e-6):
        raise IcewrightError(
            "The index of ice is tabulated for visible light only.",
            got=f"{low:g} nm" if low == high else f"{low:g} to {high:g} nm",
            wanted=f"{TABLE_NM[0]:g} to {TABLE_NM[-1]:g} nm, in metres: 550e-9",
        )
    held = np.clip(wavelength_nm, TABLE_NM[0], TABLE_NM[-1])
    return np.asarray(PchipInterpolator(TABLE_NM, TABLE_INDEX)(held), dtype=np.float64)
