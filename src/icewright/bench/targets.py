"""Targets over the wire: rows to TOML and back, what they ask in words, and which files they may name.

A target is one TOML file (docs/design.md). The page edits it as rows or as text; both are the same target,
and what rows do not show is carried along as it stands.
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from icewright.bench import runs
from icewright.bench.api import refusal
from icewright.bench.design_shapes import (
    CrystalDraft,
    HabitWord,
    LimitsDraft,
    OutlineDraft,
    PortraitShape,
    Span,
    StageDraft,
    TargetDraft,
    TargetView,
    TargetWords,
    WantedDraft,
)
from icewright.bench.security import BenchError, inside, plain_name
from icewright.design.portrait import DesignError

if TYPE_CHECKING:
    from icewright.design.portrait import Portrait
    from icewright.design.target import Target

_LIMITS = ("minutes", "thickness_um", "radius_um", "water_fraction", "steps")
_SHOWN = {
    "kind",
    "schema",
    "title",
    "kinetics",
    "apparatus",
    "limits",
    "stage",
    "wanted",
    "outline",
    "crystal",
}


def words() -> TargetWords:
    """What may be asked for: the trade's words with their ranges, and the numbers read off a crystal."""
    from icewright.design.wants import HABITS, LONG, NUMBERS

    return TargetWords(
        habits=[
            HabitWord(word=word, means=[_said(r.text) for r in ranges], along_c=word in LONG)
            for word, ranges in HABITS.items()
        ],
        numbers=list(NUMBERS),
        outlines=[".svg", ".png", ".jpg", ".tif", ".webp"],
    )


def view(text: str, folder: Path) -> TargetView:
    """The target in a text. Raises DesignError, BenchError for no sense, or files that it may not name."""
    target = parsed(text, folder)
    try:
        draft = _draft(tomllib.loads(text))
    except ValidationError as error:
        raise refusal(error) from error  # longer than any row
    return TargetView(
        draft=draft,
        toml=text,
        asks=asks(target),
        cautions=list(target.cautions),
        portrait=None if target.crystal is None else shown(target.crystal),
    )


def parsed(text: str, folder: Path) -> Target:
    """The target, with the files that it names opened. Raises as `view`."""
    from icewright.tasks.design import target_of

    try:
        return target_of(_checked(text, folder), folder)
    except ValidationError as error:
        raise refusal(error) from error
    except (ValueError, TypeError, ArithmeticError, RecursionError) as error:
        raise DesignError("That target cannot be read.", got=str(error)[:200]) from error


def resolved(text: str, folder: Path) -> str:
    """The same text with whole paths, for a process that reads it from elsewhere. Raises as `view`."""
    import tomlkit

    _checked(text, folder)
    document: Any = tomlkit.parse(text)
    kinetics = document.get("kinetics", "")
    for table, key in (
        (document, "apparatus"),
        (document.get("outline"), "file"),
        (document.get("crystal"), "run"),
    ):
        if table is not None and table.get(key):
            table[key] = str(inside(folder, *_parts(str(table[key]))))
    if str(kinetics).endswith(".toml"):
        document["kinetics"] = str(inside(folder, *_parts(str(kinetics))))
    return str(tomlkit.dumps(document))


def asked_again(design: Path) -> str:
    """The target that a design's folder holds, its files named from the folder that the design lies in."""
    import tomlkit

    try:
        document: Any = tomlkit.parse((design / "target.toml").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return ""
    for table, key in ((document, "kinetics"), (document, "apparatus"), (document.get("outline"), "file")):
        if table is not None and table.get(key) and (design / str(table[key])).is_file():
            table[key] = f"{design.name}/{table[key]}"
    run = document.get("crystal", {}).get("run")
    if run:
        path = Path(str(run))
        inner = path.is_relative_to(design.parent.resolve())
        document["crystal"]["run"] = (
            path.relative_to(design.parent.resolve()).as_posix() if inner else path.name
        )
    return str(tomlkit.dumps(document))


def _parts(name: str) -> list[str]:
    return [plain_name(part) for part in name.replace("~", "/").split("/")]


def _checked(text: str, folder: Path) -> dict[str, Any]:
    """Its plain data; every file that it names is a plain name inside the folder."""
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise DesignError(
            "This is not TOML.", got=str(error)[:200], do="quotes around text, one key a line"
        ) from error
    for key in ("kinetics", "apparatus"):
        name = data.get(key)
        if not isinstance(name, str) or not (name.endswith(".toml") or key == "apparatus"):
            continue
        if not inside(folder, *_parts(name)).is_file():
            raise BenchError(404, "There is no such file in the folder.", got=name[:100])
    outline, crystal = data.get("outline"), data.get("crystal")
    if isinstance(outline, Mapping) and isinstance(outline.get("file"), str):
        inside(folder, *_parts(outline["file"]))
    if isinstance(crystal, Mapping) and isinstance(crystal.get("run"), str):
        found = runs.find(folder, "~".join(_parts(crystal["run"])))
        data["crystal"] = {**crystal, "run": str(found.path)}
    return data


# -- words ------------------------------------------------------------------------------------------------


def asks(target: Target) -> list[str]:
    """What a target asks for, a line each."""
    out = []
    for i, stage in enumerate(target.stages, 1):
        said = [_said(r.text) for r in stage.wants]
        out.append(f"Stage {i}, {stage.habit}: " + ", ".join(said))
        if stage.branch_at_m:
            at = ", ".join(f"{1e6 * r:g}" for r in stage.branch_at_m)
            out.append(f"Stage {i}: side branches set off by a {stage.set_off_by} of the humidity at {at} um")
    out += [f"At the end: {_said(r.text)}" for r in target.wants]
    if target.crystal is not None:
        c = target.crystal
        tall = f", {1e6 * c.thickness_m:.3g} um thick" if "thickness" in target.terms else ""
        out.append(f"The crystal that is shown: radius {1e6 * c.radius_m:.3g} um{tall}")
    if target.limits.time_s is not None:
        out.append(f"Within {target.limits.time_s / 60:g} minutes")
    return out


def _said(text: str) -> str:
    """`radius_um 20` as `radius 20 um`."""
    name, _, rest = text.partition(" ")
    for unit in ("um", "ug"):
        if name.endswith(f"_{unit}"):
            return f"{name.removesuffix(f'_{unit}').replace('_', ' ')} {rest} {unit}"
    return f"{name.replace('_', ' ')} {rest}"


def shown(p: Portrait) -> PortraitShape:
    """A portrait in percent."""
    import numpy as np

    flat = not p.section.any()
    return PortraitShape(
        radius_um=p.radius_m * 1e6,
        thickness_um=p.thickness_m * 1e6,
        solidity=min(max(p.sizes.solidity, 0.0), 1.0) if math.isfinite(p.sizes.solidity) else 0.0,
        habit="" if flat else p.habit,
        plan=np.rint(100 * p.plan).astype(int).tolist(),
        section=None if flat else np.rint(100 * p.section).astype(int).tolist(),
    )


# -- rows and text ----------------------------------------------------------------------------------------


def written(draft: TargetDraft) -> str:
    """Rows as TOML; whether they make sense is for `view` to say."""
    return "\n".join(_lines(draft)) + "\n"


def _lines(draft: TargetDraft) -> Iterator[str]:
    yield 'kind = "icewright.target"'
    yield "schema = 1"
    for key, text in (("title", draft.title), ("kinetics", draft.kinetics), ("apparatus", draft.apparatus)):
        if text:
            yield f"{key} = {_quoted(text)}"
    if draft.rest.strip():
        yield ""
        yield draft.rest.strip()
    limits = [
        f"{k} = {getattr(draft.limits, k):.10g}" for k in _LIMITS if getattr(draft.limits, k) is not None
    ]
    if draft.limits.temperature_c is not None:
        limits.append("temperature_c = [{:.10g}, {:.10g}]".format(*draft.limits.temperature_c))
    if limits:
        yield from ("", "[limits]", *limits)
    for stage in draft.stages:
        yield from ("", "[[stage]]", f"habit = {_quoted(stage.habit)}")
        for key in ("radius_um", "thickness_um", "minutes"):
            span = getattr(stage, key)
            if span is not None:
                yield f"{key} = {_span(span)}"
        if stage.side_branches_at_um:
            yield "side_branches_at_um = [" + ", ".join(f"{v:.10g}" for v in stage.side_branches_at_um) + "]"
            yield f"set_off_by = {_quoted(stage.set_off_by)}"
        if stage.note:
            yield f"note = {_quoted(stage.note)}"
    if draft.wanted or draft.habit:
        yield from ("", "[wanted]")
        if draft.habit:
            yield f"habit = {_quoted(draft.habit)}"
        yield from (f"{_key(w.name)} = {_span((w.low, w.high))}" for w in draft.wanted)
    if draft.outline is not None:
        yield from ("", "[outline]", f"file = {_quoted(draft.outline.file)}")
        yield f"radius_um = {draft.outline.radius_um:.10g}"
        if draft.outline.thickness_um is not None:
            yield f"thickness_um = {draft.outline.thickness_um:.10g}"
    if draft.crystal is not None:
        c = draft.crystal
        yield from ("", "[crystal]", f"run = {_quoted(c.run)}")
        yield from (
            f"{k} = {getattr(c, k):.10g}" for k in ("size", "arms", "thickness") if getattr(c, k) != 1
        )


def _quoted(text: str) -> str:
    # JSON's text is TOML's, but for the one character that JSON leaves bare.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _key(name: str) -> str:
    return name if name.replace("_", "").isalnum() and name.isascii() else _quoted(name)


def _span(span: Span) -> str:
    low, high = span
    return f"{low:.10g}" if low == high else f"[{low:.10g}, {high:.10g}]"


def rows(text: str) -> TargetDraft | None:
    """The rows of a target that was searched for; None where its text makes none."""
    try:
        return _draft(tomllib.loads(text))
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def _draft(data: Mapping[str, Any]) -> TargetDraft:
    """Rows of a target that was read well, so that every value is of its kind."""
    import tomlkit

    wanted = dict(data.get("wanted", {}))
    habit = wanted.pop("habit", "")
    rest = {key: value for key, value in data.items() if key not in _SHOWN}
    spread = ("radius_um", "thickness_um", "minutes")
    limits = dict(data.get("limits", {}))
    if "temperature_c" in limits:
        limits["temperature_c"] = tuple(limits["temperature_c"])
    return TargetDraft(
        title=data.get("title", "")[:200],
        kinetics=data.get("kinetics", ""),
        apparatus=data.get("apparatus", ""),
        limits=LimitsDraft(**limits),
        stages=[
            StageDraft(
                habit=stage["habit"],
                **{k: _two(stage[k]) for k in spread if k in stage},
                side_branches_at_um=_many(stage.get("side_branches_at_um", [])),
                set_off_by=stage.get("set_off_by", "dip") or "dip",
                note=stage.get("note", "")[:200],
            )
            for stage in data.get("stage", [])
        ],
        habit=habit,
        wanted=[WantedDraft(name=n, low=_two(v)[0], high=_two(v)[1]) for n, v in wanted.items()],
        outline=OutlineDraft(**data["outline"]) if "outline" in data else None,
        crystal=CrystalDraft(**data["crystal"]) if "crystal" in data else None,
        rest=tomlkit.dumps(rest).strip(),
    )


def _two(value: Any) -> Span:
    return (float(value[0]), float(value[1])) if isinstance(value, list) else (float(value), float(value))


def _many(value: Any) -> list[float]:
    return [float(v) for v in value] if isinstance(value, list) else [float(value)]


__all__ = ["asks", "parsed", "resolved", "shown", "view", "words", "written"]
