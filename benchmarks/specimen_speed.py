"""How long one drawn specimen takes: CPU seconds on one thread, also as multiples of a long sort.

    python benchmarks/specimen_speed.py [--write]

Compilation (or reading it back from its cache) is timed apart. Bodies are drawn by rule, 700 x 500 pixels.
"""

from __future__ import annotations

import argparse
import datetime
import platform
import time
from pathlib import Path

import numpy as np

from icewright.pictures.microscope import draw
from icewright.pictures.microscope_body import body, lying, prism
from icewright.pictures.microscope_camera import Camera
from icewright.pictures.microscope_optics import LIGHTS, Light
from icewright.shape import specimens

UM = 1e-6
BODIES = {
    "sharp plate": lambda: prism(170.0, 16.0, lying(orientation_deg=7)),
    "sharp column": lambda: prism(60.0, 320.0, lying(orientation_deg=7, side=True)),
    "sectored plate": lambda: body(specimens.sectored(160 * UM, 16 * UM, 1.5 * UM), lying(orientation_deg=7)),
    "branched star": lambda: body(specimens.star(180 * UM, 14 * UM, 1.5 * UM), lying(orientation_deg=7)),
    "hollow column": lambda: body(
        specimens.hollow_column(45 * UM, 320 * UM, 2 * UM), lying(orientation_deg=7, side=True)
    ),
}


def cpu(work):
    began = time.process_time()
    result = work()
    return time.process_time() - began, result


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true", help="write benchmarks/results/specimen_speed.md")
    wanted = parser.parse_args()
    first, _ = cpu(lambda: draw(prism(20.0, 5.0), camera=Camera((64, 48))))
    numbers = np.random.default_rng(1).random(10_000_000)
    yard, _ = min(cpu(lambda: np.sort(numbers)) for _ in range(3))
    lines = [
        "# Speed of drawn specimens",
        "",
        f"`python benchmarks/specimen_speed.py --write`, {datetime.date.today().isoformat()}, "
        f"{platform.machine()}, one thread, other work on the machine.",
        "",
        f"First call, compiled code made or read from its cache: {first:.1f} s. Yardstick, `numpy.sort` of",
        f"ten million random numbers: {yard:.2f} s of CPU; the columns in brackets are multiples of it.",
        "",
        "| crystal, 700 x 500 pixels | triangles | surface, s | "
        + " | ".join(f"{x}, s" for x in LIGHTS)
        + " |",
        "|---|---|---|" + "---|" * len(LIGHTS),
    ]
    for name, make in BODIES.items():
        made, crystal = cpu(make)
        row = [name, str(len(crystal.triangles)), f"{made:.2f}"]
        for light in LIGHTS:
            took, _ = cpu(lambda c=crystal, n=light, s="column" in name: draw(c, Light(n), Camera(), side=s))
            row.append(f"{took:.2f} ({took / yard:.1f})")
        lines.append("| " + " | ".join(row) + " |")
        print(lines[-1])
    text = "\n".join(lines) + "\n"
    if wanted.write:
        (Path(__file__).parent / "results" / "specimen_speed.md").write_text(text)
    else:
        print(text)


if __name__ == "__main__":
    main()
