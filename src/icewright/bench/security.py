"""Who may talk to the server, and what may reach the disk.

A page of another site that is open in the same browser can send requests to 127.0.0.1. It cannot choose the
Origin header, and after a change of its own name's address (DNS rebinding) it cannot choose the Host header:
both are checked on every request and on the WebSocket. Bodies are counted while they arrive, not by what they
say of themselves.
"""

from __future__ import annotations

import hmac
import ipaddress
import json
import re
from collections.abc import Awaitable, Callable, MutableMapping
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

from icewright.bench.settings import OWN_FOLDER, Settings
from icewright.ground.errors import IcewrightError

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

COOKIE = "icewright_bench"
# Scripts and styles from here only; blob: for what the page makes itself. No request can leave the machine.
POLICY = (
    "default-src 'self'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' blob: data:; "
    "connect-src 'self'; worker-src 'self' blob:; font-src 'self' data:; object-src 'none'; "
    "frame-ancestors 'none'; base-uri 'none'; form-action 'self'"
)
_HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
)
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,79}")
_DEVICES = {"con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in range(10))}


class BenchError(IcewrightError):
    """A request that is refused, with its HTTP status."""

    def __init__(
        self, status: int, message: str | None = None, *, got: str = "", wanted: str = "", do: str = ""
    ) -> None:
        self.status = status
        super().__init__(message, got=got, wanted=wanted, do=do)


TOO_LARGE = BenchError(413, "What was sent is too large.", wanted="a smaller file")


def error_body(error: BaseException, kind: str = "") -> dict[str, Any]:
    """The one JSON shape of an error."""
    parts = {key: getattr(error, key, "") for key in ("message", "got", "wanted", "do")}
    if not any(parts.values()):
        parts["message"] = str(error)
    return {"error": {"kind": kind or type(error).__name__, **parts}}


def host_allowed(header: str, settings: Settings) -> bool:
    """Whether a Host header names this server: loopback, the host it was bound to, or a name given for it.

    Bound to every address, any literal address is ours; a name is not, as names can be pointed at us.
    """
    try:
        name = (urlsplit(f"//{header}").hostname or "").lower()
    except ValueError:
        return False
    if name in {"localhost", settings.host.lower(), *(h.lower() for h in settings.extra_hosts)}:
        return True
    try:
        address = ipaddress.ip_address(name)
    except ValueError:
        return False
    return address.is_loopback or (settings.host in ("0.0.0.0", "::") and not settings.loopback)


def origin_allowed(origin: str | None, host: str, settings: Settings) -> bool:
    """Whether a request with this Origin may act: none at all (no browser), or exactly our own."""
    if origin is None:
        return True
    try:
        parts = urlsplit(origin)
    except ValueError:
        return False
    return parts.scheme in ("http", "https") and parts.netloc.lower() == host.lower()


class Guard:
    """ASGI middleware around the whole application: Host, Origin, token, size of bodies, headers."""

    def __init__(self, app: App, settings: Settings) -> None:
        self.app, self.settings = app, settings

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers: dict[bytes, bytes] = {}
        for key, value in scope["headers"]:
            if key == b"host" and key in headers:
                await _refuse(scope, receive, send, 400, "two Host headers")
                return
            headers[key] = value
        host = headers.get(b"host", b"").decode("latin-1")
        raw = headers.get(b"origin")
        origin = raw.decode("latin-1") if raw is not None else None
        if not host_allowed(host, self.settings):
            await _refuse(scope, receive, send, 403, f"this server is not called {host[:100]!r}")
            return
        site = headers.get(b"sec-fetch-site", b"none")
        if not origin_allowed(origin, host, self.settings) or (
            site == b"cross-site" and scope["type"] == "http" and scope["method"] not in ("GET", "HEAD")
        ):
            await _refuse(scope, receive, send, 403, "a page of another origin may not talk to the bench")
            return
        given = self._token(scope, headers)
        wanted = self.settings.token
        if wanted is not None and not hmac.compare_digest(given.encode(), wanted.encode()):
            await _refuse(
                scope, receive, send, 401, "open the address that was printed at start, with its token"
            )
            return
        if scope["type"] == "websocket":
            await self.app(scope, receive, send)
            return
        limit = self.settings.json_bytes
        if scope["path"].endswith(("/photos", "/outlines")) and scope["method"] == "POST":
            limit = self.settings.photo_bytes + 10_000  # the envelope around the file
        counted = _Counted(receive, limit)
        await self.app(scope, counted.receive, _Dressed(send, counted, self._cookie(scope)).send)

    def _token(self, scope: Scope, headers: dict[bytes, bytes]) -> str:
        bearer = headers.get(b"authorization", b"").decode("latin-1")
        if bearer.startswith("Bearer "):
            return bearer.removeprefix("Bearer ")
        for part in headers.get(b"cookie", b"").decode("latin-1").split(";"):
            name, _, value = part.strip().partition("=")
            if name == COOKIE:
                return value
        return self._query_token(scope)

    @staticmethod
    def _query_token(scope: Scope) -> str:
        # Only the page's own address takes the token from the query; the API's would end in logs.
        if scope["type"] == "http" and scope["path"] == "/":
            query = parse_qs(scope.get("query_string", b"").decode("latin-1"))
            return str(query.get("token", [""])[0])
        return ""

    def _cookie(self, scope: Scope) -> bytes | None:
        if self.settings.token and self._query_token(scope):
            return f"{COOKIE}={self.settings.token}; HttpOnly; SameSite=Strict; Path=/".encode()
        return None


class _Counted:
    """Counts a body as it arrives and ends it when it is over the limit."""

    def __init__(self, receive: Receive, limit: int) -> None:
        self._receive, self._left, self.over = receive, limit, False

    async def receive(self) -> MutableMapping[str, Any]:
        message = await self._receive()
        if message["type"] == "http.request":
            self._left -= len(message.get("body", b""))
            if self._left < 0:
                self.over = True
                raise TOO_LARGE
        return message


class _Dressed:
    """Adds the headers that keep a browser from doing more than the page needs."""

    def __init__(self, send: Send, counted: _Counted, cookie: bytes | None) -> None:
        self._send, self._counted, self._cookie = send, counted, cookie
        self._said = False

    async def send(self, message: MutableMapping[str, Any]) -> None:
        if self._counted.over:
            await self._too_large(message)
            return
        if message["type"] == "http.response.start":
            extra = list(_HEADERS)
            if self._cookie is not None:
                extra.append((b"set-cookie", self._cookie))
            message["headers"] = [*message.get("headers", []), *extra]
        await self._send(message)

    async def _too_large(self, message: MutableMapping[str, Any]) -> None:
        # Whoever read the body has made an answer of its own out of our refusal; this one takes its place.
        if message["type"] == "http.response.start":
            headers = [(b"content-type", b"application/json"), (b"connection", b"close"), *_HEADERS]
            await self._send({"type": "http.response.start", "status": 413, "headers": headers})
        elif not self._said:
            self._said = True
            body = error_body(TOO_LARGE, "refused")
            await self._send({"type": "http.response.body", "body": json.dumps(body).encode()})


async def _refuse(scope: Scope, receive: Receive, send: Send, status: int, message: str) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008, "reason": message[:100]})
        return
    body = json.dumps(error_body(BenchError(status, message), "refused")).encode()
    headers = [(b"content-type", b"application/json"), *_HEADERS]
    if status == 401:
        headers.append((b"www-authenticate", b"Bearer"))
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def plain_name(name: str, suffix: str = "") -> str:
    """A file or folder name that is only a name.

    Args:
        name: as it was sent.
        suffix: added if it is missing, such as ".toml".

    Raises:
        BenchError: for separators, dots at the ends, hidden names, device names, odd characters.
    """
    full = name if not suffix or name.endswith(suffix) else name + suffix
    stem = full.split(".")[0].lower().strip()
    if not _NAME.fullmatch(full) or full != full.rstrip(" .") or ".." in full or stem in _DEVICES:
        raise BenchError(
            400,
            "That is no name for a file here.",
            got=repr(name)[:100],
            wanted="letters, digits, space, dot, dash and underscore, 80 at most, no folder",
            do="evening-star",
        )
    return full


def inside(folder: Path, *parts: str) -> Path:
    """The path below a folder, links followed.

    Raises:
        BenchError: where it would lie outside, or in the bench's own folder.
    """
    if any("\x00" in part for part in parts):
        raise BenchError(400, "That is no name for a file here.", got="a zero byte")
    path = folder.joinpath(*parts)
    try:
        real, root = path.resolve(), folder.resolve()
    except (OSError, RuntimeError, ValueError) as cause:
        raise BenchError(400, "That is no name for a file here.", got=str(cause)[:100]) from cause
    if real != root and root not in real.parents:
        raise BenchError(403, "Only the chosen folder can be used.", got="/".join(parts)[:100])
    if OWN_FOLDER in real.relative_to(root).parts:
        raise BenchError(403, "That folder is the bench's own.", got="/".join(parts)[:100])
    return real
