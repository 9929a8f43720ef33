"""Source in, pages out: the typesetter, with fonts that lie on this machine already.

Sans and mono come with the plotting library, and nothing is fetched: the same page everywhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

from icewright.ground.errors import IcewrightError


def pdf(files: Mapping[str, bytes], made: str = "") -> bytes:
    """The PDF of ``main.typ`` and the files that it reads; ``made`` is its date, ISO 8601.

    Raises ``IcewrightError`` if the typesetter refuses the source, which is a fault of ours.
    """
    found = _set(files, format="pdf", **_date(made))
    return found if isinstance(found, bytes) else found[0]


def pngs(files: Mapping[str, bytes], ppi: float = 160.0) -> list[bytes]:
    """Each page as a PNG. Raises as `pdf`."""
    found = _set(files, format="png", ppi=ppi)
    return [found] if isinstance(found, bytes) else list(found)


def _set(files: Mapping[str, bytes], **how: Any) -> Any:
    import tempfile

    import typst

    # Held in memory the typesetter takes text only; pictures must lie on the disk.
    with tempfile.TemporaryDirectory(prefix="icewright-sheet-") as name:
        folder = Path(name)
        for key, content in files.items():
            (folder / key).write_bytes(content)
        try:
            return typst.compile(folder / "main.typ", root=folder, font_paths=_fonts(), **how)
        except typst.TypstError as error:
            raise IcewrightError("The sheet could not be set.", got=str(error)[:300]) from error


@cache
def _fonts() -> Any:
    import matplotlib
    import typst

    held = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    return typst.Fonts(include_system_fonts=False, font_paths=[str(held)])


def _date(made: str) -> dict[str, Any]:
    try:
        moment = datetime.fromisoformat(made)
    except ValueError:
        return {}
    return {"timestamp": moment if moment.tzinfo else moment.replace(tzinfo=UTC)}


def page_count(written: bytes) -> int:
    """Pages of a PDF that `pdf` made."""
    import re

    # The typesetter leaves the tree of pages uncompressed; its root says how many there are.
    found = [int(n) for n in re.findall(rb"/Type\s*/Pages[^>]*?/Count\s+(\d+)", written)]
    return max(found, default=0)
