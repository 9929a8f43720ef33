"""Law tables: one row for every width where kinetics know no narrow-facet effect, to the bit."""

import numpy as np
import pytest

from icewright import kinetics
from icewright.growth.rules import LNW, GrowthTables
from icewright.kinetics.family import Member


class NarrowestDiffers:
    """Kinetics whose narrowest facet differs in the last bits only: its tables are built width by width."""

    def __init__(self, of):
        self.of = of

    def alpha(self, temperature_k, sigma, facet, width_m):
        out = np.array(self.of.alpha(temperature_k, sigma, facet, width_m))
        out[0] *= 1 - 1e-12
        return out


@pytest.mark.parametrize("changes", [(), (("sigma0 basal", 1.1), ("sigma0 prism", 0.9))])
@pytest.mark.parametrize("temperature_k", [245.3, 258.15, 271.9])
def test_the_short_way_gives_the_same_bits_as_width_by_width(changes, temperature_k):
    known = Member("layer-fits", changes).build()
    short = GrowthTables(known, temperature_k, 1e-6, 0.31, (0.43, 0.5)).values
    long = GrowthTables(NarrowestDiffers(known), temperature_k, 1e-6, 0.31, (0.43, 0.5)).values
    assert short.shape[1] == len(LNW)
    assert np.array_equal(short[:, 1:], long[:, 1:])
    assert np.array_equal(short[:, 0], short[:, -1])


def test_a_narrow_facet_effect_is_kept():
    table = GrowthTables(kinetics.load("broad-narrow"), 258.65, 1e-6, 0.31, (0.43, 0.5)).values
    assert (table[1, 0] > table[1, -1]).any()  # near -14.5 degC narrow prism facets take up more
