"""Measured folders on the page: what was found, what a hand corrected, and what is measured from both.

What the program found (`readings.json`) is only read. Corrections go into `corrections.json` beside it
(`icewright.measure.corrections`), the same file that `icewright measure` lays over what it finds.
"""

from __future__ import annotations

import io
import shutil
import threading
from collections import OrderedDict
from collections.abc import Mapping
from math import isclose
from pathlib import Path
from typing import TYPE_CHECKING, Any

from icewright.bench import corrected_shapes as shapes
from icewright.bench.corrected_held import READINGS, Held, check_outline, scale_by_hand, size_of, walk
from icewright.bench.corrected_view import brief, reading, scale_view, written_under
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
HELD = 3  # pictures kept ready to be measured again


class Desk:
    """The measured folders of one bench; every method may be called from any thread.

    Raises BenchError 404 for what is not here, 403 for what lies outside of the chosen folder, and the errors
    of `icewright.measure` for files that are damaged.
    """

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self._writing, self._measuring, self._looking = (threading.Lock() for _ in range(3))
        self._ready: OrderedDict[tuple[Any, ...], Any] = OrderedDict()
        self._found: OrderedDict[tuple[Path, int, int], dict[str, Any]] = OrderedDict()

    # -- folders ---------------------------------------------------------------------------------------------

    def listed(self) -> list[shapes.MeasurementBrief]:
        """Measured folders below the chosen one, newest first."""
        out = []
        for path in walk(self.settings.folder, _DEPTH):
            name = "~".join(path.relative_to(self.settings.folder).parts)
            try:
                self.folder(name)
            except BenchError:
                continue  # its name cannot be asked for
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
            path = self._located(held)
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
        values = self._loaded(held)
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
        self._again(held, corrections.scale_of(held.fixes, held.name, held.scale))

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
        with self._measuring:
            done = corrected.rewrite(
                folder, locate=lambda one: self._place(folder, one), workers=1, pictures=True
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

    def _place(self, folder: Path, one: Mapping[str, Any]) -> Path:
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

    def _located(self, held: Held) -> Path:
        return self._place(held.folder, held.one)

    def _loaded(self, held: Held) -> Any:
        from icewright.measure import images
        from icewright.tasks.corrected import item_of

        path = self._located(held)
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

    def _again(self, held: Held, scale: Scale) -> Any:
        """The picture ready to be measured again; looked through once for each ratio of pitches."""
        from icewright.measure.reading import ready

        path = self._located(held)
        least_um = held.options.get("least_um")
        least_m = None if least_um is None else float(least_um) * 1e-6 * scale.pixel_m / held.scale.pixel_m
        about = path.stat()
        key = (path, held.name, about.st_mtime_ns, about.st_size, least_um, f"{scale.x_m / scale.y_m:.12g}")
        with self._looking:
            if key not in self._ready:
                self._ready[key] = ready(self._loaded(held), scale, least_m=least_m)
                while len(self._ready) > HELD:
                    self._ready.popitem(last=False)
            self._ready.move_to_end(key)
            return self._ready[key]

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
            now = self._now(held, number, scale, hand) if measure else None
        return shapes.CrystalView(number=number, found=found, now=now, by_hand=by_hand)

    def _now(
        self, held: Held, number: int, scale: Scale, hand: Mapping[str, Any]
    ) -> shapes.MeasuredReading | None:
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

        it = self._again(held, scale)
        got = read_ready(
            it, scale, view=str(held.options.get("view", "auto")), by_hand={number: hand} if hand else None,
            only=number,
        )  # fmt: skip
        return _plain_reading(got[0], scale) if got else None


def _same(a: Any, b: Any) -> bool:
    return all(isclose(x, y, rel_tol=1e-9, abs_tol=1e-18) for x, y in zip(a, b, strict=True))
