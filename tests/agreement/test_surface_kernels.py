"""Every surface kernel against `kernels.reference` on random ice and on a plain prism."""

from collections import Counter

import numpy as np
import pytest
from ice_masks import LATTICES, double, random_field

from icewright.growth.kernels import reference
from icewright.growth.kernels import surface as ks
from icewright.growth.rules import CORNER_BARRIER, ROUGHENING, GrowthTables, Surface
from icewright.kinetics.user_function import FunctionKinetics

KINDS = {ks.BASAL: "basal", ks.PRISM: "prism", ks.CORNER: "corner", ks.KINK: "kink"}
X0, H = 0.3, {"basal": 0.5, "prism": 3**0.5 / 4, "corner": 3**0.5 / 4}
LAYERS = FunctionKinetics(
    lambda t, s, f, w: np.exp(-(0.02 if f == 0 else 0.01) / s) * (1 / (1 + 2e-6 / w)), name="layers"
)
cases = pytest.mark.parametrize("name", LATTICES), pytest.mark.parametrize("seed", range(6))


def masks(name, seed):
    """Random ice, but for seed 0 a plain hexagonal prism (disc) with one layer of a smaller one on top."""
    f = random_field(name, max(seed, 1))
    if seed == 0:
        lat = f.lattice
        size = (lat.q + lat.r)[:, None]
        z = np.arange(f.nz)
        f.mask[:] = ((size <= 5) & (z < 4)) | ((size <= 2) & (z == 4))
        f.u[f.mask & 1 == 1] = 0
        f.sink[:] = 0
        f.b[:] = 0
        f.refresh(np.arange(lat.n_free, dtype=np.int32))
    f.set_active(7.0, f.nz)
    return f


def both(name, seed, doubles=True):
    """A field, the engine's surface on it, and the reference's boundary cells."""
    f = masks(name, seed)
    f.sink[:] = 0
    f.b[:] = 0
    s = Surface(f, doubles=doubles)
    s.rescan()
    lat = f.lattice
    cells = reference.meetings(
        f.mask, lat.levels[0].neighbours, lat.face_area, lat.face_distance, lat.area, f.dz, f.n_active,
        f.k0, f.k1, doubles,
    )  # fmt: skip
    reference.label_terraces(cells, lat.levels[0].neighbours)
    return f, s, cells


@cases[0]
@cases[1]
@pytest.mark.parametrize("doubles", [True, False])
def test_scan(name, seed, doubles):
    _, s, cells = both(name, seed, doubles)
    m = s.count
    assert m == len(cells) > 5
    assert [(c.column, c.k) for c in cells] == list(zip(s.column[:m], s.k[:m], strict=True))
    assert [c.kind for c in cells] == [KINDS[k] for k in s.kind[:m]]
    np.testing.assert_allclose(s.area[:m], [c.area for c in cells], rtol=1e-6)
    np.testing.assert_allclose(s.h[:m], [c.h for c in cells], rtol=1e-6)
    walls = np.isin(s.kind[:m], [ks.PRISM, ks.CORNER])
    np.testing.assert_allclose(s.width[:m][walls], [c.width for c in cells if c.width > 0], rtol=1e-6)


@cases[0]
@cases[1]
def test_scan_of_changed_columns_alone_is_a_whole_scan(name, seed):
    """What did not change is copied: the same cells, to the bit, as when every column is looked at."""
    f, s, _ = both(name, seed)
    rng = np.random.default_rng(seed)
    for _ in range(3):
        column, k = int(rng.integers(f.n_active // 2)), int(rng.integers(f.k0 + 1, f.k1 - 1))
        f.mask[column, k] ^= 1
        near = f.lattice.levels[0].neighbours[column]
        s.rescan(np.unique(np.append(near[near >= 0], column)).astype(np.int32))
        whole = Surface(f, doubles=True)
        whole.rescan()
        assert s.count == whole.count
        for part in ("column", "k", "kind", "way", "area", "h", "width", "parent"):
            got, want = (getattr(x, part)[: s.count] for x in (s, whole))
            assert got.tobytes() == want.tobytes(), part


def test_random_ice_shows_every_kind():
    """Else the agreement above would say little."""
    seen = Counter(c.kind for seed in range(6) for c in both("hexagonal wedge", seed)[2])
    assert set(seen) == set(KINDS.values()) and min(seen.values()) >= 10


@cases[0]
@cases[1]
def test_terraces(name, seed):
    """The same partition, whatever its numbers."""
    _, s, cells = both(name, seed)
    want = np.array([c.terrace for c in cells])
    got = s.parent[: s.count]
    assert np.array_equal(got[:, None] == got[None, :], want[:, None] == want[None, :])
    assert (s.index == -1).all()


def test_terraces_of_a_prism_are_its_facets():
    """Common geometry: the wall round a prism is one terrace in the wedge, as are its top and its step."""
    _, s, cells = both("hexagonal wedge", 0)
    sizes = Counter((c.kind, c.terrace) for c in cells if c.kind == "basal")
    assert len(sizes) == 2  # top of the small layer, ledge of the large one
    walls = {c.terrace for c in cells if c.kind == "prism" and c.k < 3}
    assert len(walls) == 1
    corner = [c for c in cells if c.kind == "corner" and c.k < 3]
    assert corner and {c.terrace for c in corner} == walls
    assert s.width[: s.count][[c.kind == "prism" and c.k < 3 for c in cells]] == pytest.approx(8)


@cases[0]
@cases[1]
def test_basal_widths(name, seed):
    f, s, cells = both(name, seed)
    lat = f.lattice
    for i, c in enumerate(cells):
        if c.kind == "basal":
            want = reference.basal_width(
                cells, c.terrace, f.mask, lat.levels[0].neighbours, lat.face_area, lat.area, lat.multiplicity
            )
            assert s.width[i] == pytest.approx(want, rel=1e-5)


def law(kind, width, u):
    """The facet law with the half cell in series, straight from the kinetics."""
    facet = 0 if kind == "basal" else 1
    w = np.clip(width * 1e-6, 0.05e-6, 200e-6)

    def alpha(s):
        a = np.clip(float(LAYERS.alpha(258.15, np.array([s]), facet, np.array([w]))[0]), 1e-13, 1.0)
        return max(a * np.exp(-CORNER_BARRIER / s), 1e-13) if kind == "corner" else a

    return reference.facet_rate(alpha, u, H[kind], X0)


@cases[0]
@cases[1]
@pytest.mark.parametrize("facets", list(ROUGHENING))
def test_laws(name, seed, facets):
    """Flux of the tabulated, linearised law at the present u against the law itself, solved by bisection.

    2 %: the tables interpolate ln g over 320 x 25 points of (u, width).
    """
    f, s, cells = both(name, seed)
    shift, capillary = 0.002, 0.001
    tables = GrowthTables(LAYERS, 258.15, 1e-6, X0, (H["basal"], H["prism"]))
    f.u[:] = np.where(f.mask & 1 == 0, 0.02 + 0.2 * f.u, 0)
    s.apply(tables, X0, shift, capillary, facets)
    s.take_up()
    # the reference takes widths as the engine found them, tested above
    for i, c in enumerate(cells):
        c.width = float(s.width[i])
    want, weight = reference.fluxes(
        cells, double(f.u), law, x0=X0, shift=shift, capillary=capillary, roughening=ROUGHENING[facets]
    )
    m = s.count
    np.testing.assert_allclose(s.flux[:m], want, rtol=0.02, atol=1e-5)
    np.testing.assert_allclose(s.weight[:m], weight, atol=0.02)
    at = s.column[:m], s.k[:m]
    linear = double(f.sink[at]) * double(f.u[at]) - double(f.b[at])
    np.testing.assert_allclose(s.flux[:m], np.maximum(linear, 0), rtol=1e-6, atol=1e-9)
    assert (f.sink[at] >= 0).all()


@cases[0]
@pytest.mark.parametrize("seed", range(3))
def test_linearised_law_is_its_tangent(name, seed):
    """A facet by itself: sink is d flux / d u of the law (finite difference), where the cap does not bind."""
    f, s, cells = both(name, seed)
    tables = GrowthTables(LAYERS, 258.15, 1e-6, X0, (H["basal"], H["prism"]))
    f.u[:] = np.where(f.mask & 1 == 0, 0.05 + 0.1 * f.u, 0)
    s.apply(tables, X0, 0.0, 0.0, "local")
    checked = 0
    for i, c in enumerate(cells):
        if c.kind not in ("basal", "prism"):
            continue
        u, e = float(f.u[c.column, c.k]), 2e-3
        most = u / (s.h[i] + X0)
        if law(c.kind, s.width[i], u) > 0.8 * most:
            continue
        slope = (law(c.kind, s.width[i], u + e) - law(c.kind, s.width[i], u - e)) / (2 * e)
        assert f.sink[c.column, c.k] / s.area[i] == pytest.approx(slope, rel=0.1)
        checked += 1
    assert checked > 3


@cases[0]
@cases[1]
def test_fill_up_and_share(name, seed):
    f, s, cells = both(name, seed)
    rng = np.random.default_rng(seed)
    m, lat = s.count, f.lattice
    fill = np.zeros(f.u.shape, dtype=np.float32)
    s.flux[:m] = rng.random(m)
    s.weight[:m] = np.where(rng.random(m) < 0.3, 0, rng.random(m))
    s.capped[:m] = rng.random(m) < 0.3
    ks.fill_up(s.column, s.k, m, s.flux, 0.5, s.volume, fill)
    at = s.column[:m], s.k[:m]
    np.testing.assert_allclose(fill[at], 0.5 * s.flux[:m] / s.volume[:m], rtol=1e-6)
    before = double(fill[at])
    volume = double(lat.multiplicity)[s.column[:m]] * s.volume[:m]
    moves = np.array([c.kind != "kink" for c in cells]) & (s.capped[:m] == 0) & (s.weight[:m] > 0)
    want = reference.shared_fill(before, volume, s.parent[:m], s.weight[:m], moves)
    ks.share(s.column, s.k, s.kind, s.parent, s.weight, s.capped, lat.multiplicity, s.volume, m, fill)
    np.testing.assert_allclose(fill[at], want, rtol=1e-5, atol=1e-6)


@cases[0]
@cases[1]
def test_share_keeps_the_ice(name, seed):
    """Sharing moves ice about and makes none, for cells that share alike (weight 1) and for mixed weights."""
    f, s, _ = both(name, seed)
    rng = np.random.default_rng(seed)
    m, lat = s.count, f.lattice
    volume = double(lat.multiplicity)[s.column[:m]] * s.volume[:m]
    at = s.column[:m], s.k[:m]
    for weights in (np.ones(m), np.full(m, 0.4)):
        fill = np.zeros(f.u.shape, dtype=np.float32)
        fill[at] = rng.random(m)
        before = volume @ double(fill[at])
        s.weight[:m], s.capped[:m] = weights, 0
        ks.share(s.column, s.k, s.kind, s.parent, s.weight, s.capped, lat.multiplicity, s.volume, m, fill)
        assert volume @ double(fill[at]) == pytest.approx(before, rel=1e-6)


@cases[0]
@cases[1]
def test_freeze(name, seed):
    """Full cells become ice at that time; what is more goes to the neighbour with most ice."""
    f, s, cells = both(name, seed)
    rng = np.random.default_rng(seed + 10)
    m, lat = s.count, f.lattice
    nb = lat.levels[0].neighbours
    fill = (f.mask == 1).astype(np.float32)
    at = s.column[:m], s.k[:m]
    fill[at] = np.where(rng.random(m) < 0.2, 1 + 0.3 * rng.random(m), 0.5 * rng.random(m))
    frozen = np.full(f.u.shape, np.nan, dtype=np.float32)
    cell = double(lat.multiplicity * lat.area)[:, None] * double(f.dz)
    before, mask0, fill0 = float((cell * fill).sum()), f.mask.copy(), double(fill)
    n, lost = ks.freeze(
        s.column,
        s.k,
        m,
        f.mask,
        fill,
        frozen,
        nb,
        lat.multiplicity,
        lat.area,
        f.dz,
        f.k0,
        f.k1,
        7.0,
        s.new_c,
        s.new_k,
    )
    full = [(c.column, c.k) for c in cells if fill0[c.column, c.k] >= 0.99999]
    assert n == len(full) > 0
    want, new_mask = fill0.copy(), mask0.copy()
    for place in full:
        new_mask[place] = 1
    lost_want = 0.0
    for c, k in full:
        surplus = (want[c, k] - 1) * cell[c, k]
        want[c, k] = 1
        to = reference.surplus_goes_to(new_mask, nb, c, k, f.k0, f.k1)
        if to is None:
            lost_want += surplus
        else:
            want[to] += surplus / cell[to]
    assert np.array_equal(f.mask, new_mask)
    assert np.array_equal(np.nan_to_num(frozen) == 7.0, (new_mask == 1) & (mask0 == 0))
    np.testing.assert_allclose(fill, want, rtol=1e-5, atol=1e-6)
    assert lost == pytest.approx(lost_want, abs=1e-5)
    assert float((cell * fill).sum()) + lost == pytest.approx(before, rel=1e-6)
