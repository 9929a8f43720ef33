"""Checkpoints, torn in every way a power cut or a full disk tears them."""

import errno
import os

import numpy as np
import pytest

from icewright.ground.errors import IcewrightError
from icewright.notebook import checkpoint

STATE = {
    "field/sigma": np.linspace(0, 1, 60, dtype=np.float32).reshape(5, 12),
    "frozen": np.array([[np.nan, 3.0], [-0.0, np.inf]]),
    "mask": np.array([True, False]),
    "empty": np.zeros((0, 3)),
    "turned": np.asfortranarray(np.arange(12.0).reshape(3, 4)),
    "time_s": 0.1 + 0.2,
    "narrow": np.float32(0.1),
    "step_index": 3,
    "ended": None,
    "rule": "joined",
    "moments": [1.5, -2.0e-300],
}


def same(one, other):
    assert list(one) == list(other)
    for name, value in one.items():
        got = other[name]
        assert type(got) is type(value), name
        if isinstance(value, np.ndarray):
            assert got.dtype == value.dtype and got.shape == value.shape, name
            assert np.ascontiguousarray(got).tobytes() == np.ascontiguousarray(value).tobytes(), name
        else:
            assert got == value, name


def test_a_state_comes_back_to_the_bit(tmp_path):
    checkpoint.save(tmp_path / "c", 1, STATE, {"rows": 4})
    kept = checkpoint.load(tmp_path / "c")
    same(STATE, kept.state)
    assert (kept.number, kept.notes, kept.torn) == (1, {"rows": 4}, "")


def test_none_written_is_none(tmp_path):
    assert checkpoint.load(tmp_path / "nothing") is None


def test_the_newest_wins_and_two_files_are_all_there_are(tmp_path):
    for number in range(1, 6):
        checkpoint.save(tmp_path, number, STATE | {"step_index": number}, {})
    assert checkpoint.load(tmp_path).state["step_index"] == 5
    assert sorted(item.name for item in tmp_path.iterdir()) == ["a.npz", "b.npz"]
    checkpoint.drop_older(tmp_path)
    assert [item.name for item in tmp_path.iterdir()] == ["b.npz"]
    assert checkpoint.load(tmp_path).number == 5


@pytest.mark.parametrize("part", [0.0, 0.01, 0.3, 0.7, 0.98, 0.9999])
def test_a_torn_newest_gives_the_one_before_and_says_so(tmp_path, part):
    checkpoint.save(tmp_path, 1, STATE, {})
    newest = checkpoint.save(tmp_path, 2, STATE, {})
    content = newest.read_bytes()
    newest.write_bytes(content[: int(len(content) * part)])
    kept = checkpoint.load(tmp_path)
    assert kept.number == 1
    assert newest.name in kept.torn and "torn" in kept.torn and "checkpoint 1" in kept.torn


def test_one_flipped_bit_anywhere_in_the_data_is_seen(tmp_path):
    checkpoint.save(tmp_path, 1, STATE, {})
    newest = checkpoint.save(tmp_path, 2, STATE, {})
    content = newest.read_bytes()
    at = content.index(STATE["field/sigma"].tobytes()) + 33
    newest.write_bytes(content[:at] + bytes([content[at] ^ 1]) + content[at + 1 :])
    assert checkpoint.load(tmp_path).number == 1


def test_a_hash_sees_content_that_a_zip_check_would_pass(tmp_path):
    checkpoint.save(tmp_path, 1, STATE, {})
    newest = checkpoint.save(tmp_path, 2, STATE, {})
    with np.load(newest) as stored:
        members = dict(stored)
    members["array_0"] = members["array_0"] + np.float32(1e-3)
    np.savez(newest, **members)  # a whole zip, with a good check sum of the wrong numbers
    kept = checkpoint.load(tmp_path)
    assert kept.number == 1 and "hash" in kept.torn


def test_both_torn_is_refused_in_words(tmp_path):
    for number in (1, 2):
        checkpoint.save(tmp_path, number, STATE, {}).write_bytes(b"PK")
    with pytest.raises(IcewrightError, match=r"(?s)No checkpoint .* is whole.*--out"):
        checkpoint.load(tmp_path)


def test_a_newer_schema_is_refused_and_not_passed_over(tmp_path, monkeypatch):
    checkpoint.save(tmp_path, 1, STATE, {})
    monkeypatch.setattr(checkpoint, "SCHEMA", 2)
    checkpoint.save(tmp_path, 2, STATE, {})
    monkeypatch.undo()
    with pytest.raises(IcewrightError, match="newer Icewright"):
        checkpoint.load(tmp_path)


def test_a_full_disk_keeps_the_old_ones(tmp_path, monkeypatch):
    checkpoint.save(tmp_path, 1, STATE, {})
    checkpoint.save(tmp_path, 2, STATE, {})

    def full(*_args, **_kw):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(np, "savez", full)
    with pytest.raises(IcewrightError, match="disk is full"):
        checkpoint.save(tmp_path, 3, STATE, {})
    monkeypatch.undo()
    assert checkpoint.load(tmp_path).number == 2
    assert sorted(item.name for item in tmp_path.iterdir()) == ["a.npz", "b.npz"]


def test_objects_and_unsavable_values_are_refused(tmp_path):
    with pytest.raises(IcewrightError, match="array of objects"):
        checkpoint.save(tmp_path, 1, {"x": np.array([object()])}, {})
    with pytest.raises(IcewrightError, match="cannot be saved"):
        checkpoint.save(tmp_path, 1, {"x": object()}, {})
