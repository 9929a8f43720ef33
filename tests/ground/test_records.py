"""Stamps on every file: kind, schema, and refusal of newer data. Project rule; no outside source."""

from __future__ import annotations

import pickle

import pytest

from icewright.ground.errors import IcewrightError, RecordError
from icewright.ground.records import check_keys, check_kind, stamp


def test_a_stamped_record_is_accepted_back() -> None:
    record = stamp("icewright.thing", 2, {"size": 3})
    assert list(record) == ["kind", "schema", "size"]
    assert check_kind(record, "icewright.thing", 2) == 2
    assert check_kind(record, "icewright.thing", 5) == 2


def test_newer_data_is_refused_and_says_what_to_do() -> None:
    with pytest.raises(RecordError) as caught:
        check_kind({"kind": "icewright.thing", "schema": 3}, "icewright.thing", 2)
    lines = str(caught.value).splitlines()
    assert "newer Icewright" in lines[0]
    assert "schema = 3" in lines[1]
    assert lines[2] == "try: pip install --upgrade icewright"


@pytest.mark.parametrize(
    "data",
    [
        {},
        {"kind": "icewright.other", "schema": 1},
        {"kind": "icewright.thing"},
        {"kind": "icewright.thing", "schema": "1"},
        {"kind": "icewright.thing", "schema": True},
        {"kind": "icewright.thing", "schema": 0},
        {"kind": "icewright.thing", "schema": 1.0},
    ],
)
def test_wrong_or_missing_stamps_are_refused(data: dict[str, object]) -> None:
    with pytest.raises(RecordError) as caught:
        check_kind(data, "icewright.thing", 2)
    assert caught.value.got and caught.value.wanted


def test_a_second_stamp_must_agree() -> None:
    assert stamp("a", 1, {"kind": "a", "schema": 1}) == {"kind": "a", "schema": 1}
    with pytest.raises(RecordError, match="its own 'schema'"):
        stamp("a", 1, {"schema": 2})


def test_missing_and_unknown_keys_are_named() -> None:
    with pytest.raises(RecordError, match="lacks radius_um"):
        check_keys({"thickness_um": 1}, required=("radius_um", "thickness_um"))
    with pytest.raises(RecordError, match="unknown keys: radius_mm"):
        check_keys({"radius_um": 1, "radius_mm": 1}, required=("radius_um",))


def test_errors_survive_the_way_home_from_a_worker_process() -> None:
    # Python's pickle protocol is what multiprocessing sends errors with.
    sent = RecordError("What.", got="a", wanted="b", do="c")
    home = pickle.loads(pickle.dumps(sent))
    assert type(home) is RecordError
    assert (home.got, home.wanted, home.do, str(home)) == ("a", "b", "c", "What.\ngot: a; wanted: b\ntry: c")


def test_empty_parts_leave_no_empty_lines() -> None:
    assert str(IcewrightError("Only this.")) == "Only this."
    assert str(IcewrightError(got="7")) == "got: 7"
    assert str(IcewrightError(do="that")) == "try: that"
