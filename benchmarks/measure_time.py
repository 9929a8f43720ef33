"""How long it takes to read all sizes of a large crystal, and what share of a frame's writing that is.

.venv/bin/python benchmarks/measure_time.py
"""

import tempfile
import time
from pathlib import Path

from icewright.notebook.frames import write_frame
from icewright.shape.sizes import measure
from icewright.shape.solid import Solid, hexagon
from icewright.tasks.crystals import record_of

UM = 1e-6


def main() -> None:
    s = hexagon(340 * UM, 76 * UM, UM)
    read, write = [], []
    with tempfile.TemporaryDirectory() as folder:
        for i in range(10):
            fresh = Solid(s.symmetry, s.q, s.r, UM, s.z_edges_m, s.fill, s.frozen_s, s.mirrored)
            start = time.perf_counter()
            measure(fresh)
            middle = time.perf_counter()
            write_frame(Path(folder), i, record_of(fresh) | {"time_s": float(i)})
            read.append(middle - start)
            write.append(time.perf_counter() - middle)
    print(f"{s.fill.shape[0]} columns x {s.fill.shape[1]} layers")
    share = min(read) / min(write)
    print(f"reading all sizes: best of 10 {min(read) * 1e3:.1f} ms, {share:.2f} of a frame's writing")


if __name__ == "__main__":
    main()
