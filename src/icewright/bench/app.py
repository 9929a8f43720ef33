"""The application: endpoints, page, errors in one shape, and starting and ending it all."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import sys
import threading
import webbrowser
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, HTMLResponse, JSONResponse
from starlette.exceptions import HTTPException
from starlette.staticfiles import StaticFiles

from icewright.bench import api, corrected_api, design_api, shapes
from icewright.bench.designs import Designs
from icewright.bench.jobs import Jobs
from icewright.bench.security import BenchError, Guard, error_body
from icewright.bench.sessions import Sessions
from icewright.bench.settings import Settings
from icewright.ground.errors import IcewrightError
from icewright.notebook.files import StoreError
from icewright.sweep.lanes import cores

STATIC = Path(__file__).parent / "static"
_NO_PAGE = """<!doctype html><meta charset="utf-8"><title>Icewright bench</title>
<p>The page has not been built here. Build it with <code>python page/build.py</code>, or talk to
<code>/api</code> (src/icewright/bench/PROTOCOL.md).</p>"""


def create_app(settings: Settings) -> FastAPI:
    """The ASGI application of one server; its middleware checks who talks to it."""

    @contextlib.asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        sessions = app.state.sessions = Sessions(settings)
        app.state.jobs = Jobs(sessions.tell_job, settings.threads)
        app.state.designs = Designs(settings.folder, settings.own, settings.threads or max(1, cores() - 1))
        sessions.start()
        warming = asyncio.get_running_loop().run_in_executor(None, _warm)
        try:
            yield
        finally:
            await warming
            await asyncio.gather(app.state.jobs.end(), app.state.designs.end())
            await sessions.stop()

    app = FastAPI(
        title="Icewright bench", version=str(api.PROTOCOL), openapi_url="/api/openapi.json", docs_url=None,
        redoc_url=None, lifespan=lifespan,
    )  # fmt: skip
    app.state.settings = settings
    app.add_middleware(Guard, settings=settings)
    app.add_exception_handler(IcewrightError, _refused)
    app.add_exception_handler(RequestValidationError, _misshapen)
    app.add_exception_handler(HTTPException, _plain)
    app.add_exception_handler(Exception, _fault)
    app.include_router(api.router)
    app.include_router(design_api.router)
    app.include_router(corrected_api.router)
    _name_event_shapes(app)

    @app.get("/", include_in_schema=False, response_model=None)
    async def page() -> FileResponse | HTMLResponse:
        index = STATIC / "index.html"
        if index.is_file():
            return FileResponse(index, headers={"cache-control": "no-cache"})
        return HTMLResponse(_NO_PAGE, 503)

    if STATIC.is_dir():
        app.mount("/", StaticFiles(directory=STATIC), name="static")
    return app


def _warm() -> None:
    """Import what the first session needs, while the browser is still opening."""
    import icewright.recipe.cautions
    import icewright.tasks.sources
    from icewright import kinetics

    for name in kinetics.names():
        kinetics.load(name)
    del icewright


def _name_event_shapes(app: FastAPI) -> None:
    """Put the shapes that only the socket sends into the OpenAPI description, so that types come of them."""
    plain = app.openapi

    def with_events() -> dict[str, Any]:
        made = plain()
        held = made.setdefault("components", {}).setdefault("schemas", {})
        for shape in (shapes.State, shapes.Air, shapes.Clock, shapes.Job, shapes.Setup, shapes.Tree):
            if shape.__name__ not in held:
                schema = shape.model_json_schema(ref_template="#/components/schemas/{model}")
                held |= schema.pop("$defs", {})
                held[shape.__name__] = schema
        return made

    app.openapi = with_events  # type: ignore[method-assign]


async def _refused(request: Request, error: Exception) -> JSONResponse:
    status = 400
    if isinstance(error, BenchError):
        status = error.status
    elif isinstance(error, StoreError):
        status = 409
    return JSONResponse(error_body(error), status)


async def _misshapen(request: Request, error: Exception) -> JSONResponse:
    return JSONResponse(error_body(api.refusal(error), "request"), 422)


async def _plain(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)
    kind = {404: "not here", 405: "method"}.get(error.status_code, "request")
    body = error_body(BenchError(error.status_code, str(error.detail)), kind)
    return JSONResponse(body, error.status_code, headers=error.headers)


async def _fault(request: Request, error: Exception) -> JSONResponse:
    # The traceback goes to the terminal (the server logs it); what the page gets says no more than it must.
    return JSONResponse(
        error_body(
            BenchError(500, "The bench has a fault; its terminal says more.", got=type(error).__name__),
            "fault",
        ),
        500,
    )


def serve(settings: Settings, *, browser: bool = True, ready: Callable[[str], None] | None = None) -> None:
    """Serve until Ctrl-C.

    Args:
        settings: where and what.
        browser: open the page.
        ready: called with the address once it answers.

    Raises:
        IcewrightError: where the port is taken or the host is not ours.
    """
    import uvicorn

    try:
        listening = _listen(settings)
    except OSError as cause:
        raise IcewrightError(
            f"Cannot listen on {settings.host}, port {settings.port}.",
            got=str(cause.strerror or cause),
            do="icewright bench --port 0   (any free port)",
        ) from cause
    port = int(listening.getsockname()[1])
    address = settings.address(port)
    app = create_app(settings)
    # Deflating every message halves the rate of binary meshes, and nothing leaves the machine.
    config = uvicorn.Config(
        app, log_level="warning", ws_per_message_deflate=False, ws_max_size=65536, access_log=False,
        timeout_graceful_shutdown=3, server_header=False,
    )  # fmt: skip
    server = _Server(config, lambda: _tell(address, browser, ready))
    with listening, contextlib.suppress(KeyboardInterrupt):
        asyncio.run(server.serve(sockets=[listening]))


def _listen(settings: Settings) -> socket.socket:
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    made = socket.socket(family, socket.SOCK_STREAM)
    if sys.platform != "win32":
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((settings.host, settings.port))
    except OSError:
        made.close()
        raise
    return made


def _tell(address: str, browser: bool, ready: Callable[[str], None] | None) -> None:
    if ready is not None:
        ready(address)
    if browser:
        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()


def _server_class() -> Any:
    import uvicorn

    class Server(uvicorn.Server):
        def __init__(self, config: Any, started: Callable[[], None]) -> None:
            super().__init__(config)
            self._started_call = started

        async def startup(self, sockets: Any = None) -> None:
            await super().startup(sockets)
            if self.started:
                self._started_call()

    return Server


def _Server(config: Any, started: Callable[[], None]) -> Any:
    return _server_class()(config, started)
