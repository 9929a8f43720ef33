"""Nonsense over HTTP and over the socket: no 500, no crash, one shape of error.

schemathesis and hypothesis think it up from the server's own OpenAPI description. A long fuzz:

    ICEWRIGHT_FUZZ=200 pytest -n0 -m slow tests/bench/test_fuzz.py

so many cases for each operation (60 if it is not said), and fifty times as many messages on sockets.
"""

from __future__ import annotations

import json
import os
import random
import struct
import time
from pathlib import Path

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings

from icewright.bench import api
from icewright.bench.shapes import ErrorBody


@pytest.fixture(scope="module")
def victim(served):
    sid = served.new(example="plate", paused=True)
    yield sid
    served.client.delete(f"/api/sessions/{sid}")


def _fuzz(served, victim, examples):
    """Every operation, `examples` cases each, on a session that is there; says what took longest."""
    slowest: list[tuple[float, str]] = []
    schema = schemathesis.openapi.from_dict(served.client.get("/api/openapi.json").json())
    for result in schema.get_all_operations():
        operation = result.ok()
        # Deleting the victim would leave nothing to fuzz; new sessions and runs cost an engine each.
        if (operation.method.lower(), operation.path) in (
            ("delete", "/api/sessions/{id}"),
            ("post", "/api/sessions"),
            ("post", "/api/sessions/{id}/grow"),
        ):
            continue

        @settings(
            max_examples=examples,
            deadline=None,
            database=None,
            derandomize=True,
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy())
        def one(case):
            if "id" in (case.path_parameters or {}):
                case.path_parameters["id"] = victim
            began = time.monotonic()
            response = case.call(base_url=served.url, timeout=120)
            slowest.append((time.monotonic() - began, f"{case.method} {case.path}"))
            assert response.status_code < 500 or response.status_code == 503, (case, response.text)
            if response.status_code >= 400:
                ErrorBody.model_validate_json(response.text)

        one()
    print("slowest:", *(f"{took:.1f} s {what}" for took, what in sorted(slowest)[-5:]), sep="\n  ")


def test_http_small(served, victim) -> None:
    _fuzz(served, victim, 4)
    assert served.session(victim)["id"] == victim


CASES = int(os.environ.get("ICEWRIGHT_FUZZ", "60"))


@pytest.mark.slow
def test_http_long(served, victim) -> None:
    _fuzz(served, victim, CASES)
    assert served.session(victim)["id"] == victim


@pytest.mark.slow
def test_new_sessions_long(served) -> None:
    """The one operation that starts engines: what it makes is deleted again."""
    schema = schemathesis.openapi.from_dict(served.client.get("/api/openapi.json").json())
    operation = schema["/api/sessions"]["POST"]

    @settings(
        max_examples=CASES,
        deadline=None,
        database=None,
        derandomize=True,
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy())
    def one(case):
        response = case.call(base_url=served.url, timeout=60)
        assert response.status_code < 500 or response.status_code == 503, (case, response.text)
        if response.status_code == 201:
            assert served.client.delete(f"/api/sessions/{response.json()['id']}").status_code == 204
        elif response.status_code >= 400:
            ErrorBody.model_validate_json(response.text)

    one()
    assert served.client.get("/api/about").status_code == 200


NONSENSE = [
    "", "{", "[]", "null", "7", '"x"', "{}", '{"do": 7}', '{"do": "turn"}',
    '{"do": "turn", "temperature_c": 1e999}',
    '{"do": "turn", "sigma_percent": NaN}', '{"do": "go", "time_s": -1}', '{"do": "go", "time_s": 1e300}',
    '{"do": "_lost"}', '{"do": "step", "steps": 0}', '{"ack": "x"}', '{"ack": -5}', '{"frames": 7}',
    '{"frames": {"most_per_s": 0}}', '{"frames": {"most_per_s": true}}', '{"do": "pace", "speed": -1}',
    "[" * 5000, '{"do": "turn", "id": {"a": []}, "temperature_c": -10}', "x" * 30000, "\u0000",
    '{"do": "turn", "temperature_c": "-15"}',
]  # fmt: skip


def test_socket(served, victim) -> None:
    chance = random.Random(5)
    with served.socket(victim) as socket:
        for text in NONSENSE:
            socket.send(text)
        for _ in range(200):
            base = chance.choice(NONSENSE)
            at = chance.randrange(len(base) + 1)
            socket.send(base[:at] + chr(chance.randrange(32, 300)) + base[at:])
        socket.send(b"\x00\xff" * 100)
        socket.send(json.dumps({"do": "pace", "id": "alive", "paused": True}))
        for _ in range(3000):
            message = socket.recv(timeout=20)
            if isinstance(message, str):
                data = json.loads(message)
                if data["event"] == "done" and "error" in data:
                    ErrorBody.model_validate({"error": data["error"]})
                if data.get("id") == "alive":
                    break
        else:
            raise AssertionError("the socket no longer answers")
    assert served.session(victim)["state"]["worker"] != "failed"


@pytest.mark.slow
def test_socket_long(served, victim) -> None:
    """Commands with random values of every type, bytes and broken JSON, on one socket after another."""
    chance = random.Random(7)

    def value(depth: int = 0):
        simple = [
            None, True, False, 0, -1, 7, 0.5, -0.0, 1e308, -1e308, 2**63, "", "x", "\u0000", "a" * 300,
            "NaN", chance.random(), chance.randrange(-(10**6), 10**6),
        ]  # fmt: skip
        kind = chance.randrange(10)
        if depth < 3 and kind == 0:
            return [value(depth + 1) for _ in range(chance.randrange(4))]
        if depth < 3 and kind == 1:
            return {key(): value(depth + 1) for _ in range(chance.randrange(4))}
        return chance.choice(simple)

    keys = [
        "do", "id", "ack", "frames", "most_per_s", "on", "temperature_c", "sigma_percent", "water_fraction",
        "excess_g_m3", "settings", "over_s", "note", "paused", "speed", "beyond", "steps", "seconds",
        "branch", "time_s", "x",
    ]  # fmt: skip

    def key() -> str:
        return chance.choice(keys)

    def text() -> str:
        message = {key(): value() for _ in range(chance.randrange(5))}
        if chance.random() < 0.7:
            message["do"] = chance.choice(["turn", "pace", "step", "go", "", "load", "__class__"])
        out = json.dumps(message)
        if chance.random() < 0.15:
            at = chance.randrange(len(out) + 1)
            out = out[:at] + chr(chance.randrange(1, 500)) + out[at:]
        return out

    for _ in range(CASES // 2):
        with served.socket(victim) as socket:
            for _ in range(100):
                if chance.random() < 0.05:
                    socket.send(chance.randbytes(chance.randrange(200)))
                else:
                    socket.send(text())
            socket.send(json.dumps({"do": "pace", "id": "alive", "paused": True}))
            for _ in range(5000):
                message = socket.recv(timeout=60)
                if isinstance(message, bytes):
                    socket.send(json.dumps({"ack": struct.unpack_from("<I", message, 16)[0]}))
                    continue
                data = json.loads(message)
                if data["event"] == "done" and "error" in data:
                    ErrorBody.model_validate({"error": data["error"]})
                if data.get("id") == "alive":
                    break
            else:
                raise AssertionError("the socket no longer answers")
    assert served.session(victim)["state"]["worker"] != "failed"


def test_every_endpoint_of_the_protocol_is_there(served) -> None:
    text = Path(api.__file__).with_name("PROTOCOL.md").read_text().replace(".../", "/api/sessions/{id}/")
    for path in served.client.get("/api/openapi.json").json()["paths"]:
        assert path in text, f"{path} is not in PROTOCOL.md"


def test_a_time_beyond_all_numbers_is_refused(served, star) -> None:
    """Found by the fuzz: finite in minutes, infinite in seconds."""
    step = {
        "temperature_c": [-15, -15],
        "humidity": {"key": "sigma_percent", "from": 2, "to": 2},
        "minutes": 1.7e308,
    }
    answer = served.client.put(f"/api/sessions/{star}/recipe", json={"steps": [step]})
    assert answer.status_code == 422, answer.text
