"""A user's own table: what the file means and what is refused (invented data, Tern Point science museum)."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from icewright import kinetics
from icewright.ground.errors import IcewrightError, KineticsError, RecordError
from icewright.ground.sources import source
from icewright.kinetics import user_table
from icewright.kinetics.barriers import BarrierKinetics

GOOD = """\
kind = "icewright.kinetics"
schema = 1
name = "tern-point-2026"
source = "needle and plate runs, cold room of the Tern Point science museum, 2026"
how = "measured"
uncertainty = 0.3

[basal]
temperature_c = [-2, -5, -15]
sigma0_percent = [0.9, 0.7, 2.2]
A = [1, 1, 1]

[prism]
temperature_c = [-15, -2, -5]
sigma0_percent = [2.7, 0.15, 0.17]
A = [1, 0.15, 0.15]
how = ["measured", "from memory", "measured"]

[prism.dip]
centre_c = -14.5
depth = 0.2
half_width_k = 2.0
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def read(folder: Path, text: str) -> BarrierKinetics:
    table = kinetics.load(written(folder, text))
    assert isinstance(table, BarrierKinetics)
    return table


def test_a_good_table(tmp_path: Path) -> None:
    table = read(tmp_path, GOOD)
    assert table.name == "tern-point-2026"
    assert table.valid_range_k == pytest.approx((258.15, 271.15))
    assert table.barrier(258.15, 1) == pytest.approx((0.027, 1.0))
    # Half way in temperature: the geometric mean of sigma0, the mean of A.
    assert table.barrier(263.15, 1) == pytest.approx(((0.027 * 0.0017) ** 0.5, 0.575))
    assert float(table.narrow_factor(258.65, 1, np.array(1e-9))) == pytest.approx(0.2)
    assert float(table.narrow_factor(258.65, 0, np.array(1e-9))) == 1.0


def test_standing_is_told_value_by_value(tmp_path: Path) -> None:
    table = read(tmp_path, GOOD)
    assert table.from_memory(271.15) and table.from_memory(269.0)  # leans on the remembered -2 degC row
    assert not table.from_memory(268.15) and not table.from_memory(265.0)
    # Near the dip the width law counts too, and a file without [width] takes Icewright's, from memory.
    assert table.from_memory(258.65)
    own_width = read(tmp_path, GOOD + "\n[width]\nphysical_um = 0.1\nsubgrid_um = 0\n")
    assert not own_width.from_memory(258.65)
    assert "+-30 %" in table.notes(265.0)
    assert any("Tern Point" in source(key).citation for key in table.sources())


def test_uncertainty_left_out_is_not_shown_as_zero(tmp_path: Path) -> None:
    table = read(tmp_path, GOOD.replace("uncertainty = 0.3\n", ""))
    assert "uncertainty not stated" in table.notes(265.0)


def test_valid_range_can_be_widened_and_then_the_end_value_is_held(tmp_path: Path) -> None:
    table = read(tmp_path, GOOD + "\n[valid]\ncoldest_c = -20\nwarmest_c = 0\n")
    assert table.valid_range_k == pytest.approx((253.15, 273.15))
    assert table.barrier(253.15, 1) == pytest.approx((0.027, 1.0))
    assert "end value of the table held" in table.notes(253.15)


REFUSALS = [
    ('kind = "icewright.kinetics"', 'kind = "icewright.recipe"', "not the kind"),
    ("schema = 1", "schema = 2", "newer Icewright"),
    ('how = "measured"\nuncertainty', 'how = "certain"\nuncertainty', "how its values are known"),
    ("source = ", "sauce = ", "unknown keys: sauce"),
    ("uncertainty = 0.3", "uncertainty = 0", "above zero"),
    ("sigma0_percent = [0.9, 0.7, 2.2]", "sigma0_percent = [0.9, 0.7]", "one length"),
    ("sigma0_percent = [0.9, 0.7, 2.2]", "sigma0_percent = [0.9, 0.7, 0]", "cannot be"),
    ("sigma0_percent = [0.9, 0.7, 2.2]", 'sigma0_percent = [0.9, 0.7, "2"]', "must be a number"),
    ("A = [1, 1, 1]", "A = [1, 1, 1.2]", "cannot be"),
    ("A = [1, 1, 1]", "", "lacks A"),
    ("temperature_c = [-2, -5, -15]", "temperature_c = [-2, -5, -5]", "twice"),
    ("depth = 0.2", "depth = 2", "cannot be"),
    ("depth = 0.2", "deep = 0.2", "lacks depth"),
    ("[prism]", "[prysm]", "unknown keys: prysm"),
    ("[basal]", "[basal", "not TOML"),
]


@pytest.mark.parametrize(("old", "new", "words"), REFUSALS)
def test_refusals(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert old in GOOD
    with pytest.raises(IcewrightError, match=re.escape(words)) as caught:
        read(tmp_path, GOOD.replace(old, new, 1))
    assert caught.value.got


def test_no_origin_at_all_is_refused(tmp_path: Path) -> None:
    text = re.sub(r"(?m)^(source|how) = .*\n", "", GOOD)
    with pytest.raises(KineticsError, match="Where do the values"):
        read(tmp_path, text)


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(KineticsError, match="cannot be read"):
        kinetics.load(tmp_path / "none.toml")


def test_the_layout_in_the_docs_of_the_module_is_a_good_table() -> None:
    import tomllib

    doc = user_table.__doc__ or ""
    text = "\n".join(line[4:] for line in doc.split("::\n", 1)[1].splitlines())
    table = user_table.from_dict(tomllib.loads(text))
    assert table.name == "tern-point-2026"
    assert table.valid_range_k == pytest.approx((253.15, 273.15))


def test_records_of_another_kind_are_a_record_error() -> None:
    with pytest.raises(RecordError):
        user_table.from_dict({"kind": "icewright.run", "schema": 1})
