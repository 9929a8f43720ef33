"""What a run keeps of the air behind its recipe: set and actual air, the settings, the apparatus."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from icewright.notebook.files import guard, write_atomic
from icewright.recipe import curves

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from icewright.recipe.in_settings import Planned

SETTINGS = "settings.toml"
APPARATUS = "apparatus.toml"


def keep(planned: Planned, folder: Path) -> None:
    """Write ``air.csv``, and for a recipe in settings also ``settings.toml`` and ``apparatus.toml``.

    Nothing is written for a recipe that says its air: there set and actual air are one.

    Raises ``StoreError``.
    """
    if not planned.lags:
        return
    planned.curves.write(folder / curves.FILE)
    if planned.apparatus_path is not None:
        with guard(planned.apparatus_path, "nothing was changed"):
            content = planned.apparatus_path.read_bytes()
        write_atomic(folder / APPARATUS, content)
    if planned.text:
        import tomlkit

        # The folder must stay readable without the file it was grown from.
        document = tomlkit.parse(planned.text)
        document["apparatus"] = APPARATUS
        write_atomic(folder / SETTINGS, tomlkit.dumps(document).encode())


def about(planned: Planned | None) -> dict[str, Any]:
    """What ``run.json`` says of it; empty for a recipe that says its air."""
    if planned is None or not planned.lags:
        return {}
    said: dict[str, Any] = {"air": {"notes": list(planned.notes), "cautions": list(planned.cautions)}}
    if planned.apparatus is not None:
        said["air"] |= {"apparatus": planned.apparatus.title, "kind_of_apparatus": planned.apparatus.kind}
        if planned.apparatus.notes:
            said["air"]["apparatus_notes"] = dict(planned.apparatus.notes)
    notes = planned.recipe.notes.given()
    if notes:
        said["air"]["notes_on_the_stage"] = notes
    return said


def set_air(
    folder: Path, columns: dict[str, NDArray[Any]]
) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]] | None:
    """Set air over the time of a run from its series, or None where the run keeps none.

    Time (s), temperature (K) and sigma, (m,) each. Raises ``StoreError``, ``RecordError`` for a damaged file.
    """
    path = folder / curves.FILE
    if not path.is_file():
        return None
    t, kelvin, sigma = curves.read(path).on_run(columns["time_s"], columns["step"])
    # A log without a plan has nothing that was asked for.
    return (t, kelvin, sigma) if (kelvin == kelvin).any() else None
