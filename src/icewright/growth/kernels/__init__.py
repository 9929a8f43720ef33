"""Kernels: arrays and scalars in, arrays out; nothing here knows of crystals or recipes.

Compiled code is cached in the user's cache folder under a key over all kernel sources, because numba's own
cache does not notice an edit in an imported callee and would run the old code.
"""

from __future__ import annotations

import hashlib
import os
import sys
from pathlib import Path


def cache_key() -> str:
    """Hash of every kernel source in this folder and of the Python version."""
    h = hashlib.sha256(sys.version.encode())
    for p in sorted(Path(__file__).parent.glob("*.py")):
        h.update(p.name.encode() + b"\0" + p.read_bytes())
    return h.hexdigest()[:16]


def user_cache() -> Path:
    """Folder for compiled kernels: $ICEWRIGHT_CACHE, or the platform's per-user cache folder."""
    base = os.environ.get("ICEWRIGHT_CACHE")
    if base:
        return Path(base)
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local")) / "icewright"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "icewright"
    return Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "icewright"


def _use_cache() -> None:
    # Idle threads that spin burn the other workers' time: on a busy machine a run took ten times as long.
    os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")
    import numba

    folder = user_cache() / f"kernels-{cache_key()}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:  # a read-only home: compile anew each time rather than fail
        return
    numba.config.CACHE_DIR = str(folder)  # type: ignore[attr-defined]  # set when numba starts


_use_cache()
