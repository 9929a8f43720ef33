"""Find the Chromium that the browser tests drive; `--install` fetches it where apt-get can.

Playwright's own download is not used: a packaged Chromium is enough, and is kept up to date with the machine.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
MAC = Path("/Applications/Chromium.app/Contents/MacOS/Chromium")
WHERE = "ICEWRIGHT_CHROMIUM"
SAY = (
    "The browser tests need Chromium and found none. Install it (Debian: apt-get install chromium), "
    f"or name it: {WHERE}=/path/to/chromium"
)
# Software WebGL: the same picture on every machine, with or without a graphics card.
FLAGS = [
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
    "--ignore-gpu-blocklist",
    "--disable-dev-shm-usage",
]


def find() -> str | None:
    """Path of a Chromium, or None."""
    named = os.environ.get(WHERE)
    if named:
        return named if Path(named).is_file() else None
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    return found or (str(MAC) if MAC.is_file() else None)


def flags() -> list[str]:
    """What to start it with; root may not use the sandbox, as in most build machines."""
    root = hasattr(os, "geteuid") and os.geteuid() == 0
    return [*FLAGS, "--no-sandbox"] if root else FLAGS


def install() -> None:
    """Fetch it with apt-get where that is allowed; where not, say what to do and fail."""
    if find():
        return
    root = hasattr(os, "geteuid") and os.geteuid() == 0
    if root and shutil.which("apt-get"):
        env = dict(os.environ, DEBIAN_FRONTEND="noninteractive")
        subprocess.run(["apt-get", "update", "-qq"], check=False, env=env)
        subprocess.run(
            ["apt-get", "install", "-y", "-qq", "--no-install-recommends", "chromium"], check=False, env=env
        )
    if not find():
        sys.exit(SAY)


if __name__ == "__main__":
    if "--install" in sys.argv:
        install()
    print(find() or SAY)
