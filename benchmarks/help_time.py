"""How long `icewright --help` and each `icewright VERB --help` take; the promise is under 0.5 s each.

The ratio to starting Python alone, measured in the same run, tells a slow machine from a slow program.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time

from icewright.cli.main import VERBS

ROUNDS = 7
PROMISE_S = 0.5


def seconds(arguments: list[str]) -> float:
    began = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began


def main() -> None:
    print(f"python {sys.version.split()[0]}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    cases = {"python alone": ["-c", "pass"], "import icewright": ["-c", "import icewright"]}
    for verb in ("", *VERBS):
        words = [verb, "--help"] if verb else ["--help"]
        cases["icewright " + " ".join(words)] = ["-m", "icewright.cli.main", *words]
    took: dict[str, list[float]] = {name: [] for name in cases}
    for _ in range(ROUNDS):  # interleaved, so that a busy minute is shared by all
        for name, arguments in cases.items():
            took[name].append(seconds(arguments))
    alone = statistics.median(took["python alone"])
    for name, values in took.items():
        median = statistics.median(values)
        kept = "" if not name.startswith("icewright") else "  kept" if median < PROMISE_S else "  BROKEN"
        ratio = f"{median / alone:4.1f} x python"
        print(f"{name:22s} median {median:.3f} s  worst {max(values):.3f} s  {ratio}{kept}")


if __name__ == "__main__":
    main()
