"""How long `icewright measure` takes over pictures of 2 megapixels, and how much memory it holds.

    python benchmarks/measure_speed.py                 100 pictures
    python benchmarks/measure_speed.py --count 1000    the issue's number: under 10 minutes on 2 cores
    python benchmarks/measure_speed.py --sharp         edges of one pixel: nothing can be averaged first

The pictures are made from eight drawn specimens, enlarged and given noise of their own; making and writing
them is not counted. Reading, measuring, following, contact sheets and curves are. Memory is the largest of
any process. On a busy machine the wall clock tells of the others' work: the processor time of all processes,
start included, is counted too, and what 1,000 pictures would take on two cores of their own follows from it.
"""

from __future__ import annotations

import argparse
import datetime
import os
import resource
import tempfile
import time
from pathlib import Path

import numpy as np

RESULTS = Path(__file__).parent / "results"
ROWS, COLUMNS = 1224, 1632  # 2.0 megapixels, not square


def make(folder: Path, count: int, sharp: bool) -> None:
    """Eight specimens of all lights and habits, each as many pictures with noise of their own."""
    from PIL import Image

    from icewright.pictures.specimen_set import specimen

    how = Image.Resampling.NEAREST if sharp else Image.Resampling.BICUBIC
    bases = []
    for number in (1, 5, 9, 13, 17, 25, 33, 41):
        drawn = specimen(number, seed=3)
        image, (px, py) = drawn.image, drawn.truth["pitch_um"]
        eight = Image.fromarray((image / (257 if image.dtype == np.uint16 else 1)).astype(np.uint8))
        # Enlarged until the pixels are square and the picture is filled, then cut to size.
        zoom = max(COLUMNS / (eight.width * px), ROWS / (eight.height * py))
        eight = eight.resize((round(eight.width * px * zoom), round(eight.height * py * zoom)), how)
        left, top = (eight.width - COLUMNS) // 2, (eight.height - ROWS) // 2
        bases.append(eight.crop((left, top, left + COLUMNS, top + ROWS)))
    rng = np.random.default_rng(1)
    for k in range(count):
        a = np.asarray(bases[k % len(bases)], dtype=np.float32)
        noisy = np.clip(a + rng.normal(0, 2.0, a.shape), 0, 255).astype(np.uint8)
        Image.fromarray(noisy).save(folder / f"picture_{k:04d}.png", compress_level=1)


def _cpu_s(who: int) -> float:
    used = resource.getrusage(who)
    return used.ru_utime + used.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--sharp", action="store_true", help="edges of one pixel: nothing can be averaged")
    parser.add_argument("--write", action="store_true", help="append to benchmarks/results/measure_speed.md")
    given = parser.parse_args()
    from icewright.tasks.measure import measure

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "pictures"
        folder.mkdir()
        make(folder, given.count, given.sharp)
        load = os.getloadavg()[0]
        own_before, child_before = _cpu_s(resource.RUSAGE_SELF), _cpu_s(resource.RUSAGE_CHILDREN)
        began = time.perf_counter()
        found = measure([folder], "0.5", Path(place) / "out", every_s=10.0, workers=given.workers)
        wall = time.perf_counter() - began
        own_cpu = _cpu_s(resource.RUSAGE_SELF) - own_before
        cpu = (own_cpu + _cpu_s(resource.RUSAGE_CHILDREN) - child_before) / given.count
        began = time.perf_counter()
        measure([folder], "0.5", Path(place) / "out", every_s=10.0, workers=given.workers)
        again = time.perf_counter() - began
    child = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    each = wall / given.count
    cells = (
        datetime.datetime.now(datetime.UTC).date(),
        f"{given.count}{' sharp' if given.sharp else ''}",
        f"{given.workers} of {os.cpu_count()}",
        f"{load:.1f}",
        f"{wall:.0f} s",
        f"{each:.2f} s",
        f"{each * 1000 / 60:.1f} min",
        f"{cpu:.2f} s",
        f"{cpu * 1000 / 2 / 60:.1f} min",
        f"{again:.1f} s",
        f"{child:.0f} MB, {own:.0f} MB",
    )
    line = "| " + " | ".join(map(str, cells)) + " |"
    print(line, f"{found['readings']} readings, {found['flagged']} flagged")
    if given.write:
        path = RESULTS / "measure_speed.md"
        names = (
            "date",
            "pictures",
            "workers of cores",
            "load before",
            "wall",
            "each",
            "1,000 would take",
            "processor time each",
            "1,000 on two cores of their own",
            "same call again",
            "memory: largest worker, parent",
        )
        head = (
            "# Speed of `icewright measure`\n\n"
            "`python benchmarks/measure_speed.py --count N --workers W --write`; pictures of "
            f"{COLUMNS} x {ROWS} pixels (2.0 megapixels). The bar: 1,000 in under 10 minutes on 2 cores.\n\n"
            "| " + " | ".join(names) + " |\n" + "|---" * len(names) + "|\n"
        )
        path.write_text((path.read_text() if path.exists() else head) + line + "\n")


if __name__ == "__main__":
    main()
