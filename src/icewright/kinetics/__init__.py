"""Attachment kinetics: two built-in rival tables, a user's own table, or a user's own function."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from icewright.ground.errors import KineticsError
from icewright.kinetics.model import Kinetics
from icewright.kinetics.tables.broad_narrow import broad_narrow
from icewright.kinetics.tables.layer_fits import LayerFits

_BUILT_IN: dict[str, Callable[[], Kinetics]] = {"broad-narrow": broad_narrow, "layer-fits": LayerFits}


def names() -> list[str]:
    """Names of the built-in tables."""
    return list(_BUILT_IN)


def load(name_or_path: str | Path) -> Kinetics:
    """A built-in table by name, or a user's own by the path of its TOML file (see ``kinetics.user_table``).

    Raises ``KineticsError`` if it is neither, and what ``user_table.read`` raises for a bad file.
    """
    if str(name_or_path) in _BUILT_IN:
        return _BUILT_IN[str(name_or_path)]()
    path = Path(name_or_path)
    if path.suffix != ".toml" and not path.is_file():
        raise KineticsError(
            "No such kinetics.",
            got=str(name_or_path),
            wanted="one of " + ", ".join(_BUILT_IN) + ", or the path of a .toml file",
            do='kinetics = "broad-narrow"',
        )
    from icewright.kinetics import user_table

    return user_table.read(path)
