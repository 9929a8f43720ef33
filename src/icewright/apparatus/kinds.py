"""The kinds of apparatus by their names."""

from __future__ import annotations

from icewright.apparatus import falling, mixing, needle, reservoir, two_plate
from icewright.apparatus.basis import ApparatusError, Kind

KINDS: dict[str, Kind] = {
    kind.name: kind for kind in (two_plate.KIND, reservoir.KIND, mixing.KIND, falling.KIND, needle.KIND)
}


def kind_of(name: str) -> Kind:
    """The kind of that name. Raises ``ApparatusError`` for a name that is not one."""
    try:
        return KINDS[name]
    except KeyError:
        raise ApparatusError(
            "No such kind of apparatus.",
            got=f'apparatus = "{name}"',
            wanted=" or ".join(f'"{n}"' for n in KINDS),
            do='apparatus = "two-plate"',
        ) from None
