"""Frames: Zarr v3 as the library itself reads it, and damage to the files."""

import json

import numpy as np
import pytest
import zarr

from icewright.ground.errors import IcewrightError
from icewright.notebook import frames


@pytest.fixture
def store(tmp_path):
    frames.begin(tmp_path / "frames.zarr")
    return tmp_path / "frames.zarr"


def test_a_frame_comes_back_and_plain_zarr_reads_it(store, record):
    wrote = record()
    frames.write_frame(store, 3, wrote)
    got = frames.read_frame(store, 3)
    for name in ("q", "r", "z_edges_m", "frozen_s"):
        assert got[name].dtype == wrote[name].dtype
        np.testing.assert_array_equal(got[name], wrote[name])
    np.testing.assert_allclose(got["fill"], wrote["fill"], atol=2**-12)  # half precision below 1
    assert (got["spacing_m"], got["symmetry"], got["mirrored"], got["time_s"]) == (
        0.5e-6,
        "sixfold",
        True,
        12.5,
    )
    group = zarr.open_group(store, mode="r")["0003"]
    assert group.metadata.zarr_format == 3
    assert all(group[name].nchunks == 1 for name in ("fill", "frozen_s", "q", "r", "z_edges_m"))
    assert group["frozen_s"].attrs["units"] == "s" and group["fill"].metadata.dimension_names == (
        "column",
        "z",
    )
    assert (group.attrs["kind"], group.attrs["schema"]) == ("icewright.frame", 1)


def test_rounding_makes_no_cell_ice_and_none_vapour(store, record):
    fill = np.array([[0.99999, 1 - 3e-6, 1e-9, 1 - 1e-7, 1.0, 0.0]], dtype=np.float32)
    frames.write_frame(store, 0, record(1, 6) | {"fill": fill, "frozen_s": fill * 0})
    got = frames.read_frame(store, 0)["fill"][0]
    assert got[0] < 1 and got[1] < 1 and got[2] > 0
    assert got[3] == got[4] == 1 and got[5] == 0


def test_mass_of_a_frame_is_kept_to_a_part_in_ten_thousand(store, record):
    wrote = record(4000, 20) | {"fill": np.random.default_rng(5).random((4000, 20)).astype(np.float32)}
    wrote["frozen_s"] = wrote["fill"] * np.nan
    frames.write_frame(store, 0, wrote)
    assert frames.read_frame(store, 0)["fill"].sum() == pytest.approx(wrote["fill"].sum(), rel=1e-4)


@pytest.mark.parametrize("name", ["fill", "frozen_s", "q", "z_edges_m"])
def test_one_changed_byte_is_seen_and_other_frames_still_read(store, name, record):
    for index in (0, 1):
        frames.write_frame(store, index, record())
    chunk = next(item for item in (store / "0001" / name / "c").rglob("*") if item.is_file())
    content = bytearray(chunk.read_bytes())
    content[len(content) // 2] ^= 4
    chunk.write_bytes(content)
    with pytest.raises(IcewrightError, match=r"Frame 1 .* is damaged; the other frames can still be read"):
        frames.read_frame(store, 1)
    frames.read_frame(store, 0)


def test_a_lost_chunk_is_not_read_as_vapour(store, record):
    frames.write_frame(store, 0, record() | {"fill": np.zeros((30, 7), np.float32)})
    assert not frames.read_frame(store, 0)["fill"].any()
    next(item for item in (store / "0000" / "fill" / "c").rglob("*") if item.is_file()).unlink()
    with pytest.raises(IcewrightError, match="missing"):
        frames.read_frame(store, 0)


def test_a_newer_schema_and_a_missing_frame_are_refused(store, record):
    frames.write_frame(store, 0, record())
    head = store / "0000" / "zarr.json"
    data = json.loads(head.read_text())
    data["attributes"]["schema"] = 2
    head.write_text(json.dumps(data))
    with pytest.raises(IcewrightError, match="newer Icewright"):
        frames.read_frame(store, 0)
    with pytest.raises(IcewrightError, match="no frame 5"):
        frames.read_frame(store, 5)


def test_what_a_killed_writer_left_is_not_a_frame(store, record):
    frames.write_frame(store, 0, record())
    (store / ".0001.part").mkdir()
    (store / ".0001.part" / "zarr.json").write_text("{")
    assert frames.list_frames(store) == [0]
    frames.write_frame(store, 1, record())
    frames.write_frame(store, 2, record())
    (store / ".0003.part").mkdir()
    frames.keep_only(store, {0, 2})
    assert frames.list_frames(store) == [0, 2]
    assert sorted(item.name for item in store.iterdir()) == ["0000", "0002", "zarr.json"]


def test_shapes_that_disagree_are_refused(store, record):
    with pytest.raises(IcewrightError, match="frozen_s has the wrong shape"):
        frames.write_frame(store, 0, record() | {"frozen_s": np.zeros((7, 30), np.float32)})
    assert frames.list_frames(store) == []
