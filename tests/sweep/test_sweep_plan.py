"""The sweep file: what it means, that it round-trips, and what it refuses."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from icewright.sweep import plan

EXAMPLES = Path(__file__).parents[2] / "examples"
C = "[common]\nsize_um = 40\n"
T = "[grid]\ntemperature_c = [-5]\n"
HEAD = 'kind = "icewright.sweep"\nschema = 1\n'


def sweep(body: str) -> plan.Sweep:
    return plan.loads(HEAD + body)


def test_a_grid_is_every_combination_in_the_order_of_its_axes() -> None:
    s = sweep("[common]\nsize_um = 40\n[grid]\nsigma_percent = [1, 5]\ntemperature_c = [-15, -5, -2]\n")
    assert list(s.axes) == ["sigma_percent", "temperature_c"]
    cells = list(s.cells())
    assert [cell.place for cell in cells] == [(i, j) for i in range(2) for j in range(3)]
    cell = cells[4]
    assert cell.values["sigma_percent"] == 5
    assert cell.values["temperature_c"] == -5
    step = cell.recipe.steps[0]
    assert step.temperature_at(0.0) == pytest.approx(268.15, abs=1e-12)
    assert step.sigma_at(0.0) == pytest.approx(0.05, abs=1e-12)
    # size_um is half the greatest extent: a radius, or half a thickness.
    assert (step.endings.radius_m, step.endings.thickness_m) == (40e-6, 80e-6)


def test_ranges_even_and_logarithmic() -> None:
    s = sweep(
        "[common]\nsize_um = 40\n[grid]\ntemperature_c = { from = -2, to = -30, by = -7 }\n"
        'sigma_percent = { from = 1, to = 100, count = 3, spacing = "log" }\n'
    )
    assert s.axes["temperature_c"] == (-2, -9, -16, -23, -30)
    assert s.axes["sigma_percent"] == (1, 10, 100)


def test_every_axis_may_vary_and_holders_have_words() -> None:
    s = sweep(
        '[common]\nsize_um = 40\nwater_fraction = 1\n[grid]\ntemperature_c = [-15]\nkinetics = ["layer-fits",'
        ' "broad-narrow"]\nheld = ["free", { way = "needle", stalk_radius_um = 1.5 }]\npressure_hpa = [500,'
        ' 1013.25]\ndiffusivity = ["1976", "1998"]\nmodel = ["round", "3d"]\nseed_radius_um = [3, 5]\n'
    )
    assert len(s) == 2**6
    assert s.axes["held"] == ("free", "needle, stalk_radius_um 1.5")
    assert s.humidity == "water_fraction"
    last = list(s.cells())[-1]
    assert last.recipe.held.way == "needle"
    assert last.recipe.model == "3d"
    assert last.recipe.seed.radius_m == 5e-6


def test_a_list_of_cells() -> None:
    s = sweep(
        "[common]\nsize_um = 30\n[[cell]]\ntemperature_c = -5\nexcess_g_m3 = 0.1\n"
        "[[cell]]\ntemperature_c = -15\nexcess_g_m3 = 0.2\nsize_um = 60\n"
    )
    assert list(s.axes) == ["cell"]
    assert [cell.values["size_um"] for cell in s.cells()] == [30, 60]
    # Computed from Q. J. R. Meteorol. Soc. 131, 1539, 2005 at -15 degC: 15.742 % is 0.2184 g/m3
    sigma = list(s.cells())[1].recipe.steps[0].sigma_at(0.0)
    assert sigma == pytest.approx(0.15742 * 0.2 / 0.2184, rel=2e-3)


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("atlas-*.toml")), ids=lambda p: p.stem)
def test_examples_open_and_every_sweep_written_back_is_the_same(path) -> None:
    s = plan.read(path)
    again = plan.loads(plan.dumps(s))
    assert again == s
    assert [s.name_of(c) for c in s.cells()] == [again.name_of(c) for c in again.cells()]


def test_a_cells_name_hangs_on_what_decides_the_crystal_and_on_nothing_else(tmp_path) -> None:
    body = "[common]\nsize_um = 40\n[grid]\ntemperature_c = [-15]\nsigma_percent = [{s}]\n"
    one = sweep(body.format(s=2))
    names = [one.name_of(cell) for cell in one.cells()]
    other = plan.loads(HEAD + 'title = "renamed"\n' + body.format(s="2, 3") + "[limits]\nwall_s = 5\n")
    assert [other.name_of(cell) for cell in other.cells()][:1] == names
    pressed = sweep("[common]\nsize_um = 40\npressure_hpa = 900\n" + body.format(s=2).split("\n", 2)[2])
    assert [pressed.name_of(cell) for cell in pressed.cells()] != names


def test_a_users_table_is_named_by_its_content(tmp_path) -> None:
    table = (
        'kind = "icewright.kinetics"\nschema = 1\nname = "ours"\nsource = "invented for a test"\n'
        'how = "from memory"\n[basal]\ntemperature_c = [-15]\nsigma0_percent = [{}]\nA = [1]\n'
        "[prism]\ntemperature_c = [-15]\nsigma0_percent = [2]\nA = [1]\n"
    )
    (tmp_path / "ours.toml").write_text(table.format(2))
    text = (
        HEAD
        + '[common]\nsize_um = 40\nkinetics = "ours.toml"\n'
        + "[grid]\ntemperature_c = [-15]\nsigma_percent = [2]\n"
    )
    (tmp_path / "s.toml").write_text(text)
    first = plan.read(tmp_path / "s.toml")
    assert next(first.cells()).values["kinetics"] == "ours"
    name = first.name_of(next(first.cells()))
    (tmp_path / "ours.toml").write_text(table.format(3))
    second = plan.read(tmp_path / "s.toml")
    assert second.name_of(next(second.cells())) != name


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (f"{T}sigma_percent = [2]\n", "size_um"),
        (f"{C}{T}", "sigma_percent"),
        (f"{C}{T}sigma_percent = [2]\nwater_fraction = [1]\n", "one of"),
        (f"{C}[grid]\ntemperature_c = [5]\nsigma_percent = [2]\n", "above freezing"),
        (f"{C}[grid]\ntemperature = [-5]\nsigma_percent = [2]\n", "temperature_c"),
        (f"{C}[grid]\ntemperature_c = [-5, -5]\nsigma_percent = [2]\n", "each once"),
        (f"{C}sigma_percent = [2]\n{T}", "[grid]"),
        (f"{C}[grid]\ntemperature_c = {{ from = -5, to = -9, by = 1 }}\nsigma_percent = [2]\n", "by"),
        (f"{C}", "[grid]"),
        (f"{C}kinetics = 'no-such'\n{T}sigma_percent = [2]\n", "broad-narrow"),
        (f"[common]\nsize_um = 2\n{T}sigma_percent = [2]\n", "the seed already has"),
        (f"{C}{T}sigma_percent = [400]\n", "at most 300 %"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_before_anything_grows(body, said) -> None:
    from icewright.ground.errors import IcewrightError

    with pytest.raises(IcewrightError) as refused:
        sweep(body)
    assert said in str(refused.value)


def test_a_newer_file_is_refused() -> None:
    with pytest.raises(plan.SweepPlanError, match="newest"):
        plan.loads('kind = "icewright.sweep"\nschema = 2\n')


def test_numbers_keep_the_digits_that_were_typed() -> None:
    s = sweep("[common]\nsize_um = 40\n[grid]\ntemperature_c = [-0.1, -0.3]\nsigma_percent = [0.7]\n")
    assert s.axes["temperature_c"] == (-0.1, -0.3)
    assert not any(math.isclose(v, -0.1, abs_tol=0) and v != -0.1 for v in s.axes["temperature_c"])
