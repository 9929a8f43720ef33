"""A grown sweep as labelled arrays: one value a cell for each number, along the sweep's own axes.

Numbers are SI with their units in the attributes; axes are named and valued as in the sweep file, so that
``ds.sel(temperature_c=-15, sigma_percent=2)`` finds a cell. ``state`` and ``habit`` are small whole numbers
with ``flag_values`` and ``flag_meanings`` (CF conventions 1.11, section 3.5), because text does not travel
well between formats; :func:`words` turns them into text. Cells that were not grown read NaN.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from icewright.ground.records import check_kind
from icewright.sweep.plan import KEYS, Sweep

if TYPE_CHECKING:
    import numpy as np
    import xarray
    from numpy.typing import NDArray

KIND = "icewright.atlas-data"
SCHEMA = 1
STATES = ("not grown", "done", "cut", "outside", "failed")

# name: unit, meaning
VARIABLES: dict[str, tuple[str, str]] = {
    "temperature_k": ("K", "air temperature"),
    "sigma": ("1", "supersaturation over ice, a fraction"),
    "sigma_water": ("1", "supersaturation over ice at water saturation"),
    "excess_kg_m3": ("kg m-3", "vapour density above ice saturation"),
    "pressure_pa": ("Pa", "air pressure"),
    "time_s": ("s", "time from the seed to the end of the cell"),
    "radius_tip_m": ("m", "from the axis to the farthest tip"),
    "radius_facet_m": ("m", "from the axis to the prism facets"),
    "thickness_m": ("m", "full height along c"),
    "mass_kg": ("kg", "mass of ice"),
    "aspect_ratio": ("1", "thickness over tip-to-tip diameter"),
    "solidity": ("1", "outline's area over the area of its convex hull"),
    "radial_rate_m_s": ("m s-1", "mean speed of the tips from seed to end"),
    "axial_rate_m_s": ("m s-1", "mean speed of one basal face from seed to end"),
    "mass_balance_error": ("1", "ice gained over vapour arrived, less one"),
    "field_flux_ratio": ("1", "vapour flux far away over that at the surface"),
    "voxel_m": ("m", "distance of voxel centres in the basal plane"),
    "wall_s": ("s", "seconds of computing"),
    "cpu_s": ("s", "seconds of processor time"),
}
_UNITS = {
    "temperature_c": "degC",
    "sigma_percent": "%",
    "water_fraction": "1",
    "excess_g_m3": "g m-3",
    "pressure_hpa": "hPa",
    "size_um": "um",
    "seed_radius_um": "um",
    "seed_aspect": "1",
}


def dataset(sweep: Sweep, records: Sequence[Mapping[str, Any] | None], **attributes: Any) -> xarray.Dataset:
    """The records of a sweep's cells, in its order, as labelled arrays; None is a cell not reached."""
    import numpy as np
    import xarray as xr

    from icewright.shape.habit import WORDS

    axes = sweep.axes
    dims, shape = tuple(axes), tuple(len(values) for values in axes.values())
    arrays: dict[str, NDArray[Any]] = {name: np.full(shape, np.nan) for name in VARIABLES}
    state, habit = np.zeros(shape, np.int8), np.zeros(shape, np.int8)
    memory = np.zeros(shape, np.int8)
    cells = list(sweep.cells())
    for cell, record in zip(cells, records, strict=True):
        if record is None:
            continue
        at = cell.place
        state[at] = STATES.index(record["state"])
        habit[at] = WORDS.index(record["habit"]) if record["habit"] in WORDS else 0
        memory[at] = bool(record["from_memory"])
        for name, array in arrays.items():
            value = record.get(name)
            array[at] = np.nan if value is None else value
    variables: dict[str, Any] = {
        name: (dims, array, {"units": VARIABLES[name][0], "long_name": VARIABLES[name][1]})
        for name, array in arrays.items()
    }
    variables["state"] = (dims, state, {"long_name": "how the cell ended", **_flags(STATES)})
    variables["habit"] = (dims, habit, {"long_name": "habit word", **_flags(WORDS)})
    over = (arrays["sigma"] > arrays["sigma_water"] + 1e-6).astype(np.int8)
    variables["above_water"] = (
        dims,
        over,
        {"long_name": "above water saturation: fog would form, no laboratory holds this", "units": "1"},
    )
    variables["from_memory"] = (
        dims,
        memory,
        {"long_name": "hangs on kinetics from memory, which nobody here has confirmed", "units": "1"},
    )
    coordinates: dict[str, Any] = {}
    if sweep.grid is None:
        coordinates["cell"] = np.arange(len(cells))
        for key in KEYS:
            if key in cells[0].values:
                coordinates[key] = ("cell", _array([c.values[key] for c in cells]), _about(key))
    else:
        for key, values in axes.items():
            coordinates[key] = (key, _array(list(values)), _about(key))
    about = {key: cells[0].values[key] for key in KEYS if key in cells[0].values and key not in coordinates}
    return xr.Dataset(
        variables,
        coords=coordinates,
        attrs={"kind": KIND, "schema": SCHEMA, "Conventions": "CF-1.11", "title": sweep.title}
        | {key: str(value) if isinstance(value, str) else float(value) for key, value in about.items()}
        | attributes,
    )


def words(data: xarray.Dataset, name: str) -> NDArray[np.str_]:
    """``state`` or ``habit`` of every cell as text, in the variable's shape."""
    import numpy as np

    meanings = [text.replace("_", " ") for text in str(data[name].attrs["flag_meanings"]).split()]
    found: NDArray[np.str_] = np.asarray(meanings)[data[name].to_numpy().astype(int)]
    return found


def write(data: xarray.Dataset, store: Path) -> None:
    """Write as zarr (format 3), aside and renamed in. Raises ``StoreError``."""
    import shutil
    import warnings

    from icewright.notebook.files import guard, sync_folder

    aside = store.with_name(f".{store.name}.part")
    with guard(store), warnings.catch_warnings():
        # Text coordinates: the zarr 3 specification of strings is young, and says so at every write.
        warnings.filterwarnings("ignore", message=".*Zarr V3 specification.*")
        warnings.filterwarnings("ignore", message=".*[Cc]onsolidated metadata.*")
        shutil.rmtree(aside, ignore_errors=True)
        data.to_zarr(aside, mode="w", zarr_format=3, consolidated=False)
        shutil.rmtree(store, ignore_errors=True)
        aside.rename(store)
        sync_folder(store.parent)


def read(store: Path) -> xarray.Dataset:
    """Open what :func:`write` wrote; values are read when they are used. Raises ``RecordError``."""
    import warnings

    import xarray as xr

    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*Zarr V3 specification.*")
        data: xarray.Dataset = xr.open_zarr(store, consolidated=False, chunks=None, zarr_format=3)
    check_kind(data.attrs, KIND, SCHEMA)
    return data


def write_netcdf(data: xarray.Dataset, path: Path) -> str:
    """Write as NetCDF, aside and renamed in, and say the format; raises ``StoreError``.

    NetCDF 4 where h5netcdf has its own backend h5py, else NetCDF 3 (64-bit offsets) through scipy.
    """
    from importlib.util import find_spec

    from icewright.notebook.files import guard

    aside = path.with_name(f".{path.name}.part")
    with guard(path):
        if find_spec("h5py") is not None:
            data.load().to_netcdf(aside, engine="h5netcdf")
            said = "NetCDF 4"
        else:
            data.load().to_netcdf(aside, engine="scipy", format="NETCDF3_64BIT")
            said = "NetCDF 3"
        aside.replace(path)
    return said


def _flags(meanings: Sequence[str]) -> dict[str, Any]:
    return {
        "flag_values": list(range(len(meanings))),
        "flag_meanings": " ".join(text.replace(" ", "_") for text in meanings),
    }


def _array(values: Sequence[Any]) -> NDArray[Any]:
    import numpy as np

    return np.asarray(values)


def _about(key: str) -> dict[str, str]:
    return {"units": _UNITS[key]} if key in _UNITS else {}
