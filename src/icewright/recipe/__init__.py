"""A recipe: what the air around one crystal does over time, how the crystal is held, and when each step ends.

Names for everyday use are offered here and imported on first use, so that `import icewright.recipe` costs
nothing: `Recipe`, `Step`, `Humidity`, `Endings`, `Held`, `Seed`, `Resolution`, `Gas`, `Schedule`,
`Conditions`, `read`, `write`, `loads`, `dumps`, `warnings`, `voxel_m`.
"""

from importlib import import_module

_HOMES = {
    "Recipe": "model",
    "Gas": "model",
    "Step": "step",
    "Humidity": "step",
    "Endings": "endings",
    "Held": "held",
    "Seed": "seed",
    "Resolution": "resolution",
    "voxel_m": "resolution",
    "Schedule": "schedule",
    "Conditions": "schedule",
    "read": "files",
    "write": "files",
    "loads": "files",
    "dumps": "files",
    "warnings": "cautions",
}

__all__ = sorted(_HOMES)  # pyright: ignore[reportUnsupportedDunderAll]


def __getattr__(name: str) -> object:
    if name in _HOMES:
        return getattr(import_module(f"icewright.recipe.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'icewright.recipe' has no attribute {name!r}")
