"""Every source that a run used, as text or BibTeX, and which of its values nobody here has confirmed."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from icewright.ground.errors import SourceError
from icewright.ground.sources import bibtex, source
from icewright.ground.units import kelvin_to_celsius

if TYPE_CHECKING:
    from icewright.kinetics.model import Kinetics
    from icewright.recipe.model import Recipe


def temperatures_k(recipe: Recipe) -> list[float]:
    """Temperatures, K, at the start, middle and end of each step, each once, warmest first."""
    met: set[float] = set()
    for step in recipe.steps:
        length = step.endings.time_s or 0.0
        met |= {step.temperature_at(length * part) for part in (0.0, 0.5, 1.0)}
    return sorted(met, reverse=True)


def source_keys(recipe: Recipe, kinetics: Kinetics) -> list[str]:
    """Keys of the sources behind a run: saturation, transport, latent heat, attachment, habit words."""
    from icewright.shape.habit import SOURCES
    from icewright.vapour.scales import scales

    warmest = temperatures_k(recipe)[0]
    air = scales(warmest, recipe.pressure_pa, diffusivity=recipe.diffusivity, gas=recipe.gas).source_keys
    return list(dict.fromkeys((*air, *kinetics.sources(), *SOURCES)))


def from_memory(recipe: Recipe, kinetics: Kinetics) -> list[str]:
    """What the run hangs on that nobody here has confirmed; the result must be marked with it."""
    said = []
    asked = [t for t in temperatures_k(recipe) if _within(t, kinetics) and kinetics.from_memory(t)]
    if asked:
        places = ", ".join(f"{kelvin_to_celsius(t):.3g}" for t in asked)
        note = "; ".join(kinetics.notes(asked[0]).splitlines())
        said.append(
            f"attachment coefficients {kinetics.name!r} at {places} degC" + (f": {note}" if note else "")
        )
    behind = set(kinetics.sources())
    for key in source_keys(recipe, kinetics):
        if key not in behind and source(key).how == "from memory":
            said.append(f"{source(key).citation} ({key})")
    return said


def as_text(keys: Iterable[str]) -> str:
    """One line a source: how it is known, its citation, DOI and note. Unknown keys are named as such."""
    rows = []
    for key in keys:
        try:
            item = source(key)
        except SourceError:
            rows.append(f"[?] {key}: not in this Icewright's register")
            continue
        rows.append(
            f"[{item.how}] {item.citation}"
            + (f", DOI {item.doi}" if item.doi else "")
            + (f" ({item.note})" if item.note else "")
        )
    return "\n".join(rows)


def sources_of_run(folder: str | Path, *, style: str = "text") -> str:
    """The sources of a run folder as ``"text"`` or ``"bibtex"``.

    Raises ``StoreError`` if it is no run folder, ``IcewrightError`` for another style, ``SourceError`` in
    BibTeX for a key that this Icewright does not know.
    """
    from icewright.ground.errors import IcewrightError
    from icewright.notebook.store import RunFolder

    run = RunFolder(Path(folder))
    keys = [str(key) for key in run.read_run().get("sources", [])]
    _register_all(run)
    if style == "text":
        return as_text(keys)
    if style == "bibtex":
        return bibtex(keys)
    raise IcewrightError("No such style of sources.", got=style, wanted="text or bibtex")


def _register_all(run: object) -> None:
    # Sources register where their numbers live; reading the folder alone has imported none of them.
    from icewright import kinetics
    from icewright.notebook.store import RunFolder
    from icewright.recipe import files
    from icewright.shape import habit
    from icewright.vapour import scales

    assert isinstance(run, RunFolder)
    del habit, scales
    for name in kinetics.names():
        kinetics.load(name)
    # A user's own table brings sources of its own; without the file its keys are listed as they are.
    with contextlib.suppress(Exception):
        kinetics.load(files.read(run.recipe).kinetics)


def _within(temperature_k: float, kinetics: Kinetics) -> bool:
    low, high = kinetics.valid_range_k
    return low <= temperature_k <= high
