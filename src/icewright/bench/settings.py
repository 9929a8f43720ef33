"""What one bench server may do: where it listens, which folder is its own, and its limits."""

from __future__ import annotations

import ipaddress
import secrets
from dataclasses import dataclass, field
from pathlib import Path

from icewright.ground.errors import IcewrightError

OWN_FOLDER = ".icewright-bench"  # sessions lie here, inside the chosen folder


@dataclass
class Settings:
    """Settings of a server.

    Attributes:
        folder: recipes, runs and sessions lie here; nothing outside it is read or written.
        host, port: where it listens; port 0 lets the system choose.
        token: None on loopback; elsewhere a random one, made here if not given.
        extra_hosts: further names that the Host header may carry (a name of this machine).
        most_sessions, most_workers: how many sessions are held, how many engines run at once.
        idle_s: an engine that nobody has looked at for so long is put to sleep; its session stays.
        apparatus: an apparatus file whose settings are the knobs of new sessions; None for temperature and
            humidity. One from elsewhere is copied into the folder, so that recipes saved there find it.
        json_bytes, photo_bytes, photo_pixels: limits of what is sent to us.

    Raises:
        IcewrightError: where the folder does not exist or the port cannot be.
    """

    folder: Path = field(default_factory=Path.cwd)
    host: str = "127.0.0.1"
    port: int = 8717
    token: str | None = None
    extra_hosts: tuple[str, ...] = ()
    most_sessions: int = 64
    most_workers: int = 4
    idle_s: float = 600.0
    json_bytes: int = 1_000_000
    photo_bytes: int = 25_000_000
    photo_pixels: int = 40_000_000
    threads: int | None = None
    apparatus: Path | None = None

    def __post_init__(self) -> None:
        self.folder = Path(self.folder).resolve()
        if not self.folder.is_dir():
            raise IcewrightError(
                got=f"no folder {self.folder}", wanted="a folder for recipes and runs", do="--folder ."
            )
        if not 0 <= self.port <= 65535:
            raise IcewrightError(got=f"port {self.port}", wanted="0 to 65535", do="--port 8717")
        if self.apparatus is not None:
            self.apparatus = self._brought(Path(self.apparatus))
        if self.token is None and not self.loopback:
            self.token = secrets.token_urlsafe(24)

    def _brought(self, path: Path) -> Path:
        """The apparatus file in the folder. Raises IcewrightError where it is none, or another lies there."""
        from icewright.apparatus.file import read
        from icewright.bench.security import plain_name
        from icewright.notebook.files import write_atomic

        read(path)
        here = self.folder / plain_name(path.name, ".toml")
        data = path.read_bytes()
        if not here.exists():
            write_atomic(here, data)
        elif here.is_symlink() or not here.is_file() or here.read_bytes() != data:
            raise IcewrightError(
                f"Another {here.name} lies in {self.folder}.",
                got=str(path),
                wanted="one apparatus under one name",
                do=f"--apparatus {here}   (or rename one of them)",
            )
        return here

    @property
    def loopback(self) -> bool:
        """Whether only this machine can reach the server."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def own(self) -> Path:
        """Where sessions are kept."""
        return self.folder / OWN_FOLDER

    def address(self, port: int | None = None) -> str:
        """The address to open in a browser, with the token if there is one."""
        host = self.host if self.host not in ("0.0.0.0", "::") else "localhost"
        shown = f"[{host}]" if ":" in host else host
        return f"http://{shown}:{self.port if port is None else port}/" + (
            f"?token={self.token}" if self.token else ""
        )
