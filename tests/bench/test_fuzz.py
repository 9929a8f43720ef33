"""Nonsense over HTTP and over the socket: no 500, no crash, one shape of error.

schemathesis and hypothesis think it up from the server's own OpenAPI description.
"""

from __future__ import annotations

import json
import random
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
    """Every operation, `examples` cases each, on a session that is there."""
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
            response = case.call(base_url=served.url, timeout=30)
            assert response.status_code < 500 or response.status_code == 503, (case, response.text)
            if response.status_code >= 400:
                ErrorBody.model_validate_json(response.text)

        one()


def test_http_small(served, victim) -> None:
    _fuzz(served, victim, 4)
    assert served.session(victim)["id"] == victim


@pytest.mark.slow
def test_http_long(served, victim) -> None:
    _fuzz(served, victim, 60)
    assert served.session(victim)["id"] == victim


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
