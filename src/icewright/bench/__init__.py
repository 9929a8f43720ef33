"""The bench: a local page where the knobs are turned and the crystal is seen growing, ahead of time.

`serve` starts it; what goes over the wire is written down in PROTOCOL.md beside this file.
"""

from importlib import import_module
from typing import TYPE_CHECKING

_HOMES = {"serve": "app", "create_app": "app", "Settings": "settings"}

if TYPE_CHECKING:
    from icewright.bench.app import create_app, serve
    from icewright.bench.settings import Settings

    __all__ = ["Settings", "create_app", "serve"]


def __getattr__(name: str) -> object:
    if name in _HOMES:
        return getattr(import_module(f"icewright.bench.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'icewright.bench' has no attribute {name!r}")
