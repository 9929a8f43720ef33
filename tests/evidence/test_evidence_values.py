"""The outside values that comparisons judge by, and the arithmetic that judges, each against its source."""

import math

import pytest

from icewright.evidence import (
    free_fall_masses,
    moved_values,
    plate_thickness,
    registry,
    rival_kinetics,
    two_spheres,
)
from icewright.evidence.bodies import capacitance, spheroid
from icewright.evidence.model import (
    AGREES,
    CANNOT_TELL,
    DISAGREES,
    FROM_MEMORY,
    Finding,
    Row,
    judged,
    together,
)
from icewright.evidence.temperature_scan import crossings, peak


@pytest.mark.parametrize(
    ("t_c", "masses", "sphere"),
    [
        (-3.7, (0.061, 0.327, 0.862, 1.52), (0.366, 1.88)),
        (-10.6, (0.173, 1.068, 3.04, 5.61), (0.976, 5.04)),
        (-16.5, (0.361, 2.85, 10.7, 23.2), (1.03, 5.32)),
        (-20.1, (0.185, 1.05, 2.84, 5.09), (0.911, 4.71)),
        (-22.0, (0.162, 0.894, 2.39, 4.26), (0.826, 4.26)),
    ],
)
def test_free_fall_fits_and_sphere_against_the_worked_table(t_c, masses, sphere):
    """shared/physics.md 4.1, public rows, printed to three digits (computed there with other code)."""
    for minutes, want in zip((3, 10, 20, 30), masses, strict=True):
        assert free_fall_masses.published_ug(t_c, minutes) == pytest.approx(want, rel=6e-3, abs=5e-4)
    for minutes, want in zip((10, 30), sphere, strict=True):
        assert free_fall_masses.sphere_ug(t_c, minutes) == pytest.approx(want, rel=6e-3)


@pytest.mark.parametrize(("distance", "factor"), [(2, 0.69314718), (3, 0.75720438), (10, 0.90917423)])
def test_two_sphere_factor(distance, factor):
    """shared/physics.md section 3, checked there against image charges to 8 digits."""
    assert two_spheres.published(distance) == pytest.approx(factor, abs=1e-8)


def test_the_plate_relation_at_a_millimetre():
    """44.9 um (shared/physics.md 4.2, the relation itself from memory)."""
    assert plate_thickness.published_um(1000) == pytest.approx(44.9, abs=0.05)


def test_a_body_above_the_mirror_is_one_of_two():
    """Potential theory: at 3 radii each sphere draws 0.757 of a lone one; 2 % for 12 voxels in radius."""
    lone = 2 * capacitance("round", 12, 0, 12, spheroid(12, 12))[0]
    each, far = capacitance("round", 12, 6, 30, spheroid(12, 12, 18))
    assert each / lone == pytest.approx(0.75720, rel=0.02)
    assert far == pytest.approx(1, abs=2e-3)


def test_peak_finds_the_top_of_a_parabola():
    at = [-1.0, -2.0, -4.0, -5.0, -8.0]
    assert peak(at, [3 - (t + 4.4) ** 2 for t in at]) == pytest.approx(-4.4)
    assert peak(at, [1, 2, 3, 4, 5]) == -8.0
    assert peak(at, [None] * 5) is None
    assert peak(at, [None, 1, 5, None, 2]) == pytest.approx(-5.2, abs=0.6)


def test_crossings_interpolate_the_logarithm():
    found = crossings([-2, -4, -8], [math.exp(-1), math.exp(1), math.exp(-3)])
    assert found == [(pytest.approx(-3.0), True), (pytest.approx(-5.0), False)]
    assert crossings([-2, -4], [None, 2.0]) == []


def test_a_value_from_memory_never_makes_a_verdict():
    assert judged(5.0, 0, 1) == DISAGREES
    assert judged(5.0, 0, 10) == AGREES
    assert judged(5.0, 0, 1, FROM_MEMORY) == CANNOT_TELL
    assert judged(None, 0, 1) == CANNOT_TELL
    assert judged(math.nan, 0, 1) == DISAGREES


def test_one_disagreement_outweighs_agreements():
    assert together([AGREES, CANNOT_TELL, DISAGREES]) == DISAGREES
    assert together([AGREES, CANNOT_TELL]) == AGREES
    assert together([]) == CANNOT_TELL
    rows = tuple(
        Row("x", "1", "public", k, "1976", 1.0, "", 0.0, v)
        for k, v in (("a", AGREES), ("a", DISAGREES), ("b", AGREES))
    )
    assert Finding(rows).verdicts() == {"a": DISAGREES, "b": AGREES}


def test_a_statement_survives_only_if_nothing_turns_it():
    s = next(iter(moved_values.standard_set.STATEMENTS))
    assert moved_values._verdict(s, True, True) == AGREES
    assert moved_values._verdict(s, False, True) == DISAGREES
    assert moved_values._verdict(s, True, False) == CANNOT_TELL


def test_every_comparison_names_its_source_and_what_it_states():
    for name in registry.names():
        c = registry.load(name)
        assert c.name == name
        assert c.title.endswith("?")
        assert len(c.source) > 20 and len(c.states) > 20


def test_a_reading_parts_two_tables_only_beyond_its_error_and_their_own_spread():
    """Worked by hand: radii 50 and 60 um, lengths read to 3 %: |ln 1.2|/0.03 = 6.08 alone; a table that may
    give 50 to 55 um has a half range of ln(1.1)/2 = 0.0477 more.
    """

    def read(radius):
        return {
            "radius_um": radius,
            "thickness_um": 50.0,
            "mass_ug": 1.0,
            "hollow_share": 0.0,
            "aspect_ratio": 1.0,
        }

    alone = rival_kinetics._deviations([[read(50.0)], [read(60.0)]], "radius_um")
    assert alone == pytest.approx(6.08, abs=0.01)
    spread = rival_kinetics._deviations([[read(50.0), read(55.0)], [read(60.0)]], "radius_um")
    assert spread == pytest.approx(math.log(1.2) / math.hypot(0.03, 0.04766), rel=1e-3)
    assert rival_kinetics._deviations([[read(50.0)], [read(50.0)]], "mass_ug") == 0


def test_a_mass_is_read_no_better_than_its_lengths():
    """A crystal of 3 um in radius, to 1 um: its mass (a^2 c) is known to no better than 69 %."""
    small = {"radius_um": 3.0, "thickness_um": 6.0}
    assert rival_kinetics._reading_error(small, "mass_ug") == pytest.approx(math.hypot(2 / 3, 1 / 6))
    large = {"radius_um": 300.0, "thickness_um": 100.0}
    assert rival_kinetics._reading_error(large, "mass_ug") == pytest.approx(0.10)
