"""What a design's folder holds, as the page is shown it: of earlier days, and of the command line."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from icewright.bench import design_shapes as shapes
from icewright.bench.security import BenchError, plain_name
from icewright.ground.errors import IcewrightError

_MOST = 500
_WORDS = {"ended": "done", "stopped": "stopped", "searching": "stopped"}


def folders(folder: Path) -> list[Path]:
    """The designs that lie in the chosen folder itself, and can be asked for by their name."""
    out = []
    for path in sorted(folder.glob("*/design.json"))[:_MOST]:
        try:
            plain_name(path.parent.name)
        except BenchError:
            continue
        if not path.is_symlink() and not path.parent.is_symlink():
            out.append(path.parent)
    return out


def has_summary(folder: Path) -> bool:
    """Whether a search there came to an end, or was stopped tidily."""
    try:
        return "summary" in json.loads((folder / "design.json").read_bytes())
    except (OSError, ValueError):
        return False


def _record(folder: Path) -> dict[str, Any]:
    from icewright.notebook.files import read_json
    from icewright.tasks.design import KIND, RECORD, SCHEMA

    return read_json(folder / RECORD, KIND, SCHEMA)


def brief(folder: Path) -> shapes.DesignBrief:
    """One line; a damaged one is named as such."""
    changed = (folder / "design.json").stat().st_mtime
    try:
        data = _record(folder)
    except IcewrightError as error:
        return shapes.DesignBrief(
            name=folder.name, title=folder.name, state="failed", words=error.message or str(error),
            distance=None, changed=changed,
        )  # fmt: skip
    summary = data.get("summary") or {}
    return shapes.DesignBrief(
        name=folder.name,
        title=str(summary.get("title") or folder.name),
        state=_state(data),
        words=str(summary.get("ended") or "cut off before its end; it can be gone on with"),
        distance=_finite(summary.get("distance")),
        changed=changed,
    )


def _state(data: Mapping[str, Any]) -> shapes.DesignWord:
    word: Any = _WORDS.get(str(data.get("state")), "stopped")
    return word  # type: ignore[no-any-return]


def read(folder: Path, name: str) -> shapes.Design:
    """All of it. Raises StoreError for a damaged folder."""
    from icewright.bench.targets import asked_again, rows
    from icewright.design.distance import SAME

    data = _record(folder)
    summary: dict[str, Any] = data.get("summary") or {}
    search = summary.get("search", {})
    toml = asked_again(folder)
    target, best = _crystals(folder, data)
    return shapes.Design(
        **brief(folder).model_dump(),
        phase="",
        fraction=1.0 if data.get("state") == "ended" else 0.0,
        trials=int(search.get("trials", 0)),
        wall_s=float(search.get("wall_s", 0.0)),
        eta_s=None,
        level=SAME,
        same=summary.get("same"),
        target=target,
        best=best,
        history=[(float(a), float(b)) for a, b in search.get("history", [])],
        recipes=[*map(_recipe, summary.get("recipes", [])), *_in_settings(summary.get("apparatus"))],
        reasons=[shapes.DesignReason(**row) for row in summary.get("reasons", [])],
        notes=[str(n) for n in summary.get("notes", [])],
        spread=_spread(summary.get("spread")),
        toml=toml,
        draft=rows(toml),
        error=None,
    )


def _crystals(
    folder: Path, data: Mapping[str, Any]
) -> tuple[shapes.PortraitShape | None, shapes.DesignBest | None]:
    """The crystal that was wanted, where the target shows one, and the one that is predicted."""
    from icewright.bench.targets import shown
    from icewright.design.portrait import Portrait, portrait
    from icewright.tasks.design import TARGET, crystal_of, read_target

    target = None
    try:
        wanted = read_target(folder / TARGET)
        target = None if wanted.crystal is None else shown(wanted.crystal)
    except IcewrightError:
        pass  # the run or the file that it names is gone; the rest of the folder is still good
    summary = data.get("summary") or {}
    rows = summary.get("recipes") or []
    if not rows:
        return target, None
    stages: list[shapes.PortraitShape | None] = []
    try:
        text = (folder / str(rows[0]["file"])).read_text(encoding="utf-8")
        if "portraits" in data:
            made = Portrait.from_dict(data["portraits"]["last"])
            stages = [
                None if p is None else shown(Portrait.from_dict(p)) for p in data["portraits"]["stages"]
            ]
        else:  # a folder of an earlier version
            made = portrait(crystal_of(folder))
    except (IcewrightError, OSError):
        return target, None
    return target, shapes.DesignBest(
        number=len(summary["search"].get("history", [])),
        distance=_finite(summary.get("distance")) or 0.0,
        confirmed=not any("not grown on fine voxels" in n for n in summary.get("notes", [])),
        terms=dict(summary.get("terms", {})),
        minutes=float(rows[0]["minutes"]),
        portrait=shown(made),
        stages=stages,
        toml=text,
    )


def _recipe(row: Mapping[str, Any]) -> shapes.DesignRecipe:
    air = "; then ".join(f"{a['temperature_c']:g} °C, {a['sigma_percent']:g} %" for a in row.get("air", []))
    return shapes.DesignRecipe(
        file=row["file"], distance=_finite(row.get("distance")), habit=row["habit"], words=air,
        radius_um=row["radius_um"], thickness_um=row["thickness_um"], minutes=row["minutes"],
    )  # fmt: skip


def _in_settings(row: Mapping[str, Any] | None) -> list[shapes.DesignRecipe]:
    """The best recipe in the settings of its apparatus, as it grows with their lag."""
    if not row or not row.get("file"):
        return []
    return [
        shapes.DesignRecipe(
            file=row["file"], distance=_finite(row.get("distance_with_lag")), habit=row["habit"],
            radius_um=row["radius_um"], thickness_um=row["thickness_um"], minutes=row["minutes"],
            words="in the settings of the apparatus, with its lag",
        )
    ]  # fmt: skip


def _spread(held: Mapping[str, Any] | None) -> shapes.DesignSpread | None:
    if not held or not held.get("numbers"):
        return None
    words = (
        f"{held['kelvin']:g} °C, {held['sigma_percent']:g} % of the supersaturation, "
        f"{100 * held['barriers']:.0f} % of the barriers ({held['barriers_from']})"
    )
    return shapes.DesignSpread(
        level=held["level"], draws=held["draws"], numbers=held["numbers"], distance=held["distance"],
        same=held["same"], step_most_at_risk=held["step_most_at_risk"], words=words,
    )  # fmt: skip


def _finite(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None
