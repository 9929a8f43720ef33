"""The built-in engine through kill -9 and back: the same bytes as a run never stopped."""

import json
import signal
import subprocess
import sys
import time

import numpy as np
import pytest

from icewright.notebook import checkpoint
from icewright.notebook.frames import list_frames, read_frame
from icewright.tasks.grow import grow

pytest.importorskip("icewright.growth.run", reason="the engine is not built yet")

RECIPE = """
kind = "icewright.recipe"
schema = 1
title = "Tern Point cold room: a small star"
{model}
[seed]
radius_um = 3
thickness_um = 2

[resolution]
voxel_um = 0.5

[[step]]
temperature_c = -15
sigma_percent = 15
radius_um = 12

[[step]]
temperature_c = -15
sigma_percent = 2
minutes = 0.5
"""
SCRIPT = (
    "import sys; from icewright.tasks.grow import grow; "
    "grow(sys.argv[1], sys.argv[2], checkpoint_every_s=0.0, pictures=False)"
)


@pytest.mark.parametrize("model", ["3d", "round"])
def test_kill_9_and_resume_give_the_same_bytes(tmp_path, model):
    recipe = tmp_path / "star.toml"
    recipe.write_text(RECIPE.format(model=f'model = "{model}"\n'))
    straight, killed = tmp_path / "straight", tmp_path / "killed"
    grow(recipe, straight, pictures=False)
    process = subprocess.Popen([sys.executable, "-c", SCRIPT, str(recipe), str(killed)])
    end = time.monotonic() + 300  # the first start compiles the kernels
    while not (killed / "checkpoint/b.npz").exists() or checkpoint.load(killed / "checkpoint").number < 6:
        assert process.poll() is None and time.monotonic() < end
        time.sleep(0.01)
    process.kill()
    assert process.wait() == -signal.SIGKILL
    assert json.loads((killed / "run.json").read_text())["state"] == "growing"
    assert grow(None, killed, resume=True, pictures=False).complete
    assert (killed / "series.csv").read_bytes() == (straight / "series.csv").read_bytes()
    indices = list_frames(straight / "frames.zarr")
    assert indices == list_frames(killed / "frames.zarr")
    for index in indices:
        a, b = (read_frame(folder / "frames.zarr", index) for folder in (straight, killed))
        assert a["fill"].tobytes() == b["fill"].tobytes()
        assert a["frozen_s"].tobytes() == b["frozen_s"].tobytes()
    a, b = (checkpoint.load(folder / "checkpoint").state for folder in (straight, killed))
    assert list(a) == list(b)
    for name in a:
        assert np.asarray(a[name]).tobytes() == np.asarray(b[name]).tobytes(), name
