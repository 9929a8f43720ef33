"""What the field and the camera add to a perfect picture: droplets, dust, uneven light, noise, steps."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from icewright.ground.errors import IcewrightError
from icewright.pictures.microscope_optics import Light, brightness, sphere
from icewright.shape.solid import FloatArray


@dataclass(frozen=True)
class Camera:
    """A camera and the state of the field. Lengths in micrometres in the object.

    pixels : width and height of the picture.
    pitch_um : width and height of a pixel.
    exposure : share of the sensor's range that full light takes.
    electrons : of a pixel at the end of the range; sets the shot noise. 0 for a camera without noise.
    read_electrons : noise of reading a pixel, standard deviation.
    bits : 8 or 16.
    uneven : how much darker the corners are than the middle, and how far the middle is off; share of light.
    dust : specks in the field; half of them out of focus.
    droplets_per_mm2, droplet_um, droplet_gap_um : water droplets around the crystal, mean radius, and how far
        from the crystal they begin (it drinks them away).

    Raises IcewrightError for what no camera has.
    """

    pixels: tuple[int, int] = (700, 500)
    pitch_um: tuple[float, float] = (1.0, 1.0)
    exposure: float = 0.75
    electrons: float = 20_000.0
    read_electrons: float = 10.0
    bits: int = 8
    uneven: float = 0.0
    dust: int = 0
    droplets_per_mm2: float = 0.0
    droplet_um: float = 4.0
    droplet_gap_um: float = 40.0

    def __post_init__(self) -> None:
        w, h = self.pixels
        if not (8 <= w <= 8192 and 8 <= h <= 8192):
            raise IcewrightError("The picture's size.", got=f"{w} x {h} pixels", wanted="8 to 8192 each way")
        if not all(math.isfinite(p) and p > 0 for p in self.pitch_um):
            raise IcewrightError(
                "The pixel pitch.", got=str(self.pitch_um), wanted="two positive lengths in um"
            )
        if self.bits not in (8, 16):
            raise IcewrightError("The camera's bits.", got=str(self.bits), wanted="8 or 16")
        if not 0.0 < self.exposure <= 1.0:
            raise IcewrightError("The exposure.", got=str(self.exposure), wanted="a share, 0 to 1")
        if not 0.0 <= self.uneven < 1.0:
            raise IcewrightError("Uneven light.", got=str(self.uneven), wanted="a share, 0 to below 1")
        small = {
            "electrons": self.electrons,
            "read_electrons": self.read_electrons,
            "dust": self.dust,
            "droplets_per_mm2": self.droplets_per_mm2,
        }
        for name, value in small.items():
            if not (math.isfinite(value) and value >= 0):
                raise IcewrightError(f"The camera's {name}.", got=str(value), wanted="zero or more")


def add_droplets(
    light: FloatArray, free: NDArray[np.bool_], camera: Camera, lamp: Light, rng: np.random.Generator
) -> tuple[FloatArray, list[tuple[float, float, float]]]:
    """Put water droplets into a picture float64[rows, columns, channels], where ``free`` allows.

    They are balls (a droplet in the air or on a surface that it does not wet), seen by refraction. No two
    touch. Returns the picture and (x, y in pixels, radius in um) of each.
    """
    rows, columns, channels = light.shape
    px, py = camera.pitch_um
    wanted = rng.poisson(camera.droplets_per_mm2 * rows * columns * px * py * 1e-6)
    out = light.copy()
    laid: list[tuple[float, float, float]] = []
    for _ in range(wanted):
        x, y = rng.uniform(0, columns), rng.uniform(0, rows)
        radius = camera.droplet_um * float(rng.lognormal(0.0, 0.35))
        if not free[min(int(y), rows - 1), min(int(x), columns - 1)]:
            continue
        if any(math.hypot((x - a) * px, (y - b) * py) < 1.2 * (radius + c) for a, b, c in laid):
            continue
        laid.append((x, y, radius))
        i0, i1 = max(int(x - radius / px) - 1, 0), min(int(x + radius / px) + 3, columns)
        j0, j1 = max(int(y - radius / py) - 1, 0), min(int(y + radius / py) + 3, rows)
        if i1 <= i0 or j1 <= j0:
            continue
        fine = 4
        xs = (np.arange((i1 - i0) * fine) + 0.5) / fine + i0 - 0.5
        ys = (np.arange((j1 - j0) * fine) + 0.5) / fine + j0 - 0.5
        seen = sphere(lamp, (xs[None, :] - x) * px / radius, (y - ys[:, None]) * py / radius)
        ball = np.moveaxis(seen, 0, -1)
        under = np.repeat(np.repeat(out[j0:j1, i0:i1], fine, axis=0), fine, axis=1)
        mixed = np.where(np.isnan(ball), under, ball)
        out[j0:j1, i0:i1] = mixed.reshape(j1 - j0, fine, i1 - i0, fine, channels).mean(axis=(1, 3))
    return out, laid


def add_dust(light: FloatArray, camera: Camera, lamp: Light, rng: np.random.Generator) -> FloatArray:
    """Specks that swallow light, or scatter it in dark field; float64[rows, columns, channels]."""
    rows, columns, _ = light.shape
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float64)
    out = light.copy()
    dark_ground = float(brightness(lamp, 0.0, 0.0).max()) < 0.05
    for k in range(camera.dust):
        at_x, at_y = rng.uniform(0, columns), rng.uniform(0, rows)
        soft = k % 2 == 0
        radius = rng.uniform(6.0, 16.0) if soft else rng.uniform(0.8, 2.5)  # pixels
        edge = 0.35 * radius if soft else 0.6
        deep = rng.uniform(0.06, 0.2) if soft else rng.uniform(0.4, 0.9)
        stretch, turn = rng.uniform(1.0, 2.0), rng.uniform(0.0, math.pi)
        u = (x - at_x) * math.cos(turn) + (y - at_y) * math.sin(turn)
        v = (y - at_y) * math.cos(turn) - (x - at_x) * math.sin(turn)
        speck = 0.5 * (1.0 - np.tanh((np.hypot(u / stretch, v) - radius) / edge))
        if dark_ground:
            out += (0.5 * deep * speck)[..., None]
        else:
            out *= (1.0 - deep * speck)[..., None]
    return out


def uneven_light(camera: Camera, rng: np.random.Generator) -> FloatArray:
    """The lamp over the field, 1 at its brightest, float64[rows, columns]."""
    columns, rows = camera.pixels
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float64)
    half = 0.5 * math.hypot(columns, rows)
    off = 0.5 * camera.uneven * half
    turn = rng.uniform(0.0, 2.0 * math.pi)
    d2 = (x - columns / 2 - off * math.cos(turn)) ** 2 + (y - rows / 2 - off * math.sin(turn)) ** 2
    return np.asarray((1.0 - camera.uneven) ** (d2 / half**2), dtype=np.float64)


def exposed(light: FloatArray, camera: Camera, rng: np.random.Generator) -> NDArray[np.unsignedinteger]:
    """The sensor's answer to light float64[rows, columns, channels]: shot and read noise, range, steps.

    Linear; no gamma. Shot noise is the Gaussian of the same variance, right above some ten electrons.
    """
    level = np.clip(light, 0.0, None) * camera.exposure
    if camera.electrons > 0:
        count = level * camera.electrons
        spread = np.sqrt(count + camera.read_electrons**2)
        level = (count + spread * rng.standard_normal(level.shape)) / camera.electrons
    top = 255 if camera.bits == 8 else 65535
    steps = np.round(np.clip(level, 0.0, 1.0) * top)
    return steps.astype(np.uint8 if camera.bits == 8 else np.uint16)
