"""Measured folders on the page: what was found, what a hand corrected, and what is measured from both.

What the program found (`readings.json`) is only read. Corrections go into `corrections.json` beside it
(`icewright.measure.corrections`), the same file that `icewright measure` lays over what it finds.
"""

from __future__ import annotations

import io
import shutil
import threading
from collections import OrderedDict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from icewright.bench import corrected_shapes as shapes
from icewright.bench.corrected_again import HELD, Again
from icewright.bench.corrected_held import (
    READINGS,
    Held,
    check_outline,
    no_links,
    scale_by_hand,
    size_of,
    walk,
)
from icewright.bench.corrected_view import brief, reading, refused, scale_view, written_under
from icewright.bench.security import BenchError, inside, plain_name
from icewright.bench.settings import Settings
from icewright.ground.errors import IcewrightError

if TYPE_CHECKING:
    from icewright.measure.scale import Scale

FILES = ("growth-series.csv", "growth-series.nc", "corrections.json", "readings.json", "curves.png")
_DEPTH, _MOST = 3, 500  # folders below the chosen one; how many are listed
_SIDE = 4096  # shown no larger: a screen shows no more
_LARGEST = 200_000_000  # bytes of a readings.json
_MOST_ADDED = 20  # crystals that a hand may add to a picture


class Desk:
    """The measured folders of one bench; every method may be called from any thread.

    Raises BenchError 404 for what is not here, 403 for what lies outside of the chosen folder, and the errors
    of `icewright.measure` for files that are damaged.
    """

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self._writing, self._measuring = threading.Lock(), threading.Lock()
        self._again = Again(settings)
        self._found: OrderedDict[tuple[Path, int, int], dict[str, Any]] = OrderedDict()

    # -- folders ---------------------------------------------------------------------------------------------

    def listed(self) -> list[shapes.MeasurementBrief]:
        """Measured folders below the chosen one, newest first."""
        out = []
        for path in walk(self.settings.folder, _DEPTH):
            name = "~".join(path.relative_to(self.settings.folder).parts)
            try:
                self.folder(name)
            except BenchError as error:
                if error.status != 400:  # else its name cannot be asked for
                    out.append(refused(name, error))
                continue
            out.append(brief(name, path))
            if len(out) >= _MOST:
                break
        return sorted(out, key=lambda b: -b.changed)

    def folder(self, name: str) -> Path:
        """The measured folder of that name, `~` for a slash."""
        path = inside(self.settings.folder, *(plain_name(part) for part in name.split("~")))
        file = path / READINGS
        if not file.is_file() or file.is_symlink():
            raise BenchError(404, "There is no such measured folder.", got=name[:100])
        no_links(path)
        if file.stat().st_size > _LARGEST:
            raise BenchError(413, "What was measured there is too much for the page.", got=name[:100])
        return path

    def measurement(self, name: str) -> shapes.Measurement:
        """A folder with its pictures in a line each."""
        from icewright.measure import corrections
        from icewright.tasks import corrected

        folder = self.folder(name)
        found, fixes = self._read(folder), corrections.read(folder)
        scale = corrected.scale_found(found)
        by_all = [c for c in fixes if c.picture == "*"]
        touched = {c.picture for c in fixes}
        pictures = []
        for k, one in enumerate(found["pictures"], start=1):
            readings = one.get("readings") or []
            pictures.append(
                shapes.PictureBrief(
                    number=k,
                    name=str(one["name"]),
                    time_s=one.get("time_s"),
                    crystals=len(readings),
                    quality=str(readings[0]["quality"]) if readings else "",
                    problem=str(one.get("problem") or ""),
                    corrected=bool(by_all) or one["name"] in touched,
                )
            )
        all_scale = corrections.scale_of(by_all, "", scale)
        return shapes.Measurement(
            name=name,
            scale_found=scale_view(scale),
            scale_all=scale_view(all_scale) if all_scale is not scale else None,
            pictures=pictures,
            corrections=len(fixes),
            stale=written_under(folder) != corrections.digest(fixes),
            files=[f for f in FILES if (folder / f).is_file()],
        )

    # -- pictures --------------------------------------------------------------------------------------------

    def picture(self, name: str, number: int) -> shapes.PictureView:
        """A picture with all of its crystals, as found and as they are now."""
        from icewright.measure import corrections

        held = self._held(name, number)
        numbers = sorted({*held.found, *held.by_hand(), *held.left_out()})
        width, height = held.size
        why = ""
        try:
            path = self._again.located(held)
            if not (width and height):
                width, height = size_of(path)
        except IcewrightError as error:
            why = " ".join(part for part in (error.message or str(error), error.do) if part)
        own = [c for c in held.fixes if c.scale_um and c.picture == held.name]
        every = [c for c in held.fixes if c.scale_um and c.picture == "*"]
        said = (own or every)[-1:] if own or every else []
        return shapes.PictureView(
            number=number,
            name=held.name,
            time_s=held.one.get("time_s"),
            width=width,
            height=height,
            shown=not why,
            why=why,
            scale_found=scale_view(held.scale),
            scale_now=scale_view(corrections.scale_of(held.fixes, held.name, held.scale)),
            scale_by_hand="picture" if own else "all" if every else "",
            scale_note=said[0].note if said else "",
            crystals=[self._crystal(held, n, measure=not why) for n in numbers],
        )

    def image(self, name: str, number: int) -> bytes:
        """The photograph as PNG of 8 bits, made smaller if need be; dim ones are brightened for the eye."""
        import numpy as np
        from PIL import Image

        held = self._held(name, number)
        values = self._again.loaded(held)
        low, high = (float(v) for v in np.percentile(values[::3, ::3], (0.1, 99.9)))
        if high - low < 0.35:
            values = (values - low) / max(high - low, 1e-6) * 0.92 + 0.04
        grey = np.clip(values * 255.0 + 0.5, 0, 255).astype(np.uint8)
        image = Image.fromarray(grey if grey.shape[2] == 3 else grey[:, :, 0])
        image.thumbnail((_SIDE, _SIDE))
        out = io.BytesIO()
        image.save(out, "PNG", compress_level=2)
        return out.getvalue()

    def make_ready(self, name: str, number: int) -> None:
        """Look through a picture beforehand: its first correction is then measured as quickly as others."""
        from icewright.measure import corrections

        held = self._held(name, number)
        self._again.ready(held, corrections.scale_of(held.fixes, held.name, held.scale))

    # -- corrections -----------------------------------------------------------------------------------------

    def correct(self, name: str, number: int, crystal: int, asked: shapes.ByHand) -> shapes.CrystalView:
        """Let exactly this hold for a crystal; all null is "as found"."""
        from icewright.measure import corrections

        with self._writing:
            held = self._held(name, number)
            known = {*held.found, *held.by_hand()}
            added = crystal - len(held.found)
            if crystal not in known and (crystal < 1 or added > _MOST_ADDED or asked.outline_px is None):
                raise BenchError(
                    404, "There is no such crystal.", got=f"crystal {crystal} of {held.name}"[:200],
                    wanted=", ".join(map(str, sorted(known))) or "one with an outline",
                )  # fmt: skip
            loop = None
            if asked.outline_px is not None:
                loop = tuple(asked.outline_px)
                check_outline(loop, held.size)
            new = []
            if asked.centre_px is not None or loop is not None or asked.leave_out:
                note = " ".join(asked.note.split())
                new = [
                    corrections.Correction(
                        held.name, crystal, None, asked.centre_px, loop, asked.leave_out, note
                    )
                ]
            corrections.put(held.folder, held.name, crystal, new)
        return self._crystal(self._held(name, number), crystal, measure=True)

    def scale(self, name: str, number: int, asked: shapes.CorrectScale) -> shapes.PictureView:
        """Another scale for a picture or for all; neither a number nor points: as found."""
        from icewright.measure import corrections

        with self._writing:
            held = self._held(name, number)
            place = "*" if asked.for_all else held.name
            new = scale_by_hand(asked, corrections.scale_of(held.fixes, held.name, held.scale), place)
            corrections.put(held.folder, place, 0, [new] if new else [])
            if asked.for_all:  # else what was said of this picture alone would still hold for it
                corrections.put(held.folder, held.name, 0, [])
        return self.picture(name, number)

    def rewrite(self, name: str) -> shapes.SeriesWritten:
        """Write the series of a folder anew with its corrections."""
        from icewright.tasks import corrected

        folder = self.folder(name)
        for below in ("kept", "tiles"):
            no_links(folder / below)
        with self._measuring:
            done = corrected.rewrite(
                folder, locate=lambda one: self._again.place(folder, one), workers=1, pictures=True
            )
        return shapes.SeriesWritten(
            rows=done["readings"],
            corrected=done["corrected"],
            left_out=done["left_out"],
            words=done["words"],
            files=[f for f in FILES if (folder / f).is_file()],
        )

    def measure(self, data: bytes, file: str, name: str, scale: Scale, view: str) -> shapes.Measurement:
        """Measure a photograph that was sent: it gets a folder of its own, of which only pixels are kept."""
        from icewright.bench.corrected_photo import kept_picture
        from icewright.tasks import measure as task

        with self._measuring:
            folder, path = kept_picture(data, file, name, self.settings)
            try:
                task.measure([path], scale, folder, view=view, workers=1)
            except BaseException:
                # Half a folder would be in the way of the next try under its name.
                shutil.rmtree(folder, ignore_errors=True)
                raise
        return self.measurement(folder.name)

    def file(self, name: str, file: str) -> Path:
        """A file of a measured folder that may be taken away."""
        path = self.folder(name) / file
        if file not in FILES or not path.is_file() or path.is_symlink():
            raise BenchError(404, "There is no such file there.", got=file[:100], wanted=", ".join(FILES))
        return path

    # -- inside ----------------------------------------------------------------------------------------------

    def _read(self, folder: Path) -> dict[str, Any]:
        """What was found, read again only when the file has changed: a long series is a large file."""
        from icewright.tasks import corrected

        about = (folder / READINGS).stat()
        key = (folder, about.st_mtime_ns, about.st_size)
        known = self._found.get(key)
        if known is None:
            known = self._found[key] = corrected.read_found(folder)
            while len(self._found) > HELD:
                self._found.popitem(last=False)
        return known

    def _held(self, name: str, number: int) -> Held:
        from icewright.measure import corrections
        from icewright.tasks import corrected

        folder = self.folder(name)
        found = self._read(folder)
        if not 1 <= number <= len(found["pictures"]):
            raise BenchError(404, "There is no such picture.", got=str(number)[:40])
        one = found["pictures"][number - 1]
        return Held(
            folder, one, corrected.scale_found(found), dict(found["options"]), corrections.read(folder)
        )

    def _crystal(self, held: Held, number: int, *, measure: bool) -> shapes.CrystalView:
        from icewright.measure import corrections

        plain = held.found.get(number)
        found = reading(plain, held.scale, {}) if plain is not None else None
        said = [c for c in held.fixes if (c.picture, c.number) == (held.name, number)]
        hand = held.by_hand().get(number, {})
        by_hand = shapes.ByHand(
            centre_px=hand.get("centre_px"),
            outline_px=[(float(x), float(y)) for x, y in hand["outline_px"][:-1]]
            if "outline_px" in hand
            else None,
            leave_out=bool(corrections.for_crystal(held.fixes, held.name, number).get("leave_out")),
            note=said[-1].note[:200] if said else "",
        )
        scale = corrections.scale_of(held.fixes, held.name, held.scale)
        now = found
        if hand or scale is not held.scale:
            now = self._again.now(held, number, scale, hand) if measure else None
        return shapes.CrystalView(number=number, found=found, now=now, by_hand=by_hand)
