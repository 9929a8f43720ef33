"""Calibration from what the ice shows.

Outside checks: the project's table of reservoir chambers and its cylinder and Gibbs-Thomson rows (tagged
public), scipy's integrator and least squares, and the statistics of drawn observations.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import least_squares

from icewright.apparatus import witnesses
from icewright.apparatus.calibrate import SUPERSATURATION, Observation, calibrate, observation
from icewright.apparatus.file import loads
from icewright.apparatus.witnesses import CalibrationError
from icewright.growth.closed_forms import cylinder
from icewright.vapour.scales import scales

P = 101325.0
APPARATUS = """
kind = "icewright.apparatus"
schema = 1
apparatus = "reservoir"
title = "Tern Point cold room"
[dimension]
gap_mm = 20
[setting.reservoir_c]
low = -30
high = 0
smallest_step = 0.01
[setting.plate_c]
low = -30
high = 0
smallest_step = 0.01
[thermometer.reservoir]
on = "reservoir_c"
uncertainty_c = 0.1
[thermometer.plate]
on = "plate_c"
uncertainty_c = 0.1
"""
AT_ONE_ATMOSPHERE = "\n[air]\npressure_hpa = 1013.25\n"


def chamber(text: str = APPARATUS):
    return loads(text + AT_ONE_ATMOSPHERE)


def droplets(reservoir: float, plate: float, before: float | None = None) -> Observation:
    earlier = None if before is None else {"reservoir_c": before}
    return Observation("droplets", {"reservoir_c": reservoir, "plate_c": plate}, earlier)


@pytest.mark.parametrize(("plate_c", "needed"), [(-5.0, 0.570), (-15.0, 1.594), (-20.0, 2.050)])
def test_first_droplets_give_the_reservoir_its_offset(plate_c: float, needed: float) -> None:
    # Project's table of reservoir chambers: water saturation needs this difference, K (public row), so
    # thermometers that show 0.1 K less than it are 0.1 K apart.
    found = calibrate(chamber(), [droplets(plate_c + needed - 0.1, plate_c)], fit="reservoir")
    assert found.names == ("reservoir",)
    # Prior of 0.1 K pulls it towards zero by (u/0.1)^2 of itself; taken out here in closed form.
    u = float(found.uncertainty[0])
    free = found.offsets[0] / (1.0 - (u / 0.1) ** 2)
    # Two routes to saturation over water differ by 0.15 %, which is 0.018 K here; met ten times as closely.
    assert free == pytest.approx(-0.1, abs=2e-3)


def test_a_standstill_carries_its_gibbs_thomson() -> None:
    # Project's section 5: 0.02 % for a radius of 10 um (public).
    seen = witnesses.standstill(258.15, P, radius_m=10e-6)
    assert seen.sigma == pytest.approx(2.0e-4, rel=0.01)
    # Growth unnoticed: 0.5 um in 30 min at R 20 um; the sphere law of the project's section 3 by hand.
    s = scales(258.15, P)
    v = 0.5e-6 / 1800.0
    by_hand = v * (1.0 + 20e-6 / s.X0_m * (1.0 + s.chi0)) / s.v_kin_m_s / math.sqrt(3.0)
    seen = witnesses.standstill(258.15, P, radius_m=20e-6, noticed_m=0.5e-6, time_s=1800.0)
    assert seen.uncertainty == pytest.approx(by_hand, rel=1e-12)


def test_needle_radii_of_an_integrator_give_the_sigma_back() -> None:
    # Radii by scipy's integrator from the cylinder law at -5 degC, 4.98 % (project's section 3, public row).
    s = scales(268.15, P)

    def law(_: float, r: np.ndarray) -> list[float]:
        air = {"v_kin": s.v_kin_m_s, "x0": s.X0_m, "chi0": s.chi0}
        return [cylinder(r[0], 0.01, 0.0498, 1.0, **air).v_m_s]

    t = np.linspace(0.0, 1800.0, 7)
    r = solve_ivp(law, (0.0, 1800.0), [2.5e-6], t_eval=t, rtol=1e-10, atol=1e-15).y[0]
    fit = witnesses.needle(t, r, temperature_k=268.15, pressure_pa=P, far_m=0.01, error_m=0.3e-6)
    assert fit.sigma == pytest.approx(0.0498, rel=1e-7)
    assert fit.start_m == pytest.approx(2.5e-6, rel=1e-6)


def test_the_error_bar_of_a_needle_is_the_scatter_of_many_needles() -> None:
    rng = np.random.default_rng(11)
    t = np.linspace(0.0, 3600.0, 13)
    s = scales(268.15, P)
    air = {"v_kin": s.v_kin_m_s, "x0": s.X0_m, "chi0": s.chi0}

    def law(_: float, x: np.ndarray) -> list[float]:
        return [cylinder(x[0], 0.01, 0.05, 1.0, **air).v_m_s]

    r = solve_ivp(law, (0, 3600), [5e-6], t_eval=t, rtol=1e-9, atol=1e-15).y[0]
    fits = [
        witnesses.needle(
            t,
            r + 0.5e-6 * rng.normal(size=13),
            temperature_k=268.15,
            pressure_pa=P,
            far_m=0.01,
            error_m=0.5e-6,
        )
        for _ in range(400)
    ]
    got = np.array([f.sigma for f in fits])
    # 400 needles know their scatter within 3.5 %; three of those, and the bias within three standard errors.
    assert got.std() == pytest.approx(np.mean([f.uncertainty for f in fits]), rel=0.11)
    assert abs(got.mean() - 0.05) < 3.0 * got.std() / 20.0
    assert np.mean([f.chi2_per_free for f in fits]) == pytest.approx(1.0, abs=0.13)


def test_a_range_of_alpha_widens_the_bar() -> None:
    t, r = [0.0, 600.0, 1200.0], [2.5e-6, 6e-6, 9e-6]
    say = {"temperature_k": 268.15, "pressure_pa": P, "far_m": 0.01, "error_m": 0.3e-6}
    sure, unsure = witnesses.needle(t, r, **say), witnesses.needle(t, r, alpha=(0.03, 1.0), **say)
    assert sure.from_alpha == 0.0
    assert unsure.uncertainty > sure.uncertainty and unsure.sigma > sure.sigma


def test_one_observation_ties_two_thermometers_together() -> None:
    found = calibrate(chamber(), [droplets(-13.5, -15.0)])
    # Equal priors share the difference of 0.094 K almost evenly, one up, one down.
    down, up = found.offsets
    assert found.names == ("reservoir", "plate")
    assert up - down == pytest.approx(0.094, abs=0.01)
    assert down == pytest.approx(-up, rel=0.15)
    # Neither is known much better than 0.1/sqrt2, but their difference is, and the words say so.
    difference = found.covariance[0, 0] + found.covariance[1, 1] - 2 * found.covariance[0, 1]
    assert found.uncertainty[0] == pytest.approx(0.1 / math.sqrt(2.0), rel=0.1)
    assert math.sqrt(difference) < 0.03
    assert any("tied" in words for words in found.words)


def test_what_is_written_down_keeps_the_difference_well_known() -> None:
    found = calibrate(chamber(), [droplets(-13.5, -15.0)])
    after = found.apply(chamber(), "2026-01-10", "droplets")
    own = [t.uncertainty for t in after.thermometers.values()]
    assert after.shared_thermometer_uncertainty_k == pytest.approx(0.07, abs=0.01)
    difference = found.covariance[0, 0] + found.covariance[1, 1] - 2 * found.covariance[0, 1]
    assert math.hypot(*own) == pytest.approx(math.sqrt(difference), rel=0.01)
    assert after.thermometers["plate"].checked == "2026-01-10"


def test_against_a_general_least_squares() -> None:
    # scipy.optimize.least_squares on the same weighted sum, written out here once more.
    from icewright.vapour.saturation import ice_pressure, water_pressure

    seen = [droplets(-13.5, -15.0), droplets(-4.5, -5.0), droplets(-18.0, -20.0)]
    found = calibrate(chamber(), seen)

    def sums(p: np.ndarray) -> np.ndarray:
        rows = []
        for o, c in zip(seen, found.compared, strict=True):
            t_r, t_p = o.settings["reservoir_c"] + 273.15 - p[0], o.settings["plate_c"] + 273.15 - p[1]
            rows.append((ice_pressure(t_r) - water_pressure(t_p)) / ice_pressure(t_p) / c.uncertainty)
        return np.array([*rows, p[0] / 0.1, p[1] / 0.1])

    general = least_squares(sums, [0.0, 0.0], xtol=1e-14, ftol=1e-14)
    assert found.offsets == pytest.approx(general.x, abs=1e-6)
    assert found.covariance == pytest.approx(np.linalg.inv(general.jac.T @ general.jac), rel=1e-3)


def test_error_bars_hold_for_many_drawn_thermometers() -> None:
    # Thermometers drawn from their own prior: the true offsets lie within one bar in 68 % of cases.
    rng = np.random.default_rng(2)
    from icewright.vapour.saturation import ice_pressure, water_pressure

    inside = []
    for _ in range(60):
        true = 0.1 * rng.normal(size=2)
        seen = []
        for plate in (-5.0, -15.0):
            t_p = plate + 273.15 - true[1]
            from scipy.optimize import brentq

            t_r = brentq(lambda x, t=t_p: ice_pressure(x) - water_pressure(t), t_p - 0.5, t_p + 3.0)
            seen.append(droplets(round(t_r - 273.15 + true[0], 2), plate))
        found = calibrate(chamber(), seen)
        inside += list(np.abs(found.offsets - true) < found.uncertainty)
    # 120 tied pairs: 60 to 76 % is within two standard errors of 68.3 %.
    assert 0.58 < np.mean(inside) < 0.78


def test_ten_times_the_doubt_gives_a_wider_bar() -> None:
    near = calibrate(chamber(), [droplets(-13.5, -15.0, before=-13.52)], fit="reservoir")
    far = calibrate(chamber(), [droplets(-13.4, -15.0, before=-13.62)], fit="reservoir")
    assert far.uncertainty[0] > 1.5 * near.uncertainty[0]


def test_offset_of_the_supersaturation_itself() -> None:
    # The reservoir's public row: 1 K above -15 degC is 9.627 % over ice. A crystal that stands still there
    # would say that all of it is an offset, but for its Gibbs-Thomson.
    still = Observation(
        "standstill",
        {"reservoir_c": -14.0, "plate_c": -15.0},
        data={"radius_m": 20e-6, "noticed_m": 1e-7, "time_s": 3600.0},
    )
    found = calibrate(chamber(), [still], fit=SUPERSATURATION)
    assert found.offsets[0] == pytest.approx(0.09627 - 1e-4, abs=2e-5)
    after = found.apply(chamber(), "2026-01-10", "a standstill")
    assert after.conditions({"reservoir_c": -14.0, "plate_c": -15.0}).sigma == pytest.approx(1e-4, abs=2e-5)


def test_observations_that_disagree_are_told() -> None:
    found = calibrate(chamber(), [droplets(-13.0, -15.0), droplets(-14.0, -15.0)])
    assert found.chi2_per_seen > 4.0
    assert any("do not agree" in words for words in found.words)


def test_refusals() -> None:
    with pytest.raises(CalibrationError, match="no observation"):
        calibrate(chamber(), [])
    with pytest.raises(CalibrationError, match="no thermometer lid"):
        calibrate(chamber(), [droplets(-13.5, -15.0)], fit="lid")
    unknown = APPARATUS.replace("uncertainty_c = 0.1", "")
    with pytest.raises(CalibrationError, match="no stated uncertainty"):
        calibrate(chamber(unknown), [droplets(-13.5, -15.0)])
    with pytest.raises(CalibrationError, match="noticed_um"):
        observation("standstill", {"settings": {}, "radius_um": 20})
    with pytest.raises(CalibrationError, match="far_mm"):
        observation("needle", {"minutes": [0, 1], "radius_um": [1, 2], "error_um": 0.1})
    with pytest.raises(CalibrationError, match="unknown key radius_mm"):
        observation("standstill", {"radius_mm": 20})
    with pytest.raises(CalibrationError, match="as many radii"):
        witnesses.needle([0, 1], [1e-6], temperature_k=268.0, pressure_pa=P, far_m=0.01, error_m=1e-7)
