"""A sweep of small crystals, a log of cells grown, and a real cluster of one scheduler and one worker."""

import os
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

HERE = Path(__file__).parent

# Two temperatures by three supersaturations, 9 um crystals on 0.5 um voxels: a fraction of a second each.
SMALL = """
kind = "icewright.sweep"
schema = 1
title = "Tern Point trial"
[common]
size_um = 9
[grid]
temperature_c = [-5, -15]
sigma_percent = [2, 5, 8]
[resolution]
voxel_um = 0.5
"""


@pytest.fixture
def small():
    from icewright.sweep import plan

    return plan.loads(SMALL)


@pytest.fixture
def log(tmp_path, monkeypatch):
    path = tmp_path / "log"
    path.touch()
    monkeypatch.setenv("SWEEP_LOG", str(path))
    return path


class Cluster:
    """`dask scheduler` and `dask worker` as a user starts them, on a port of their own."""

    def __init__(self, folder, env):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.address = f"tcp://127.0.0.1:{self.port}"
        self.folder, self.env = folder, env
        self.processes = {}

    def start(self, what):
        words = {
            "scheduler": ["scheduler", "--host", "127.0.0.1", "--port", str(self.port), "--no-dashboard"],
            "worker": [
                "worker", self.address, "--nthreads", "1", "--no-dashboard", "--host", "127.0.0.1",
                "--local-directory", str(self.folder),
            ],
        }[what]  # fmt: skip
        with (self.folder / f"{what}.log").open("a") as out:
            self.processes[what] = subprocess.Popen(
                [sys.executable, "-m", "dask", *words], env=self.env, stdout=out, stderr=out
            )

    def wait_for_worker(self, seconds=30):
        from distributed import Client

        with Client(self.address, timeout=seconds, set_as_default=False) as client:
            client.wait_for_workers(1, timeout=seconds)

    def kill(self, what):
        self.processes[what].kill()
        self.processes[what].wait()

    def stop(self):
        for what in ("worker", "scheduler"):
            process = self.processes.get(what)
            if process is not None and process.poll() is None:
                process.terminate()
        end = time.monotonic() + 10
        for process in self.processes.values():
            try:
                process.wait(max(0.1, end - time.monotonic()))
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


@pytest.fixture
def cluster(tmp_path, log):
    pytest.importorskip("distributed")
    path = os.pathsep.join([str(HERE), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
    env = dict(os.environ, PYTHONPATH=path, SWEEP_LOG=str(log), NUMBA_NUM_THREADS="1")
    folder = tmp_path / "cluster"
    folder.mkdir()
    held = Cluster(folder, env)
    held.start("scheduler")
    held.start("worker")
    try:
        held.wait_for_worker()
        yield held
    finally:
        held.stop()
