"""Charts of an atlas: axes, curves and views, checked by closed forms and by drawn specimens."""

from __future__ import annotations

import numpy as np
import pytest

from icewright.pictures import atlas_chart, atlas_maps
from icewright.shape.solid import hexagon


def test_values_between_tiles_lie_between_them() -> None:
    # By hand: tiles at 1, 2, 5, 10 stand at 0, 1, 2, 3.
    at = atlas_chart.steps(np.array([1.0, 2.0, 5.0, 10.0]), np.array([1.0, 1.5, 3.5, 10.0, 12.5, 0.5]))
    assert at == pytest.approx([0.0, 0.5, 1.5, 3.0, 3.5, -0.5])
    # Falling axes too: temperature falls to the right.
    assert atlas_chart.steps(np.array([-2.0, -6.0]), np.array([-4.0])) == pytest.approx([0.5])


@pytest.mark.parametrize(("radius", "thick", "angle"), [(40e-6, 10e-6, 42.0), (15e-6, 80e-6, 66.0)])
def test_a_tile_shows_the_prism_at_its_size(radius, thick, angle) -> None:
    """The shadow of a hexagonal prism has a closed form: basal area times cos plus the sides' times sin."""
    picture, half_um, seen_from = atlas_chart.tile(hexagon(radius, thick, 1e-6))
    assert seen_from == angle
    shadow = (picture[..., 3] / 255.0).sum() * (2 * half_um / picture.shape[0]) ** 2
    tilt = np.radians(angle)
    spin = np.radians(atlas_chart.SPIN_DEG)
    # Width across the line of sight of a hexagon turned by `spin` from a corner: the widest pair of corners.
    corners = radius * 1e6 * np.cos(np.radians(60 * np.arange(6)) + spin)
    wide = np.ptp(corners)
    base = 1.5 * np.sqrt(3) * (radius * 1e6) ** 2
    assert shadow == pytest.approx(base * np.cos(tilt) + wide * thick * 1e6 * np.sin(tilt), rel=0.05)


def page():
    import xarray as xr

    t, h = np.array([-5.0, -15.0]), np.array([0.0, 10.0, 30.0])
    shape = (3, 2)
    sigma = np.broadcast_to(h[:, None] / 100.0, shape)
    rate = 1e-8 * (1.0 + h[:, None] / 10.0) * np.array([1.0, 2.0])
    return xr.Dataset(
        {
            "sigma": (("sigma_percent", "temperature_c"), sigma),
            "sigma_water": (("sigma_percent", "temperature_c"), np.broadcast_to([0.05, 0.155], shape)),
            "radial_rate_m_s": (("sigma_percent", "temperature_c"), rate),
            "axial_rate_m_s": (("sigma_percent", "temperature_c"), 2 * rate),
        },
        coords={"sigma_percent": h, "temperature_c": t},
        attrs={"kinetics": "invented"},
    )


def test_rates_at_water_saturation_are_interpolated_between_humidities() -> None:
    ((label, t, rates),) = atlas_maps.at_water_saturation(page())
    assert label == "invented"
    assert t.tolist() == [-5.0, -15.0]
    # By hand: the invented rate is linear in sigma, 1e-8 (1 + sigma / 0.1), doubled at -15.
    assert rates["radial_rate_m_s"] == pytest.approx([1.5e-8, 5.1e-8])
    assert rates["axial_rate_m_s"] == pytest.approx([3.0e-8, 10.2e-8])


def test_a_temperature_that_never_reaches_water_saturation_is_left_out() -> None:
    low = page().isel(sigma_percent=[0, 1])
    ((_, t, _),) = atlas_maps.at_water_saturation(low)
    assert t.tolist() == [-5.0]
