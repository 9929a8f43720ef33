"""Built-in table "broad-narrow": barriers on broad facets, with dips where a facet is narrow.

Broad-facet sigma0 and A after arXiv:1208.5982 and arXiv:1910.06389. Neither table could be read: the numbers
are FROM MEMORY and rough (+-50 %), a seed for a table of your own. That there is a dip of about ten times on
the basal rim of thin-walled columns near -5 degC is stated in an abstract (arXiv:1302.1231); its centre, the
prism dip's depth and both half-widths are from memory. Of the half-widths "a few kelvin" is remembered.
2 K is our choice at the narrow end, because a wider basal dip reaches -2 degC, where plates are common
practice: there the narrowest basal facet keeps 0.70 of its barrier with 2 K, and 0.44 with 3 K.
"""

from __future__ import annotations

from icewright.ground.sources import Source, register
from icewright.ground.units import celsius_to_kelvin
from icewright.kinetics.barriers import BarrierKinetics, Dip, Point, WidthLaw

register(
    Source(
        "arxiv-1208.5982",
        "arXiv:1208.5982, 2012: attachment kinetics of ice on broad facets, -2 to -40 degC",
        doi="10.48550/arXiv.1208.5982",
        how="from memory",
        note="abstract read; the table of sigma0 and A was not reached",
    )
)
register(
    Source(
        "arxiv-1910.06389",
        "arXiv:1910.06389, 2019: monograph on the growth of ice from vapour",
        doi="10.48550/arXiv.1910.06389",
        how="from memory",
        note="tables not reached",
    )
)
register(
    Source(
        "arxiv-1302.1231",
        "arXiv:1302.1231, 2013: basal barrier ten times smaller on rims of hollow columns near -5 degC",
        doi="10.48550/arXiv.1302.1231",
        how="abstract",
    )
)
register(
    Source(
        "arxiv-2011.02353",
        "arXiv:2011.02353, 2020: narrow-facet dip of the basal barrier near -4 degC",
        doi="10.48550/arXiv.2011.02353",
        how="abstract",
        note="position read in the abstract; depth and width from memory",
    )
)
register(
    Source(
        "arxiv-2009.08404",
        "arXiv:2009.08404, 2020: narrow-facet dip of the prism barrier near -14 degC",
        doi="10.48550/arXiv.2009.08404",
        how="abstract",
        note="position read in the abstract; depth and width from memory",
    )
)
register(
    Source(
        "icewright-subgrid-width",
        "Icewright: sub-grid width of 60 um for the narrow-facet dip, from trials of the growth engine",
        how="computed",
        note="a sub-grid device, not a measured width; the physical rim of about 0.1 um is from memory",
    )
)

# degC, sigma0 basal %, sigma0 prism %, A prism. A basal is 1. All from memory, rough (+-50 %). Where only a
# range is remembered (sigma0 prism 0.1-0.2 and A 0.1-0.2 at -2 degC, A 0.8-1 at -10) its middle stands here.
_ROWS = (
    (-2.0, 0.9, 0.15, 0.15),
    (-5.0, 0.7, 0.17, 0.15),
    (-7.0, 0.8, 0.4, 0.4),
    (-10.0, 1.2, 1.4, 0.9),
    (-12.0, 1.7, 2.0, 1.0),
    (-15.0, 2.2, 2.7, 1.0),
    (-20.0, 2.5, 3.0, 1.0),
    (-30.0, 2.8, 3.3, 1.0),
    (-40.0, 3.0, 3.5, 1.0),
)
_ROUGH = 0.5  # relative uncertainty of every number from memory here


def broad_narrow(
    *,
    basal_depth: float = 0.1,
    basal_centre_c: float = -4.5,
    basal_half_width_k: float = 2.0,
    prism_depth: float = 0.1,
    prism_centre_c: float = -14.5,
    prism_half_width_k: float = 2.0,
    subgrid_width_m: float = 60e-6,
    physical_width_m: float = 0.1e-6,
) -> BarrierKinetics:
    """The table "broad-narrow", with the dips and the width law open to change.

    Depths: factor left on sigma0 of the narrowest facet; centres in degC, half-widths in K, widths in m.
    ``subgrid_width_m`` (a sub-grid device, 0 to switch it off) replaces ``physical_width_m`` if larger.
    Raises ``KineticsError`` for values that cannot be.
    """
    basal = tuple(_point(t, s0, 1.0) for t, s0, _, _ in _ROWS)
    prism = tuple(_point(t, s0, a) for t, _, s0, a in _ROWS)
    return BarrierKinetics(
        name="broad-narrow",
        points=(basal, prism),
        dips=(
            Dip(
                celsius_to_kelvin(basal_centre_c),
                basal_depth,
                basal_half_width_k,
                _ROUGH,
                "arxiv-2011.02353",
                "from memory",
            ),
            Dip(
                celsius_to_kelvin(prism_centre_c),
                prism_depth,
                prism_half_width_k,
                _ROUGH,
                "arxiv-2009.08404",
                "from memory",
            ),
        ),
        width_law=WidthLaw(physical_width_m, subgrid_width_m, "icewright-subgrid-width", "from memory"),
        valid_range_k=(celsius_to_kelvin(-40.0), celsius_to_kelvin(0.0)),
        remark="broad-narrow is one of two rival views; compare with layer-fits before trusting either",
        extra_sources=("arxiv-1910.06389", "arxiv-1302.1231"),
    )


def _point(t_c: float, sigma0_percent: float, amplitude: float) -> Point:
    return Point(
        celsius_to_kelvin(t_c), sigma0_percent / 100.0, amplitude, _ROUGH, "arxiv-1208.5982", "from memory"
    )
