"""A real server in a thread, on a free port, with an invented folder; real engines in their processes."""

from __future__ import annotations

import contextlib
import json
import struct
import threading
import time

import httpx
import pytest
import uvicorn
from websockets.sync.client import connect

from icewright.bench.app import create_app
from icewright.bench.settings import Settings


class Served:
    """A running server: `url`, `client`, and ways to wait."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.app = create_app(settings)
        config = uvicorn.Config(
            self.app, port=0, log_level="warning", ws_per_message_deflate=False, ws_max_size=65536,
            timeout_graceful_shutdown=1,
        )  # fmt: skip
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run, daemon=True)
        self.thread.start()
        until = time.time() + 20
        while not self.server.started and time.time() < until:
            time.sleep(0.02)
        port = self.server.servers[0].sockets[0].getsockname()[1]
        self.url, self.host = f"http://127.0.0.1:{port}", f"127.0.0.1:{port}"
        self.client = httpx.Client(base_url=self.url, timeout=60)

    def stop(self) -> None:
        self.client.close()
        self.server.should_exit = True
        self.thread.join(30)

    def new(self, **asked) -> str:
        answer = self.client.post("/api/sessions", json=asked)
        assert answer.status_code == 201, answer.text
        return answer.json()["id"]

    def session(self, sid: str) -> dict:
        return self.client.get(f"/api/sessions/{sid}").json()

    def post(self, path: str, want: int = 200, **body):
        answer = self.client.post(path, json=body)
        assert answer.status_code == want, answer.text
        return answer.json()

    def until(self, sid: str, is_so, patience_s: float = 60.0) -> dict:
        """The session once `is_so(session)` holds."""
        end = time.time() + patience_s
        while time.time() < end:
            session = self.session(sid)
            if is_so(session):
                return session
            time.sleep(0.05)
        raise AssertionError(f"not within {patience_s} s: {session['state']} {session['notes']}")

    @contextlib.contextmanager
    def socket(self, sid: str, **more):
        url = f"ws://{self.host}/api/sessions/{sid}/live"
        with connect(url, max_size=None, **more) as socket:
            yield socket

    @staticmethod
    def events(socket, name: str, count: int = 1, patience_s: float = 60.0) -> list:
        """The next `count` events of that name; mesh frames are acked on the way."""
        out, end = [], time.time() + patience_s
        while len(out) < count and time.time() < end:
            try:
                message = socket.recv(timeout=1)
            except TimeoutError:
                continue
            if isinstance(message, bytes):
                socket.send(json.dumps({"ack": struct.unpack_from("<I", message, 16)[0]}))
                if name == "frame":
                    out.append(message)
            elif json.loads(message)["event"] == name:
                data = json.loads(message)
                out.append(data.get("is", data))
        assert len(out) == count, f"{len(out)} of {count} {name} events within {patience_s} s"
        return out


@pytest.fixture(scope="session")
def served(tmp_path_factory):
    server = Served(Settings(folder=tmp_path_factory.mktemp("tern-point"), threads=1, most_workers=3))
    yield server
    server.stop()


@pytest.fixture
def fresh(tmp_path):
    """For tests that start and end servers of their own."""
    made = []

    def start(**settings):
        server = Served(Settings(folder=tmp_path, threads=1, **settings))
        made.append(server)
        return server

    yield start
    for server in made:
        server.stop()


@pytest.fixture
def star(served):
    """A session of its own with a coarse star, growing at once; deleted afterwards."""
    sid = served.new(example="star", final_radius_um=150)
    yield sid
    served.client.delete(f"/api/sessions/{sid}")
