"""Draw a grown crystal as a microscope would show it, with its truth beside it; or a set of test pictures."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from icewright.ground.errors import IcewrightError
from icewright.ground.units import minutes

if TYPE_CHECKING:
    from icewright.pictures.microscope import Specimen
    from icewright.recipe.model import Recipe
    from icewright.shape.solid import Solid

Progress = Callable[[dict[str, Any]], None]
DEFOCUS_UM = {"perfect": 0.0, "good": 2.0, "fair": 6.0, "poor": 14.0}
FILLS = 0.62  # share of the picture's height that a crystal takes if no pitch is given


class StoppedShortError(IcewrightError):
    """The crystal's growth was stopped before its end; the same command goes on."""


def specimen(
    run_or_recipe: str | Path,
    out_dir: str | Path,
    *,
    lights: Sequence[str] = ("bright-field",),
    quality: str = "good",
    frame: int = -1,
    every_frame: bool = False,
    pixels: tuple[int, int] = (700, 500),
    pitch_um: tuple[float, float] | None = None,
    orientation_deg: float = 0.0,
    tilt_deg: float = 0.0,
    side: bool | None = None,
    defocus_um: float | None = None,
    objective_na: float = 0.14,
    bits: int | None = None,
    droplets_per_mm2: float | None = None,
    seed: int = 1,
    on_progress: Progress | None = None,
    on_drawn: Progress | None = None,
) -> list[dict[str, Any]]:
    """Draw the crystal of a run, or of a recipe that is grown first into ``out_dir/run``.

    Parameters
    ----------
    lights : one picture each: bright-field, dark-field, oblique, two-colour.
    quality : perfect, good, fair or poor: noise, uneven light, dust, droplets, focus.
    frame : which of the run's frames; ``every_frame`` draws all of them with one camera, a growth series.
    pitch_um : width and height of a pixel; left out, square ones that let the crystal fill the picture well.
    side : lay the c axis into the picture; left out, done for what is longer than wide.
    defocus_um, bits, droplets_per_mm2 : instead of what the quality brings.
    on_progress : told of growing, as in `icewright.tasks.grow.grow`; on_drawn : of each picture.

    Returns
    -------
    A record for each picture: ``picture``, ``truth`` (its JSON), ``overlay``, ``light``, ``time_s`` and the
    truth's main numbers. Pictures of one call are named by light, and by frame in a series.

    Raises
    ------
    IcewrightError : no such run or frame, words or numbers that cannot be; StoppedShortError : Ctrl-C.
    """
    from icewright.pictures import microscope, microscope_body
    from icewright.pictures.microscope_camera import Camera
    from icewright.pictures.microscope_optics import Light
    from icewright.pictures.specimen_set import graded

    lamps = [Light(name, objective_na=objective_na) for name in lights]
    rng = np.random.default_rng(seed)
    # A camera that cannot be is refused before anything is grown.
    camera = graded(Camera((pixels[0], pixels[1]), pitch_um or (1.0, 1.0)), quality, rng)
    out = Path(out_dir)
    moments = list(_moments(Path(run_or_recipe), out, frame, every_frame, on_progress))
    last = moments[-1][2]
    on_side = _longer_than_wide(last) if side is None else side
    if pitch_um is None:
        pitch = _fitting_pitch(last, on_side, camera.pixels)
        camera = replace(camera, pitch_um=(pitch, pitch))
    if bits is not None:
        camera = replace(camera, bits=bits)
    if droplets_per_mm2 is not None:
        camera = replace(camera, droplets_per_mm2=droplets_per_mm2)
    defocus = DEFOCUS_UM[quality] * float(rng.uniform(-1, 1)) if defocus_um is None else defocus_um
    turn = microscope_body.lying(
        orientation_deg=orientation_deg,
        tilt_deg=tilt_deg,
        tilt_towards_deg=float(rng.uniform(0, 360)),
        side=on_side,
    )
    drawn = []
    for number, time_s, solid in moments:
        crystal = microscope_body.body(solid, turn)
        for lamp in lamps:
            name = f"{lamp.name}-{number:04d}" if every_frame else lamp.name
            seen = microscope.draw(
                crystal,
                lamp,
                camera,
                side=on_side,
                defocus_um=defocus,
                seed=seed + (number if every_frame else 0),
            )
            seen.truth.update({"grade": quality, "time_s": time_s, "frame": number})
            drawn.append(_keep(seen, out, name))
            if on_drawn is not None:
                on_drawn({**drawn[-1], "done": len(drawn), "of": len(moments) * len(lamps)})
    return drawn


def specimen_set(
    count: int,
    out_dir: str | Path,
    *,
    seed: int = 1,
    light: str | None = None,
    quality: str | None = None,
    on_drawn: Progress | None = None,
) -> list[dict[str, Any]]:
    """Write ``count`` varied specimens drawn by rule, from perfect to poor; see `pictures.specimen_set`.

    Pictures that are there already, with the same seed, light and quality, are kept: an interrupted set goes
    on. Returns a record for each, as `specimen`.

    Raises
    ------
    IcewrightError : no count, or words that cannot be.
    """
    from icewright.pictures import specimen_set as drawn_set

    if not 1 <= count <= 9999:
        raise IcewrightError("How many specimens.", got=str(count), wanted="1 to 9999", do="--set 60")
    out = Path(out_dir)
    wanted = {"set_seed": seed, "asked_light": light, "asked_quality": quality}
    drawn = []
    for number in range(count):
        name = f"specimen-{number:04d}"
        there = _there(out, name, wanted)
        if there is None:
            seen = drawn_set.specimen(number, seed=seed, light=light, grade=quality)
            seen.truth.update(wanted)
            drawn.append(_keep(seen, out, name))
        else:
            drawn.append(_record(out, name, there))
        if on_drawn is not None:
            on_drawn({**drawn[-1], "done": number + 1, "of": count})
    return drawn


def _moments(
    given: Path, out: Path, frame: int, every: bool, on_progress: Progress | None
) -> Iterator[tuple[int, float, Solid]]:
    """Number, time and crystal of each frame that is to be drawn."""
    from icewright.notebook.store import RunFolder
    from icewright.tasks.crystals import Frames

    folder = given if given.is_dir() else _grown(given, out / "run", on_progress)
    RunFolder(folder).read_run()
    frames = Frames(folder)
    if not len(frames):
        raise IcewrightError(f"The run in {folder} has no frame yet.", do=f"icewright grow --resume {folder}")
    if every:
        for place, number in enumerate(frames.indices):
            time_s, solid = frames[place]
            if solid.ice.any():
                yield number, time_s, solid
        return
    if not -len(frames) <= frame < len(frames):
        raise IcewrightError(
            "The run has no such frame.",
            got=f"--frame {frame}",
            wanted=f"0 to {len(frames) - 1}, or -1 for the last",
        )
    time_s, solid = frames[frame]
    yield frames.indices[frame], time_s, solid


def _grown(recipe: Path, folder: Path, on_progress: Progress | None) -> Path:
    from icewright.notebook.store import RunFolder
    from icewright.recipe import files
    from icewright.tasks.grow import grow

    planned = files.read_planned(recipe)
    run = RunFolder(folder)
    there = run.run.is_file()
    if there:
        held = files.read(run.recipe)
        if not _same(held, planned.recipe):
            raise IcewrightError(
                f"{folder} holds the crystal of another recipe.",
                wanted="the recipe that is to be drawn",
                do=f"another --out, or: icewright specimen {folder} --out DIR",
            )
    done = grow(None if there else planned, folder, resume=there, on_progress=on_progress, pictures=False)
    if not done.complete:
        raise StoppedShortError(
            "Growth was stopped.", got=str(folder), do="the same command again: it goes on from there"
        )
    return folder


def _same(one: Recipe, other: Recipe) -> bool:
    """Whether two recipes grow the same crystal; the table's own place does not matter."""
    plain = [recipe.model_copy(update={"kinetics": Path(recipe.kinetics).name}) for recipe in (one, other)]
    own = {"kinetics.toml", Path(other.kinetics).name}  # a run keeps its copy of a table under one name
    if {Path(one.kinetics).name, Path(other.kinetics).name} <= own and one.kinetics.endswith(".toml"):
        plain = [recipe.model_copy(update={"kinetics": ""}) for recipe in plain]
    return plain[0] == plain[1]


def _longer_than_wide(solid: Solid) -> bool:
    from icewright.shape.sizes import measure

    return measure(solid).aspect_ratio > 1.0


def _fitting_pitch(solid: Solid, side: bool, pixels: tuple[int, int]) -> float:
    from icewright.shape.sizes import measure

    sizes = measure(solid)
    across = 2e6 * sizes.radius_max_m
    if side:
        across = max(across, 1e6 * sizes.thickness_m)
    # Two digits: a pitch that a person would write down.
    return float(f"{across / (FILLS * min(pixels)):.2g}")


def _keep(seen: Specimen, out: Path, name: str) -> dict[str, Any]:
    from icewright.notebook.files import guard
    from icewright.pictures import microscope

    with guard(out):
        microscope.write(seen, out, name)
    return _record(out, name, microscope.read_truth(out / f"{name}.json"))


def _record(out: Path, name: str, truth: dict[str, Any]) -> dict[str, Any]:
    plan = truth["view"] == "plan"
    more = ("radius_tip_um", "radius_facet_um") if plan else ("length_um", "width_um")
    keep = ("view", "pitch_um", "area_um2", "orientation_deg", "grade", "habit", "flaw", "frame", *more)
    record: dict[str, Any] = {
        "picture": str(out / truth["picture"]),
        "truth": str(out / f"{name}.json"),
        "overlay": str(out / f"{name}-truth.png"),
        "light": truth["drawn"]["light"]["name"],
    }
    if "time_s" in truth:
        record["time_min"] = minutes(float(truth["time_s"]))
    return record | {key: truth[key] for key in keep if key in truth}


def _there(out: Path, name: str, wanted: dict[str, Any]) -> dict[str, Any] | None:
    from icewright.pictures import microscope

    try:
        truth = microscope.read_truth(out / f"{name}.json")
    except IcewrightError:
        return None
    same = all(truth.get(key, "") == value for key, value in wanted.items())
    files = (out / str(truth.get("picture")), out / f"{name}-truth.png")
    return truth if same and all(path.is_file() for path in files) else None
