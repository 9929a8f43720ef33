"""Settings to conditions and back, over the whole range of every kind: a thousandth of the smallest step."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from icewright.apparatus.basis import ApparatusError, Thermometer
from icewright.apparatus.file import read

EXAMPLES = Path(__file__).parents[2] / "examples"
FEW = settings(max_examples=25, deadline=None)
PRESSURES = st.sampled_from([101325.0, 70000.0])


def load(kind: str):
    return read(EXAMPLES / f"apparatus-{kind}.toml")


TWO, RESERVOIR, MIXING, FALLING, NEEDLE = map(load, ("two-plate", "reservoir", "mixing", "falling", "needle"))
# A thermometer that lies must not spoil the way back.
LYING = replace(TWO, thermometers={"lower": Thermometer("cold_plate_c", 0.37, 0.1)})
FULL = replace(TWO, choices={**TWO.choices, "transport": "full", "walls": "frosted"})
FROSTED = replace(RESERVOIR, choices={**RESERVOIR.choices, "plate": "frosted"})


def check(apparatus, there: dict[str, float], pressure: float) -> None:
    air = apparatus.conditions(there, pressure_pa=pressure)
    back = apparatus.settings_for(air.temperature_k, air.sigma, pressure_pa=pressure, held=there)
    for name, value in there.items():
        assert abs(back[name] - value) < 1e-3 * apparatus.settings[name].step, (name, value, back[name])


def ordered(apparatus, warm: str, cold: str):
    """Warm and cold settings over their whole ranges, the warm one above."""
    w, c = apparatus.settings[warm], apparatus.settings[cold]
    return st.floats(c.low, min(c.high, w.high)).flatmap(
        lambda cold_c: st.tuples(st.floats(max(cold_c, w.low), w.high), st.just(cold_c))
    )


@FEW
@given(pair=ordered(TWO, "warm_plate_c", "cold_plate_c"), pressure=PRESSURES)
def test_two_plate(pair, pressure) -> None:
    check(TWO, dict(zip(("warm_plate_c", "cold_plate_c"), pair, strict=True)), pressure)


@FEW
@given(pair=ordered(TWO, "warm_plate_c", "cold_plate_c"))
def test_two_plate_full_transport_and_frosted_walls(pair) -> None:
    check(FULL, dict(zip(("warm_plate_c", "cold_plate_c"), pair, strict=True)), 101325.0)


@FEW
@given(pair=ordered(TWO, "warm_plate_c", "cold_plate_c").filter(lambda p: p[0] - p[1] > 0.4))
def test_two_plate_with_a_lying_thermometer(pair) -> None:
    check(LYING, dict(zip(("warm_plate_c", "cold_plate_c"), pair, strict=True)), 101325.0)


@FEW
@given(reservoir=st.floats(-35, -0.1), plate=st.floats(-40, -0.5), frosted=st.booleans())
def test_reservoir(reservoir, plate, frosted) -> None:
    check(FROSTED if frosted else RESERVOIR, {"reservoir_c": reservoir, "plate_c": plate}, 101325.0)


@FEW
@given(pair=ordered(MIXING, "humid_c", "cold_c"), flow=st.floats(0, 10), pressure=PRESSURES)
def test_mixing(pair, flow, pressure) -> None:
    humid, cold = pair
    if humid - cold < 0.1:  # streams alike to the knob's step: any flow gives the same air
        cold = humid - 0.1
    there = {"humid_c": humid, "cold_c": cold, "humid_flow_l_min": flow, "cold_flow_l_min": 4.0}
    check(MIXING, there, pressure)


@FEW
@given(water=st.floats(1, 40), wall=st.floats(-40, -2))
def test_falling(water, wall) -> None:
    check(FALLING, {"water_c": water, "wall_c": wall}, 101325.0)


@FEW
@given(
    pair=ordered(NEEDLE, "warm_plate_c", "cold_plate_c"),
    height=st.floats(1, 35),
    held=st.sampled_from(["cold", "warm", "side"]),
)
def test_needle(pair, height, held) -> None:
    apparatus = replace(NEEDLE, choices={**NEEDLE.choices, "needle_from": held})
    check(apparatus, {"warm_plate_c": pair[0], "cold_plate_c": pair[1], "height_mm": height}, 101325.0)


@pytest.mark.parametrize("apparatus", [TWO, RESERVOIR, MIXING, FALLING, NEEDLE], ids=lambda a: a.kind)
def test_ends_of_the_range(apparatus) -> None:
    kind = apparatus.physics
    there = apparatus.complete()
    for name in (kind.driver, kind.level):
        for end in (apparatus.settings[name].low, apparatus.settings[name].high):
            try:
                air = apparatus.conditions({**there, name: end})
            except ApparatusError:
                continue  # contradicts the other knob as it stands
            back = apparatus.settings_for(air.temperature_k, air.sigma, held=there)
            assert abs(back[name] - end) < 1e-3 * apparatus.settings[name].step
