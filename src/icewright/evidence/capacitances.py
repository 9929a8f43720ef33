"""How much vapour a body draws by diffusion alone: the engine's field against potential theory."""

from __future__ import annotations

from icewright.evidence.bodies import capacitance, prism, spheroid
from icewright.evidence.model import Finding, Plan, Row, judged
from icewright.growth import closed_forms as cf

name = "capacitances"
title = "How much vapour does a body of given shape draw by diffusion alone?"
source = (
    "spheroids: potential theory, any text (public); hexagonal prisms: walk-on-spheres values made without "
    "a grid, 4e6 walkers, for this project, and the fit of J. Atmos. Sci. 65, 206, 2008, DOI "
    "10.1175/2007JAS2315.1"
)
states = (
    "C of spheroids in closed form; C/a of prisms of length over width 0.1, 1 and 5: 0.6748, 1.1288, 2.4177"
)
TOLERANCE = 0.015  # the project's own bar
PRISMS = ((0.1, 40, 4, 0.6748), (1.0, 40, 40, 1.1288), (5.0, 20, 102, 2.4177))
SPHEROIDS = ((40, 40), (100, 10), (12, 120))


def run(plan: Plan) -> Finding:
    """Compare; see the module text."""
    rows = []

    def add(what: str, got: float, want: float, far: float) -> None:
        rows.append(
            Row(
                what,
                f"{want:.3f}",
                "public",
                "none (perfect sink)",
                "any",
                got,
                "voxels",
                got / want - 1,
                judged(got, want * (1 - TOLERANCE), want * (1 + TOLERANCE)),
                f"far flux over surface flux {far:.4f}",
            )
        )

    for symmetry, words in (("round", "axisymmetric model"), ("sixfold", "3D model")):
        for a, c in SPHEROIDS[:2] if plan.quick else SPHEROIDS:
            half, far = capacitance(symmetry, a, 0, c, spheroid(a, c))
            add(f"{words}, spheroid {a} x {c}", 2 * half, cf.capacitance_spheroid(a, c), far)
    for aspect, n, top, walk in PRISMS[:2] if plan.quick else PRISMS:
        corner = n + 0.5  # facets lie half a cell beyond the last row's centres
        half, far = capacitance("sixfold", corner, 0, top, prism(n, top))
        # the fit's slope carries the walkers' value to the lattice's exact aspect
        want = (
            walk
            * corner
            * cf.capacitance_prism(corner, 2 * top)
            / cf.capacitance_prism(corner, aspect * 2 * corner)
        )
        add(f"3D model, hexagonal prism, length over width {aspect:g}", 2 * half, want, far)
    return Finding(
        tuple(rows),
        (
            "One resolution, no extrapolation. No kinetics and no diffusivity enter: this tests the field "
            "alone.",
        ),
        "",
    )
