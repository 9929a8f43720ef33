"""A set of drawn specimens from perfect to poor, for testing a way of measuring, ours or a user's own.

All crystals are drawn by rule (`shape.specimens` and plain prisms), none was grown. Everything left to
chance follows from the seed and the number, so specimen 17 of seed 1 is the same whenever it is asked for.
Pictures are never square and pixels rarely are.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from icewright.ground.errors import IcewrightError
from icewright.pictures.microscope import Specimen, draw
from icewright.pictures.microscope_body import Body, body, lying, prism
from icewright.pictures.microscope_camera import Camera
from icewright.pictures.microscope_optics import LIGHTS, Light
from icewright.shape import specimens

GRADES = ("perfect", "good", "fair", "poor")
HABITS = (
    "plate",
    "sectored plate",
    "star",
    "plain star",
    "hexagram",
    "column",
    "hollow column",
    "capped column",
)
SIDE_HABITS = ("column", "hollow column", "capped column")
FLAWS = ("none", "touching edge", "overlapping", "out of focus")
UM = 1e-6


def specimen(
    number: int,
    *,
    seed: int = 1,
    grade: str | None = None,
    light: str | None = None,
    habit: str | None = None,
    flaw: str | None = None,
) -> Specimen:
    """Draw one specimen of the set.

    Parameters
    ----------
    number : 0, 1, ...; grades change fastest, then lights, then habits, and every eleventh has a flaw.
    grade, light, habit, flaw : fixed instead of by number; see GRADES, LIGHTS, HABITS, FLAWS.

    Returns
    -------
    Specimen : its truth also says ``grade``, ``habit``, ``flaw`` and ``number``.

    Raises
    ------
    IcewrightError : a word that is none of these.
    """
    grade = GRADES[number % 4] if grade is None else grade
    light = LIGHTS[(number // 4) % 4] if light is None else light
    habit = HABITS[(number // 4 + number // 16) % len(HABITS)] if habit is None else habit
    flaw = (FLAWS[1 + (number // 11) % 3] if number % 11 == 10 else "none") if flaw is None else flaw
    for word, known, name in ((grade, GRADES, "grade"), (habit, HABITS, "habit"), (flaw, FLAWS, "flaw")):
        if word not in known:
            raise IcewrightError(f"No such {name}.", got=repr(word), wanted=" | ".join(known))
    rng = np.random.default_rng([seed, number])
    side = habit in SIDE_HABITS
    camera = _camera(grade, rng)
    lamp = Light(light, from_deg=float(rng.uniform(0, 360)))
    reach = 0.5 * min(camera.pixels[0] * camera.pitch_um[0], camera.pixels[1] * camera.pitch_um[1])
    reach *= float(rng.uniform(0.5, 0.8))
    crystal = _crystal(habit, reach, grade, rng)
    columns, rows = camera.pixels
    defocus = {"perfect": 0.0, "good": 3.0, "fair": 8.0, "poor": 18.0}[grade] * float(rng.uniform(-1, 1))
    jitter = 0.12
    place = (
        (columns - 1) / 2 + float(rng.uniform(-jitter, jitter)) * (columns / 2 - reach / camera.pitch_um[0]),
        (rows - 1) / 2 + float(rng.uniform(-jitter, jitter)) * (rows / 2 - reach / camera.pitch_um[1]),
    )
    neighbours: list[Body] = []
    if flaw == "touching edge":
        place = (float(rng.uniform(0.2, 0.6)) * reach / camera.pitch_um[0], place[1])
    elif flaw == "out of focus":
        defocus = float(rng.choice([-1.0, 1.0]) * rng.uniform(120.0, 200.0))
    elif flaw == "overlapping":
        other = _crystal(habit, 0.7 * reach, grade, rng)
        away = float(rng.uniform(0, 2 * math.pi))
        over = float(np.ptp(crystal.vertices_um[:, 2]) + np.ptp(other.vertices_um[:, 2])) / 2 + 1.0
        neighbours = [other.shifted(reach * math.cos(away), reach * math.sin(away), over)]
    drawn = draw(
        crystal,
        lamp,
        camera,
        side=side,
        centre_px=place,
        defocus_um=defocus,
        neighbours=neighbours,
        seed=int(rng.integers(2**31)),
    )
    drawn.truth.update({"habit": habit, "grade": grade, "flaw": flaw, "number": number, "set_seed": seed})
    return drawn


def specimen_set(
    count: int,
    *,
    seed: int = 1,
    grade: str | None = None,
    light: str | None = None,
    habit: str | None = None,
    flaw: str | None = None,
) -> Iterator[Specimen]:
    """Specimens 0 to ``count - 1``, drawn one by one as they are asked for; see `specimen`."""
    for number in range(count):
        yield specimen(number, seed=seed, grade=grade, light=light, habit=habit, flaw=flaw)


def _camera(grade: str, rng: np.random.Generator) -> Camera:
    wide = int(rng.integers(300, 380)) * 2
    high = int(rng.integers(210, 270)) * 2
    pitch = float(rng.uniform(0.8, 1.4))
    ratio = float(rng.choice([1.0, rng.uniform(0.85, 1.2)], p=[0.3, 0.7]))
    return graded(Camera((wide, high), (pitch, pitch * ratio)), grade, rng)


def graded(camera: Camera, grade: str, rng: np.random.Generator) -> Camera:
    """The same camera and field as they are on a perfect, good, fair or poor day.

    Raises IcewrightError for another word.
    """
    if grade not in GRADES:
        raise IcewrightError("No such grade.", got=repr(grade), wanted=" | ".join(GRADES))
    if grade == "perfect":
        return replace(camera, electrons=0.0, read_electrons=0.0, bits=16)
    if grade == "good":
        return replace(camera, electrons=20_000.0, read_electrons=10.0, bits=8, uneven=0.05)
    if grade == "fair":
        return replace(
            camera,
            electrons=6_000.0,
            read_electrons=25.0,
            bits=8,
            uneven=float(rng.uniform(0.08, 0.2)),
            dust=int(rng.integers(2, 7)),
            droplets_per_mm2=float(rng.uniform(0, 150)),
        )
    return replace(
        camera,
        electrons=1_200.0,
        read_electrons=25.0,
        bits=8,
        exposure=float(rng.uniform(0.4, 0.95)),
        uneven=float(rng.uniform(0.2, 0.4)),
        dust=int(rng.integers(5, 15)),
        droplets_per_mm2=float(rng.uniform(50, 500)),
        droplet_gap_um=float(rng.uniform(15, 50)),
    )


def _crystal(habit: str, reach: float, grade: str, rng: np.random.Generator) -> Body:
    side = habit in SIDE_HABITS
    tilt = {"perfect": 0.0, "good": 1.0, "fair": 2.0, "poor": 4.0}[grade]
    turn = lying(
        orientation_deg=float(rng.uniform(0, 360)),
        tilt_deg=float(rng.uniform(0, tilt)) if tilt else 0.0,
        tilt_towards_deg=float(rng.uniform(0, 360)),
        side=side,
        roll_deg=30.0,
    )
    thin = reach * float(rng.uniform(0.05, 0.12))
    cell = reach / 110.0 * UM
    r, t = reach * UM, max(thin * UM, 4 * cell)
    slim = reach * float(rng.uniform(0.18, 0.35))
    if habit == "plate":
        return prism(reach, thin, turn)
    if habit == "column":
        return prism(slim, 1.9 * reach, turn)
    if habit == "sectored plate":
        return body(specimens.sectored(r, t, cell, notch=float(rng.uniform(0.25, 0.55))), turn)
    if habit == "star":
        first = float(rng.uniform(0.3, 0.4))
        branches = tuple(np.arange(first, 0.9, float(rng.uniform(0.08, 0.14))).tolist())
        return body(specimens.star(r, t, cell, branches=branches, arm=float(rng.uniform(0.035, 0.06))), turn)
    if habit == "plain star":
        arm = float(rng.uniform(0.05, 0.1))
        return body(specimens.star(r, t, cell, branches=(), arm=arm, core=float(rng.uniform(0.2, 0.5))), turn)
    if habit == "hexagram":
        return body(specimens.hexagram(r, t, cell), turn)
    cell = reach / 70.0 * UM
    if habit == "hollow column":
        depth = float(rng.uniform(0.15, 0.4))
        return body(specimens.hollow_column(slim * UM, 1.9 * r, cell, depth=depth), turn)
    cap = reach * float(rng.uniform(0.4, 0.6))
    return body(specimens.capped_column(0.5 * slim * UM, 1.5 * r, cap * UM, 0.12 * r, cell), turn)


__all__ = ["FLAWS", "GRADES", "HABITS", "LIGHTS", "specimen", "specimen_set"]
