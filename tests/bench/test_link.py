"""A busy engine does not hold up the server: commands wait for it in order, and nothing else waits."""

from __future__ import annotations

import asyncio
import threading
import time
from pathlib import Path
from typing import Any

from icewright.bench.link import Link


def late_reader(pipe: Any, gate: str) -> None:
    """Reads nothing until a file is there; then tells which commands came, in their order."""
    while not Path(gate).exists():
        time.sleep(0.02)
    numbers = []
    while True:
        word, data = pipe.recv()
        if word == "bye":
            return
        if word == "done":
            pipe.send(("came", {"numbers": numbers}))
            continue
        numbers.append(data["number"])


def test_a_full_pipe_does_not_stop_the_loop(tmp_path) -> None:
    """Eight megabytes are far more than a pipe holds (64 KiB on Linux: pipe(7))."""
    gate, came = tmp_path / "gate", []

    async def serve() -> None:
        answered = asyncio.Event()

        def told(word: str, data: dict[str, Any]) -> None:
            came.extend(data["numbers"])
            answered.set()

        link = Link(late_reader, (str(gate),), told, lambda: None)
        for number in range(800):
            assert link.say("go", number=number, weight="x" * 10_000)
        link.say("done")
        gate.touch()  # reached only because nothing above has waited for the reader
        await asyncio.wait_for(answered.wait(), 60)
        link.close()
        assert not link.say("go", number=-1), "closed"

    thread = threading.Thread(target=lambda: asyncio.run(serve()), daemon=True)
    thread.start()
    thread.join(120)
    gate.touch()
    assert not thread.is_alive(), "the loop waited for an engine that was not reading"
    assert came == list(range(800))
