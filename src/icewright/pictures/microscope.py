"""A grown crystal as a microscope would show it, with its truth beside it.

Parallel rays are followed from the camera down through the real surface, bent by Snell's law and split by
Fresnel's equations (index 1.31), and take the light of the direction that they leave in; the apertures are in
the light (`microscope_optics`). Then come droplets, blur, dust, uneven light and the sensor. The truth is
read from the very surface that was drawn, before any of that.

Picture frame: pixel (column, row) = (0, 0) is the upper left one and whole numbers are pixel middles. Angles
run against the clock from the right, as seen, with the pitch of the pixels taken into account.

Left out, said once: birefringence, absorption, interference colours, reflected light, diffraction beyond
blur, and what a glass below the crystal reflects; a plane glass does not change directions.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.ground.errors import IcewrightError
from icewright.pictures.microscope_body import Body
from icewright.pictures.microscope_camera import Camera, add_droplets, add_dust, exposed, uneven_light
from icewright.pictures.microscope_optics import INDEX, Light, blur_um, brightness, table
from icewright.shape.solid import FloatArray

KIND, SCHEMA = "icewright.specimen", 1
FLOOR = 0.1  # parts of a ray below this share are dropped: 0.002 of full light, against a floor of 0.01
DEEPEST = 8  # surfaces that one part of a ray may meet
EDGE_SAMPLES = 5  # rays each way in a pixel on the outline, for the truth


@dataclass(frozen=True, eq=False)
class Specimen:
    """A drawn picture and what is true of it.

    image : uint8 or uint16[rows, columns], or [rows, columns, 3] with colours.
    truth : plain record, see docs/specimens.md; lengths in um, places in pixels.
    coverage : float32[rows, columns], share of each pixel that the crystal covers.
    clean : float64[rows, columns, channels], the light before droplets, blur and sensor.
    """

    image: NDArray[np.unsignedinteger]
    truth: dict[str, Any]
    coverage: NDArray[np.float32]
    clean: FloatArray


def draw(
    crystal: Body,
    light: Light | None = None,
    camera: Camera | None = None,
    *,
    side: bool = False,
    centre_px: tuple[float, float] | None = None,
    defocus_um: float = 0.0,
    neighbours: Sequence[Body] = (),
    samples: int | None = None,
    seed: int = 1,
    index: float = INDEX,
) -> Specimen:
    """Draw one crystal.

    Parameters
    ----------
    crystal : from `microscope_body.body`, already turned; its origin is put at ``centre_px``.
    side : its c axis lies in the picture: the truth then holds length and width and no tips.
    centre_px : column and row; left out, the middle of the picture.
    defocus_um : how far the crystal lies from the plane that is sharp.
    neighbours : other crystals, shifted already, that are drawn too and of which no truth is given.
    samples : rays each way in a pixel; left out, 4 for plain prisms and 2 for all else.
    seed : of everything that is left to chance; the same seed draws the same picture.

    Raises
    ------
    IcewrightError : the crystal lies wholly outside the picture.
    """
    lamp, cam = light or Light(), camera or Camera()
    columns, rows = cam.pixels
    middle = ((columns - 1) / 2.0, (rows - 1) / 2.0) if centre_px is None else centre_px
    rng = np.random.default_rng(seed)
    if samples is None:
        samples = 4 if crystal.triangles.shape[0] < 1000 else 2
    shadow = _Shadow(crystal)
    clean, met = _traced(shadow, neighbours, lamp, cam, middle, samples, index)
    coverage = _coverage(shadow, cam, middle)
    if not coverage.any():
        raise IcewrightError(
            "The crystal lies outside the picture.",
            got=f"centre at {middle[0]:.0f}, {middle[1]:.0f} in {columns} x {rows} pixels",
            wanted="a centre or a pitch that brings it in",
        )
    shown = clean
    droplets: list[tuple[float, float, float]] = []
    if cam.droplets_per_mm2 > 0:
        shown, droplets = add_droplets(clean, _away(met, cam), cam, lamp, rng)
    shown = _blurred(shown, blur_um(lamp, defocus_um), cam)
    if cam.dust:
        shown = add_dust(shown, cam, lamp, rng)
    if cam.uneven > 0:
        shown = shown * uneven_light(cam, rng)[..., None]
    image = exposed(shown, cam, rng)
    if not lamp.coloured:
        image = image[..., 0]
    truth = _truth(shadow, cam, middle, coverage, side)
    truth["drawn"] = {
        "light": asdict(lamp) | {"condenser_na": lamp.na},
        "camera": asdict(cam),
        "defocus_um": float(defocus_um),
        "blur_um": blur_um(lamp, defocus_um),
        "index": float(index),
        "seed": int(seed),
        "droplets": len(droplets),
        "neighbours": len(neighbours),
    }
    return Specimen(image, truth, coverage, clean)


def write(specimen: Specimen, folder: Path, name: str) -> list[Path]:
    """Write the picture (PNG, or TIFF with 16 bits), its truth as JSON, and the truth laid over it.

    Returns the paths: picture, JSON, overlay.
    """
    from icewright.notebook.files import write_json

    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    picture = folder / f"{name}{'.tif' if specimen.image.dtype == np.uint16 else '.png'}"
    write_picture(picture, specimen.image)
    beside = folder / f"{name}.json"
    write_json(beside, KIND, SCHEMA, {"picture": picture.name, **specimen.truth})
    over = folder / f"{name}-truth.png"
    write_picture(over, overlay(specimen))
    return [picture, beside, over]


def read_truth(path: Path) -> dict[str, Any]:
    """The record beside a drawn picture; raises ``StoreError`` or ``RecordError`` if it is none."""
    from icewright.notebook.files import read_json

    return read_json(Path(path), KIND, SCHEMA)


def write_picture(path: Path, image: NDArray[np.unsignedinteger]) -> Path:
    """Write a picture with kind and schema in it: PNG with 8 bits, TIFF with 16."""
    if path.suffix == ".tif":
        import tifffile

        described = f"kind={KIND} schema={SCHEMA}"
        tifffile.imwrite(path, image, description=described, software="icewright", metadata=None)
        return path
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    from icewright.pictures.stamp import metadata

    info = PngInfo()
    for key, value in metadata(KIND).items():
        info.add_text(key, value)
    Image.fromarray(np.asarray(image, dtype=np.uint8)).save(path, pnginfo=info)
    return path


def overlay(specimen: Specimen) -> NDArray[np.uint8]:
    """The picture with its true outline, centre and tip or axis lines over it, uint8[rows, columns, 3]."""
    from PIL import Image, ImageDraw

    image = specimen.image
    top = np.iinfo(image.dtype).max
    grey = np.asarray(np.round(image * (255.0 / top)), dtype=np.uint8)
    sheet = Image.fromarray(grey if grey.ndim == 3 else np.repeat(grey[..., None], 3, axis=2))
    pen = ImageDraw.Draw(sheet)
    for loop in specimen.truth["outline_px"]:
        pen.line([(float(x), float(y)) for x, y in loop], fill=(255, 90, 40), width=1)
    x0, y0 = specimen.truth["centre_px"]
    px, py = specimen.truth["pitch_um"]
    view = specimen.truth
    if view["view"] == "plan":
        rays = list(zip(view["tip_angles_deg"], view["tip_radii_um"], strict=True))
    else:
        rays = [(view["orientation_deg"] + a, 0.5 * view["length_um"]) for a in (0.0, 180.0)]
    for angle, radius in rays:
        a = math.radians(angle)
        end = (x0 + radius * math.cos(a) / px, y0 - radius * math.sin(a) / py)
        pen.line([(x0, y0), end], fill=(40, 190, 255), width=1)
    return np.asarray(sheet, dtype=np.uint8)


# --- light ------------------------------------------------------------------------------------------------


def _traced(
    shadow: _Shadow,
    neighbours: Sequence[Body],
    lamp: Light,
    cam: Camera,
    middle: tuple[float, float],
    samples: int,
    index: float,
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Light of every pixel [rows, columns, channels], and which pixels hold ice at all."""
    from icewright.pictures import tracing

    columns, rows = cam.pixels
    field = brightness(lamp, 0.0, 0.0).ravel()
    out = np.broadcast_to(field, (rows, columns, field.size)).copy()
    met_any = np.zeros((rows, columns), dtype=np.bool_)
    vertices, mesh = shadow.body.vertices_um, shadow.mesh
    if neighbours:
        bodies = [shadow.body, *neighbours]
        starts = np.cumsum([0] + [b.vertices_um.shape[0] for b in bodies[:-1]])
        vertices = np.concatenate([b.vertices_um for b in bodies])
        mesh = tracing.shelves(
            vertices, np.concatenate([b.triangles + k for b, k in zip(bodies, starts, strict=True)])
        )
    i0, i1, j0, j1 = _frame(vertices, cam, middle)
    if i1 <= i0 or j1 <= j0:
        return out, met_any
    x, y = _points(i0, i1, j0, j1, cam, middle, samples)
    # A hair off the grid, so that no ray runs exactly along the edges of a lattice.
    origin = np.column_stack(
        [x.ravel() + 1.7e-5, y.ravel() + 2.3e-5, np.full(x.size, vertices[:, 2].max() + 1.0)]
    )
    down = np.broadcast_to(np.array([0.0, 0.0, -1.0]), origin.shape)
    tracer: Any = tracing.trace
    light, met, _, _ = tracer(
        np.ascontiguousarray(origin),
        np.ascontiguousarray(down),
        *mesh,
        index,
        table(lamp),
        FLOOR,
        DEEPEST,
    )
    shape = (j1 - j0, samples, i1 - i0, samples)
    out[j0:j1, i0:i1] = light.reshape(*shape, -1).mean(axis=(1, 3))
    met_any[j0:j1, i0:i1] = met.reshape(shape).any(axis=(1, 3))
    return out, met_any


def _frame(vertices: FloatArray, cam: Camera, middle: tuple[float, float]) -> tuple[int, int, int, int]:
    """Columns and rows that the body touches, cut to the picture."""
    px, py = cam.pitch_um
    columns, rows = cam.pixels
    i = middle[0] + vertices[:, 0] / px
    j = middle[1] - vertices[:, 1] / py
    return (
        max(math.floor(i.min()) - 1, 0),
        min(math.ceil(i.max()) + 2, columns),
        max(math.floor(j.min()) - 1, 0),
        min(math.ceil(j.max()) + 2, rows),
    )


def _points(
    i0: int, i1: int, j0: int, j1: int, cam: Camera, middle: tuple[float, float], samples: int
) -> tuple[FloatArray, FloatArray]:
    """Places (um) of samples x samples rays in each pixel, two arrays [rows * samples, columns * samples]."""
    px, py = cam.pitch_um
    along, aside = _spots(samples)
    i = np.tile(along, (j1 - j0, i1 - i0)) + np.repeat(np.arange(i0, i1), samples)[None, :]
    j = np.tile(aside, (j1 - j0, i1 - i0)) + np.repeat(np.arange(j0, j1), samples)[:, None]
    return (i - middle[0]) * px, (middle[1] - j) * py


def _spots(n: int) -> tuple[FloatArray, FloatArray]:
    """Places of n x n rays in a pixel, each [n, n], no two in one row or column.

    An edge that runs nearly along a row of pixels would step n times on a plain grid; it steps n x n times.
    """
    a, b = np.meshgrid(np.arange(n), np.arange(n))
    return (a + (b + 0.5) / n) / n - 0.5, (b + (n - a - 0.5) / n) / n - 0.5


def _away(met: NDArray[np.bool_], cam: Camera) -> NDArray[np.bool_]:
    from scipy.ndimage import distance_transform_edt

    px, py = cam.pitch_um
    return np.asarray(distance_transform_edt(~met, sampling=(py, px)) > cam.droplet_gap_um)


def _blurred(light: FloatArray, sigma_um: float, cam: Camera) -> FloatArray:
    from scipy.ndimage import gaussian_filter

    px, py = cam.pitch_um
    # The pixel's own square has been taken care of by its rays.
    return np.asarray(gaussian_filter(light, (sigma_um / py, sigma_um / px, 0.0), mode="nearest"))


# --- truth ------------------------------------------------------------------------------------------------


class _Shadow:
    """A crystal that is ready for rays; answers whether a place in the picture is covered by it."""

    def __init__(self, crystal: Body) -> None:
        from icewright.pictures import tracing

        self.body = crystal
        self.mesh = tracing.shelves(crystal.vertices_um, crystal.triangles)
        self._meets = tracing.meets
        self._top = float(crystal.vertices_um[:, 2].max()) + 1.0

    def __call__(self, x: FloatArray, y: FloatArray) -> NDArray[np.bool_]:
        flat_x, flat_y = np.ascontiguousarray(x.ravel()) + 1.7e-5, np.ascontiguousarray(y.ravel()) + 2.3e-5
        return np.asarray(self._meets(flat_x, flat_y, self._top, *self.mesh[:-1])).reshape(x.shape)

    def reach(self, angle: float, farthest: float, step: float) -> float:
        """Farthest covered place along a direction (um); 0 if there is none."""
        at = np.arange(0.0, farthest + step, step)[::-1]
        c, s = math.cos(angle), math.sin(angle)
        inside = self(at * c, at * s)
        if not inside.any():
            return 0.0
        near = float(at[int(np.argmax(inside))])
        far = near + step
        for _ in range(30):
            half = 0.5 * (near + far)
            if bool(self(np.array([half * c]), np.array([half * s]))[0]):
                near = half
            else:
                far = half
        return 0.5 * (near + far)


def _coverage(shadow: _Shadow, cam: Camera, middle: tuple[float, float]) -> NDArray[np.float32]:
    """Share of each pixel that the crystal covers."""
    columns, rows = cam.pixels
    out = np.zeros((rows, columns), dtype=np.float32)
    i0, i1, j0, j1 = _frame(shadow.body.vertices_um, cam, middle)
    if i1 <= i0 or j1 <= j0:
        return out
    corners = shadow(*_points(i0, i1, j0, j1, cam, middle, 2)).reshape(j1 - j0, 2, i1 - i0, 2)
    share = corners.mean(axis=(1, 3))
    from scipy.ndimage import maximum_filter, minimum_filter

    edge = maximum_filter(share, 3, mode="nearest") > minimum_filter(share, 3, mode="nearest")
    jj, ii = np.nonzero(edge)
    n = EDGE_SAMPLES
    px, py = cam.pitch_um
    along, aside = _spots(n)
    x = ((ii + i0)[:, None, None] + along - middle[0]) * px
    y = (middle[1] - (jj + j0)[:, None, None] - aside) * py
    share[jj, ii] = shadow(x, y).mean(axis=(1, 2))
    out[j0:j1, i0:i1] = share
    return out


def _truth(
    shadow: _Shadow, cam: Camera, middle: tuple[float, float], coverage: NDArray[np.float32], side: bool
) -> dict[str, Any]:
    px, py = cam.pitch_um
    columns, rows = cam.pixels
    v = shadow.body.vertices_um
    whole = bool(
        (middle[0] + v[:, 0] / px).min() >= 0.5
        and (middle[0] + v[:, 0] / px).max() <= columns - 1.5
        and (middle[1] - v[:, 1] / py).min() >= 0.5
        and (middle[1] - v[:, 1] / py).max() <= rows - 1.5
    )
    loops = _loops(coverage)
    # Of the whole crystal, also where the picture cuts it: an integral over its shadow on a frame of its own.
    area = float(coverage.sum(dtype=np.float64)) * px * py if whole else _area(shadow, px, py)
    lengths = [float(np.hypot(np.diff(loop[:, 0]) * px, np.diff(loop[:, 1]) * py).sum()) for loop in loops]
    out: dict[str, Any] = {
        "view": "side" if side else "plan",
        "pixels": [columns, rows],
        "pitch_um": [px, py],
        "centre_px": [float(middle[0]), float(middle[1])],
        "whole": whole,
        "area_um2": area,
        "perimeter_um": sum(lengths) if whole else None,
        "outline_px": [np.round(loop, 3).tolist() for loop in loops],
    }
    return out | (_side_truth(shadow.body) if side else _plan_truth(shadow, min(px, py)))


def _area(shadow: _Shadow, px: float, py: float) -> float:
    v = shadow.body.vertices_um
    w = math.ceil(np.ptp(v[:, 0]) / px) + 5
    h = math.ceil(np.ptp(v[:, 1]) / py) + 5
    step = max(1.0, max(w, h) / 4000.0)
    cam = Camera((max(8, math.ceil(w / step)), max(8, math.ceil(h / step))), (px * step, py * step))
    place = (2.0 - v[:, 0].min() / cam.pitch_um[0], 2.0 + v[:, 1].max() / cam.pitch_um[1])
    return float(_coverage(shadow, cam, place).sum(dtype=np.float64)) * cam.pitch_um[0] * cam.pitch_um[1]


def _plan_truth(shadow: _Shadow, pixel: float) -> dict[str, Any]:
    crystal = shadow.body
    farthest = float(np.hypot(crystal.vertices_um[:, 0], crystal.vertices_um[:, 1]).max())
    found: dict[str, list[float]] = {"tip": [], "facet": []}
    angles: dict[str, list[float]] = {"tip": [], "facet": []}
    for name, start in (("tip", 0.0), ("facet", 30.0)):
        for k in range(6):
            a = math.radians(start + 60.0 * k)
            seen = crystal.turn @ np.array([math.cos(a), math.sin(a), 0.0])
            angle = math.atan2(seen[1], seen[0])
            angles[name].append(math.degrees(angle) % 360.0)
            found[name].append(shadow.reach(angle, farthest, 0.25 * pixel))
    return {
        # Tipping turns the six axes by a little each; the mean over the six is the crystal's.
        "orientation_deg": _mean_axis(angles["tip"]),
        "tip_radii_um": found["tip"],
        "tip_angles_deg": angles["tip"],
        "facet_radii_um": found["facet"],
        "facet_angles_deg": angles["facet"],
        "radius_tip_um": float(np.mean(found["tip"])),
        "radius_facet_um": float(np.mean(found["facet"])),
        "radius_max_um": farthest,
        "thickness_um": float(np.ptp(crystal.vertices_um @ crystal.turn[:, 2])),
    }


def _mean_axis(angles_deg: Sequence[float]) -> float:
    turned = np.exp(1j * np.radians(6.0 * np.asarray(angles_deg))).mean()
    # Rounded, so that a hair below zero is 0 and not 60.
    return round(float(np.degrees(np.angle(turned))) / 6.0, 9) % 60.0


def _side_truth(crystal: Body) -> dict[str, Any]:
    axis = crystal.turn[:2, 2]
    axis = axis / max(float(np.hypot(*axis)), 1e-12)
    across = np.array([-axis[1], axis[0]])
    v = crystal.vertices_um[:, :2]
    along, wide = v @ axis, v @ across
    half = 0.5 * float(np.ptp(along))
    mid = np.abs(along - 0.5 * (along.max() + along.min())) < 0.1 * half
    return {
        "orientation_deg": math.degrees(math.atan2(axis[1], axis[0])) % 180.0,
        "length_um": 2.0 * half,
        "width_um": float(np.ptp(wide)),
        "width_middle_um": float(np.ptp(wide[mid])) if mid.any() else float(np.ptp(wide)),
    }


def _loops(coverage: NDArray[np.float32]) -> list[FloatArray]:
    """The true outline in pixels (column, row), longest first."""
    from skimage.measure import find_contours

    padded = np.pad(coverage, 1)  # a crystal that is cut by the picture is closed along its edge
    loops = [loop[:, ::-1] - 1.0 for loop in find_contours(padded, 0.5)]  # type: ignore[no-untyped-call]
    loops.sort(key=lambda loop: -loop.shape[0])
    return loops
