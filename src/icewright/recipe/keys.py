"""Every key that a recipe file may hold, and what was probably meant by one that it may not."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from difflib import get_close_matches

from icewright.recipe.limits import RecipeError

TOP = (
    "kind",
    "schema",
    "title",
    "model",
    "kinetics",
    "facets",
    "apparatus",
    "before",
    "air",
    "held",
    "seed",
    "resolution",
    "notes",
    "step",
)
AIR = ("pressure_hpa", "diffusivity", "gas")
GAS = ("diffusivity_m2_s", "conductivity_w_mk")
HELD = ("way", "height_um", "stalk_radius_um")
SEED = ("radius_um", "thickness_um", "aspect", "crystal")
RESOLUTION = ("preset", "voxel_um")
NOTES = ("volts", "additive", "needle_axis", "heat_path", "words")
STEP = (
    "temperature_c",
    "sigma_percent",
    "water_fraction",
    "excess_g_m3",
    "settings",
    "minutes",
    "radius_um",
    "thickness_um",
    "mass_ug",
    "note",
)

# Slips that spelling alone does not mend.
_MEANT = {
    "temperature": "temperature_c",
    "temperature_k": "temperature_c",
    "temperature_f": "temperature_c",
    "temp_c": "temperature_c",
    "sigma": "sigma_percent",
    "supersaturation": "sigma_percent",
    "supersaturation_percent": "sigma_percent",
    "humidity": "water_fraction",
    "rh": "water_fraction",
    "rh_percent": "water_fraction",
    "relative_humidity": "water_fraction",
    "time": "minutes",
    "time_min": "minutes",
    "seconds": "minutes",
    "time_s": "minutes",
    "hours": "minutes",
    "radius_m": "radius_um",
    "radius_mm": "radius_um",
    "diameter_um": "radius_um",
    "length_um": "thickness_um",
    "height_um": "thickness_um",
    "steps": "step",
    "voxel": "voxel_um",
    "voxel_m": "voxel_um",
    "pressure": "pressure_hpa",
    "pressure_pa": "pressure_hpa",
    "pressure_mbar": "pressure_hpa",
    "facet": "facets",
    "radius": "radius_um",
    "thickness": "thickness_um",
    "mass": "mass_ug",
    "mass_mg": "mass_ug",
    "schema_version": "schema",
    "voltage": "volts",
    "kilovolts": "volts",
    "voltage_kv": "volts",
}


def refuse_unknown(table: Mapping[str, object], known: Collection[str], where: str) -> None:
    """Refuse the first key that is not known here, and say which one was probably meant.

    Raises:
        RecipeError: naming the key, the likely one, and all keys of that table.
    """
    for key, value in table.items():
        if key in known:
            continue
        meant = _MEANT.get(key.lower(), "")
        if meant not in known:
            near = get_close_matches(key.lower(), known, n=1, cutoff=0.6)
            meant = near[0] if near else ""
        home = _home(key)
        got = f"{where}: unknown key {key}"
        if meant:
            shown = (
                "..." if isinstance(value, dict | list) else f'"{value}"' if isinstance(value, str) else value
            )
            # A key with another unit in its name must not hand its number over unchanged.
            other_unit = key.lower() in _MEANT and "_" in key
            raise RecipeError(
                got=f"{got}; did you mean {meant}?",
                wanted="one of " + ", ".join(known),
                do=f"{meant} = ...   (its name says the unit)"
                if other_unit or shown == "..."
                else f"{meant} = {shown}",
            )
        if home:
            raise RecipeError(
                got=f"{got}; {key} belongs in {home}",
                wanted="one of " + ", ".join(known),
                do=f"move {key} under {home}",
            )
        raise RecipeError(got=got, wanted="one of " + ", ".join(known), do=f"delete the line with {key}")


def _home(key: str) -> str:
    homes = {
        "[air]": AIR,
        "[air.gas]": GAS,
        "[held]": HELD,
        "[seed]": SEED,
        "[resolution]": RESOLUTION,
        "[notes]": NOTES,
        "[[step]]": STEP,
    }
    for home, keys in homes.items():
        if key in keys:
            return home
    return "the top of the file" if key in TOP else ""
