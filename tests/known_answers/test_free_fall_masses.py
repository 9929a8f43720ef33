"""Masses of freely falling crystals after 3 minutes at water saturation, by the round model.

Outside source: fits m = a t^b, J. Meteorol. Soc. Jpn 69, 15, 1991 (by way of a public script; the paper
was not read), with 30 % for habit scatter, ventilation and an unknown pressure; and the diffusion
sphere, worked out with other code from the same outside constants (shared/physics.md 4.1). Times to 30
minutes and the 3D model are in benchmarks/free_fall.py; what does not fit, and by how much, is in
benchmarks/results/free_fall.md. Above all the row of -16.5 degC does not: the published crystal is a
dendrite of twice the sphere's mass at 3 minutes already, the model's is not. It is held here to the
sphere alone, which is a bound on the diffusion and not a success.
"""

from __future__ import annotations

import math

import pytest

from icewright import kinetics
from icewright.growth.run import Simulation
from icewright.recipe import files
from icewright.vapour.scales import scales

TABLES = ("layer-fits", "broad-narrow")


def mass_ug(t_c: float, table: str) -> float:
    recipe = files.loads(
        f'kind = "icewright.recipe"\nschema = 1\nmodel = "round"\nkinetics = "{table}"\n'
        "[seed]\nradius_um = 5\nthickness_um = 10\n[resolution]\nvoxel_um = 1\n"
        f"[[step]]\ntemperature_c = {t_c}\nwater_fraction = 1\nminutes = 3\n"
    )
    s = Simulation(recipe, kinetics.load(table))
    while not s.ended:
        s.advance()
    row = s.reading()
    assert row["field_flux_ratio"] == pytest.approx(1, abs=0.02)  # else the solver did not settle
    return 1e9 * row["mass_kg"]


def sphere_ug(t_c: float, minutes: float) -> float:
    """R^2 = R0^2 + 2 D (c_sat/c_ice) sigma t / (1 + chi0), R0 = 5 um."""
    s = scales(273.15 + t_c, 101325.0)
    squared = 25e-12 + 2 * s.D_m2_s * s.c_ratio * s.sigma_water * 60 * minutes / (1 + s.chi0)
    return 4e9 / 3 * math.pi * squared**1.5 * s.ice_density_kg_m3


@pytest.mark.parametrize(
    ("t_c", "ten", "thirty"),
    [
        (-3.7, 0.366, 1.88),
        (-10.6, 0.976, 5.04),
        (-16.5, 1.03, 5.32),
        (-20.1, 0.911, 4.71),
        (-22.0, 0.826, 4.26),
    ],
)
def test_diffusion_sphere_against_the_table(t_c: float, ten: float, thirty: float) -> None:
    """Three printed digits, worked out elsewhere: 0.5 %."""
    assert sphere_ug(t_c, 10) == pytest.approx(ten, rel=5e-3)
    assert sphere_ug(t_c, 30) == pytest.approx(thirty, rel=5e-3)


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize(("t_c", "published"), [(-10.6, 0.173), (-20.1, 0.185)])
def test_compact_rows_within_the_stated_tolerance(t_c: float, published: float, table: str) -> None:
    assert mass_ug(t_c, table) == pytest.approx(published, rel=0.30)


@pytest.mark.parametrize("table", TABLES)
def test_the_cold_star_is_only_held_to_the_sphere(table: str) -> None:
    """-16.5 degC: 0.361 ug published, 0.173 the sphere. For its mass a body has at least the sphere's
    capacitance, so beyond the little that attachment withholds (10 %) it may not lag behind the sphere."""
    assert mass_ug(-16.5, table) > 0.9 * sphere_ug(-16.5, 3)
