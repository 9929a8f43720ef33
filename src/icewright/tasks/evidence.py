"""Hold the model against the outside: every comparison, its data, its pictures and the page.

A run can be stopped at any time and goes on when it is called again: each grown crystal is kept as soon as
it is there, and each finished comparison too. Both are kept under a key of the code and the settings, so
that results of other code are never taken for the present ones.
"""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from icewright.ground.errors import IcewrightError

KIND = "icewright.evidence"
SCHEMA = 1
PAGE = "evidence.md"
BUILT_IN = ("layer-fits", "broad-narrow")
DIFFUSIVITIES = ("1976", "1998", "1972")
FEW = 6  # so few crystals are grown here, without starting a worker

Told = Callable[[dict[str, Any]], None]


def evidence(
    out: str | Path,
    *,
    full: bool = False,
    kinetics: Sequence[str | Path] = (),
    diffusivities: Sequence[str] = (),
    only: Sequence[str] = (),
    workers: int | None = 1,
    cluster: str | None = None,
    again: bool = False,
    pictures: bool = True,
    on_progress: Told | None = None,
    command: str = "icewright.tasks.evidence.evidence(...)",
) -> dict[str, Any]:
    """Run the comparisons and write `OUT/evidence.md`, with data and pictures in `OUT/evidence/`.

    Args:
        out: folder of the page; made if it is not there.
        full: all temperatures, diffusivities, families and readings (minutes of work); else the quick
        version. kinetics: a user's own tables by file name, beside the two built-in ones.
        diffusivities: published formulas by name; all three in full, the default one in the quick version.
        only: names of comparisons; all of them if empty. The page holds those that are there.
        workers: processes to grow crystals in; None for one a core.
        cluster: address of a running scheduler instead.
        again: grow everything again, whatever is kept.
        pictures: draw them.
        on_progress: called with {"comparison", "index", "of", "done", "cells", "words"}.

    Returns:
        `page` (path), `level`, `comparisons` (name -> {"verdicts", "overall"}), `cells`, `grown_now`,
        `failed`.

    Raises:
        IcewrightError: for an unknown comparison, diffusivity or table.
        KeyboardInterrupt: passed on; what is finished stays.
    """
    from icewright.evidence import registry
    from icewright.evidence.cells import Shelf, fingerprint
    from icewright.evidence.model import Plan
    from icewright.notebook.files import write_json

    tables = _tables(kinetics)
    asked = tuple(diffusivities) or (DIFFUSIVITIES if full else DIFFUSIVITIES[:1])
    for d in asked:
        if d not in DIFFUSIVITIES:
            raise IcewrightError("No such diffusivity.", got=d, wanted="one of " + ", ".join(DIFFUSIVITIES))
    chosen = [registry.load(name) for name in (only or registry.names())]
    folder = Path(out) / "evidence"
    folder.mkdir(parents=True, exist_ok=True)
    level = "full" if full else "quick"
    shelf_path = folder / f"cells-{level}.jsonl"
    if again:
        shelf_path.unlink(missing_ok=True)
    plan = Plan(
        level="full" if full else "quick",
        tables=tables,
        diffusivities=asked,
        shelf=Shelf(shelf_path),
        spread=_spread(workers, cluster),
    )
    settings = {"level": level, "tables": [_named(t) for t in tables], "diffusivities": list(asked)}
    for index, comparison in enumerate(chosen):
        path, key = folder / f"{comparison.name}.json", _key(comparison.name, settings, tables)
        held = None if again else _held(path, key)

        def told(done: int, cells: int, words: str, name: str = comparison.title, index: int = index) -> None:
            if on_progress is not None:
                on_progress(
                    {
                        "comparison": name,
                        "index": index,
                        "of": len(chosen),
                        "done": done,
                        "cells": cells,
                        "words": words,
                    }
                )

        plan.told = told
        if held is not None:
            plan.used |= set(held["cells"])
            told(1, 1, "kept")
            continue
        before, plan.used = plan.used, set()
        finding = comparison.run(plan)
        write_json(
            path,
            KIND,
            SCHEMA,
            {
                "name": comparison.name,
                "key": key,
                "settings": settings,
                "code": fingerprint(),
                "title": comparison.title,
                "source": comparison.source,
                "states": comparison.states,
                "finding": finding.to_dict(),
                "cells": sorted(plan.used),
            },
        )
        plan.used |= before
    if not only:
        plan.shelf.tidy(plan.used)
    found = [
        json.loads((folder / f"{n}.json").read_text(encoding="utf-8"))
        for n in registry.names()
        if (folder / f"{n}.json").is_file()
    ]
    found = [f for f in found if f["settings"] == settings and f["code"] == fingerprint()]
    drawn: dict[str, str] = {}
    if pictures:
        from icewright.pictures.evidence_figures import draw

        drawn = {name: f"evidence/{path.name}" for name, path in draw(found, folder).items()}
    failed = plan.shelf.failures()
    page = Path(out) / PAGE
    head = {
        "command": command,
        "date": datetime.date.today().isoformat(),
        "level": level,
        "code": fingerprint(),
        "tables": settings["tables"],
        "diffusivities": list(asked),
        "cells": len({key for f in found for key in f["cells"]}),
        "failed": failed,
        "notes": _notes(tables),
        "in_docs": (Path(out) / "evidence-command.md").is_file(),
    }
    from icewright.evidence.page import write

    page.write_text(write(found, head=head, pictures=drawn), encoding="utf-8")
    return {
        "page": str(page),
        "level": level,
        "comparisons": {
            f["name"]: {
                "title": f["title"],
                "verdicts": f["finding"]["verdicts"],
                "overall": f["finding"]["overall"],
            }
            for f in found
        },
        "cells": head["cells"],
        "grown_now": plan.shelf.grown_now,
        "failed": failed,
        "pictures": list(drawn.values()),
    }


def comparisons() -> list[dict[str, str]]:
    """Name, question and source of every comparison."""
    from icewright.evidence import registry

    found = [registry.load(name) for name in registry.names()]
    return [{"name": c.name, "title": c.title, "source": c.source} for c in found]


def _tables(own: Sequence[str | Path]) -> tuple[str, ...]:
    """Built-in names, then absolute paths of the user's files, each read once so that slips are refused
    now.
    """
    from icewright import kinetics

    tables = list(BUILT_IN)
    for each in own:
        if str(each) in BUILT_IN:
            continue
        kinetics.load(each)
        tables.append(str(Path(each).resolve()))
    names = [_named(t) for t in tables]
    if len(set(names)) < len(names):
        raise IcewrightError(
            "Two kinetics would share a name on the page.",
            got=", ".join(names),
            wanted="files with different names",
            do="rename one of the files",
        )
    return tuple(tables)


def _named(table: str) -> str:
    from icewright.kinetics.family import Member

    return Member(table).name


def _key(name: str, settings: dict[str, Any], tables: Sequence[str]) -> str:
    """Hash of the code that compares and grows, the settings, and the content of users' tables."""
    from icewright import evidence as package
    from icewright.evidence.cells import fingerprint

    digest = hashlib.sha256(f"{name}{json.dumps(settings, sort_keys=True)}{fingerprint()}".encode())
    for path in sorted(Path(package.__file__).parent.glob("*.py")):
        digest.update(path.read_bytes())
    for table in tables:
        if table not in BUILT_IN:
            digest.update(Path(table).read_bytes())
    return digest.hexdigest()[:20]


def _held(path: Path, key: str) -> dict[str, Any] | None:
    """A finished comparison of the same code and settings, if it is there and whole."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return data if isinstance(data, dict) and data.get("key") == key else None


def _notes(tables: Sequence[str]) -> dict[str, str]:
    from icewright import kinetics

    out = {}
    for table in tables:
        made = kinetics.load(table)
        middle = min(max(258.15, made.valid_range_k[0]), made.valid_range_k[1])
        said = "; ".join(made.notes(middle).splitlines())
        out[_named(table)] = f"at {middle - 273.15:.0f} degC: {said}"
    return out


def _spread(workers: int | None, cluster: str | None) -> Any:
    """How cells are grown: here, in processes of this machine, or on a cluster."""
    from icewright.evidence.cells import one_by_one

    def spread(work: Any, cells: list[Any], landed: Any) -> None:
        if cluster is None and (workers == 1 or len(cells) <= FEW):
            one_by_one(work, cells, landed)
            return
        from icewright.sweep.executor import spread as over_workers

        def outcome(o: Any) -> None:
            landed(o.index, o.result if o.ok else {"readings": [], "failed": f"worker: {o.error}"})

        over_workers(work, cells, workers=workers, cluster=cluster, on_outcome=outcome)

    return spread
