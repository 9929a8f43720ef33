"""Icewright: predict a single ice crystal grown from vapour, before it is grown.

A notebook needs a dozen names, each imported when first used::

    import icewright
    recipe = icewright.read_recipe("star.toml")
    summary = icewright.grow(recipe, "star-run")
    run = icewright.open_run("star-run")
"""

from importlib import import_module
from typing import TYPE_CHECKING

__version__ = "0.1.0"

_HOMES = {
    "read_recipe": ("icewright.recipe.files", "read"),
    "write_recipe": ("icewright.recipe.files", "write"),
    "Recipe": ("icewright.recipe.model", "Recipe"),
    "warnings": ("icewright.recipe.cautions", "warnings"),
    "starter": ("icewright.tasks.new", "starter"),
    "grow": ("icewright.tasks.grow", "grow"),
    "open_run": ("icewright.notebook.export", "open_run"),
    "look": ("icewright.tasks.look", "look"),
    "air": ("icewright.tasks.air", "air"),
    "scales": ("icewright.vapour.scales", "scales"),
    "load_kinetics": ("icewright.kinetics", "load"),
    "Solid": ("icewright.shape.solid", "Solid"),
    "IcewrightError": ("icewright.ground.errors", "IcewrightError"),
}

if TYPE_CHECKING:
    from icewright.recipe.files import read as read_recipe
    from icewright.recipe.model import Recipe
    from icewright.vapour.scales import scales

    __all__ = ["Recipe", "__version__", "read_recipe", "scales"]


def __getattr__(name: str) -> object:
    if name in _HOMES:
        module, attribute = _HOMES[name]
        return getattr(import_module(module), attribute)
    raise AttributeError(f"module 'icewright' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
