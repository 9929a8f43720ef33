"""Photographs of measured folders opened and measured again, with and without the corrections of a hand."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Mapping
from math import isclose
from pathlib import Path
from typing import TYPE_CHECKING, Any

from icewright.bench import corrected_shapes as shapes
from icewright.bench.corrected_held import Held, size_of
from icewright.bench.corrected_view import reading
from icewright.bench.security import BenchError, inside
from icewright.bench.settings import Settings

if TYPE_CHECKING:
    from icewright.measure.scale import Scale

HELD = 3  # pictures kept ready to be measured again


class Again:
    """The photographs of one bench, the last few kept ready.

    Raises BenchError 403 for those outside of the chosen folder, 404 for those that are gone, 413 for those
    that are too large.
    """

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self._looking = threading.Lock()
        self._ready: OrderedDict[tuple[Any, ...], Any] = OrderedDict()

    def place(self, folder: Path, one: Mapping[str, Any]) -> Path:
        """Where a picture lies, which must be inside of the chosen folder."""
        from icewright.tasks.corrected import places

        root, outside = self.settings.folder, False
        for path in places(folder, one):
            try:
                real = path.resolve()
                if not real.is_file():
                    continue
                return inside(root, *real.relative_to(root).parts)
            except (OSError, ValueError, BenchError):
                outside = True
        if outside:
            raise BenchError(
                403,
                f"{one['name']} lies outside of the bench's folder."[:200],
                do="put the pictures into the folder, or start the bench with --folder above both",
            )
        raise BenchError(404, f"{one['name']} is not where it was measured."[:200], do="put it back")

    def located(self, held: Held) -> Path:
        """Where the photograph lies."""
        return self.place(held.folder, held.one)

    def loaded(self, held: Held) -> Any:
        """Its pixels, float32[rows, columns, channels] from 0 to 1."""
        from icewright.measure import images
        from icewright.tasks.corrected import item_of

        path = self.located(held)
        width, height = size_of(path)
        if width * height > self.settings.photo_pixels:
            raise BenchError(
                413,
                "The picture has too many pixels for the page.",
                got=f"{width} x {height}",
                wanted=f"{self.settings.photo_pixels // 1_000_000} million at most",
                do="crop it, or write the correction as docs/correcting.md says",
            )
        return images.load(item_of(held.one, path, str(held.options.get("stack", "auto"))))

    def ready(self, held: Held, scale: Scale) -> Any:
        """The picture ready to be measured again; looked through once for each ratio of pitches."""
        from icewright.measure.reading import ready as look

        path = self.located(held)
        least_um = held.options.get("least_um")
        least_m = None if least_um is None else float(least_um) * 1e-6 * scale.pixel_m / held.scale.pixel_m
        about = path.stat()
        key = (path, held.name, about.st_mtime_ns, about.st_size, least_um, f"{scale.x_m / scale.y_m:.12g}")
        with self._looking:
            if key not in self._ready:
                self._ready[key] = look(self.loaded(held), scale, least_m=least_m)
                while len(self._ready) > HELD:
                    self._ready.popitem(last=False)
            self._ready.move_to_end(key)
            return self._ready[key]

    def now(
        self, held: Held, number: int, scale: Scale, hand: Mapping[str, Any]
    ) -> shapes.MeasuredReading | None:
        """A crystal as it is with its corrections; None where nothing has that number any more."""
        plain = self._measured(held, number, scale, hand)
        if plain is None:
            return None
        # What a number hangs on is found out by measuring without each of the corrections.
        hangs: dict[str, list[shapes.Kind]] = {}
        kinds: list[tuple[shapes.Kind, Scale, dict[str, Any]]] = []
        if scale is not held.scale:
            kinds.append(("scale", held.scale, dict(hand)))
        if "centre_px" in hand:
            kinds.append(("centre", scale, {k: v for k, v in hand.items() if k != "centre_px"}))
        if "outline_px" in hand:
            kinds.append(("outline", scale, {k: v for k, v in hand.items() if k != "outline_px"}))
        for kind, without_scale, without in kinds:
            other = self._measured(held, number, without_scale, without)
            values = other["values"] if other is not None else {}
            for name, (value, u) in plain["values"].items():
                before = values.get(name)
                if before is None or not _same(before, (value, u)):
                    hangs.setdefault(name, []).append(kind)
        return reading(plain, scale, hangs)

    def _measured(
        self, held: Held, number: int, scale: Scale, hand: Mapping[str, Any]
    ) -> dict[str, Any] | None:
        from icewright.measure.reading import read_ready
        from icewright.tasks.measure import _plain_reading

        it = self.ready(held, scale)
        got = read_ready(
            it, scale, view=str(held.options.get("view", "auto")), by_hand={number: hand} if hand else None,
            only=number,
        )  # fmt: skip
        return _plain_reading(got[0], scale) if got else None


def _same(a: Any, b: Any) -> bool:
    return all(isclose(x, y, rel_tol=1e-9, abs_tol=1e-18) for x, y in zip(a, b, strict=True))
