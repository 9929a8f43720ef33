"""Every field kernel against `kernels.reference` (plain numpy, from the physics) on random ice.

Limits are the round-off of float32 on numbers of order one. The kernels are driven through `Field`, which
fixes what their arguments mean; where two kernels differ only in threads, they must agree to the bit.
"""

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from ice_masks import CASES, LATTICES, double, links_of, random_field

from icewright.growth import kernels
from icewright.growth.kernels import cpu, reference

ROUND_OFF = {"rtol": 2e-5, "atol": 2e-5}
cases = pytest.mark.parametrize(("name", "seed", "bottom_far"), CASES)


def inner(f):
    """Free cells: (columns, layers)."""
    return slice(0, f.lattice.n_free), slice(f.k0, f.k1)


@cases
def test_diagonal(name, seed, bottom_far):
    f = random_field(name, seed, bottom_far)
    np.testing.assert_allclose(f.diag[inner(f)], links_of(f).diagonal()[inner(f)], rtol=1e-5)


@cases
def test_residual(name, seed, bottom_far):
    f = random_field(name, seed, bottom_far)
    want = links_of(f).residual(double(f.u), double(f.sink), double(f.b))
    # on rings the conductances grow as the circumference, and so does the round-off
    scale = 2 * np.pi * f.lattice.n if f.round else 1
    np.testing.assert_allclose(f.residual()[inner(f)], want[inner(f)], rtol=2e-5, atol=2e-6 * scale)


@cases
def test_factor_and_sweep_solve_every_column_exactly(name, seed, bottom_far):
    """Columns of one colour do not touch: after the pass each balances its held neighbours."""
    f = random_field(name, seed, bottom_far)
    f.prepare()
    links = links_of(f)
    level = f.lattice.levels[0]
    order, starts = level.order, level.starts
    for columns in np.split(order, starts[1:-1]):
        before = double(f.u)
        level.order, level.starts = columns, np.array([0, len(columns)], dtype=np.int32)
        f.smooth()
        for c in columns:
            want = links.solve_column(int(c), before, double(f.sink), double(f.b), f.k0, f.k1)
            np.testing.assert_allclose(f.u[c, f.k0 : f.k1], want, **ROUND_OFF)
        rest = np.setdiff1d(np.arange(f.lattice.n), columns)
        assert np.array_equal(f.u[rest], before[rest].astype(np.float32))


@pytest.mark.parametrize("name", LATTICES)
@pytest.mark.parametrize("bottom_far", [False, True])
def test_cycles_reach_the_solution_of_the_dense_matrix(name, bottom_far):
    """All multigrid kernels together: V-cycles converge to `numpy.linalg.solve` of the whole field."""
    f = random_field(name, 2, bottom_far, radius=4)
    # as in the engine every void has a sink: sealed ones without any could hold anything
    near = np.s_[: f.n_active, f.k0 : f.kt]
    f.sink[near][(f.mask[near] & 1) == 0] += 0.01
    want = links_of(f).solve(double(f.u), double(f.sink), double(f.b), f.lattice.n_free, f.k0, f.k1)
    f.prepare()
    for _ in range(60):
        f.cycle()
    np.testing.assert_allclose(f.u, want, rtol=1e-4, atol=2e-5)


def coarse_pairs(lat):
    """(level, its parents as a matrix, weights of finer and coarser columns) down the hierarchy."""
    weight = double(lat.multiplicity)[: lat.n_free]
    for level in lat.levels[1:]:
        p = reference.interpolation(level.parents, len(level.neighbours))
        coarse = weight[level.fine_centre]
        yield level, p, weight, coarse
        weight = coarse


@pytest.mark.parametrize("name", LATTICES)
def test_restrict_is_the_transpose_of_prolong(name):
    """On the whole plane; in the wedge columns count by how often they stand there."""
    rng = np.random.default_rng(5)
    f = random_field(name, 1)
    for level, p, fine, coarse in coarse_pairs(f.lattice):
        r = reference.restriction(p, fine, coarse)
        values = rng.standard_normal((len(p), f.nz)).astype(np.float32)
        got = np.zeros((len(coarse), f.nz), dtype=np.float32)
        cpu.restrict(0, values, level.fine_centre, level.fine_middles, got, f.k0, f.k1)
        np.testing.assert_allclose(got[:, f.k0 : f.k1], (r @ values)[:, f.k0 : f.k1], rtol=1e-5, atol=1e-5)


@pytest.mark.parametrize("name", LATTICES)
def test_prolong_interpolates_but_not_into_ice(name):
    rng = np.random.default_rng(6)
    f = random_field(name, 1)
    f.prepare()
    level, p, _, coarse = next(coarse_pairs(f.lattice))
    e = rng.standard_normal((len(coarse), f.nz)).astype(np.float32)
    want = double(f.u)
    vapour = (f.mask & 1 == 0)[inner(f)]
    want[inner(f)] += np.where(vapour, (p @ e)[:, f.k0 : f.k1], 0)
    cpu.prolong(0, e, level.parents, f.u, f.inv, f.n_active, f.k0, f.k1)
    np.testing.assert_allclose(f.u, want, rtol=1e-5, atol=1e-5)


@pytest.mark.parametrize("name", LATTICES)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_coarse_links_are_exactly_galerkin(name, seed):
    """coarsen_from_fine: off the diagonal, R A P of the lateral matrix; z links and sinks lumped with R.

    Links beside the fixed columns are left out: some of their fine links are not held and count as open.
    """
    f = random_field(name, seed, radius=4)
    f.prepare()
    links = links_of(f)
    level, p, fine, coarse = next(coarse_pairs(f.lattice))
    r, c = reference.restriction(p, fine, coarse), f.coarse[0]
    n, free = c.n_act, f.lattice.n_free
    layers = range(f.k0, min(f.kt, f.k1))
    six, compared = f.lattice.directions == 6, 0
    for k in layers:
        a = reference.galerkin_lateral(links, p, r, k)
        for column in range(n):
            for other in range(len(coarse)):
                ways = np.nonzero(level.neighbours[column] == other)[0]
                if other == column or (six and (level.fine_links[column, ways] < 0).any()):
                    continue
                compared += len(ways)
                got = float(c.L[column, ways, k].sum())
                assert got == pytest.approx(-a[column, other], rel=1e-5, abs=1e-6)
    assert compared >= 20
    lumped = (r @ links.upright[:free])[:n], (r @ double(f.sink)[:free])[:n]
    for got, want in zip((c.gz, c.S), lumped, strict=True):
        np.testing.assert_allclose(got[:n, layers], want[:, layers], rtol=1e-5, atol=1e-5)


@pytest.mark.parametrize("name", LATTICES)
@pytest.mark.parametrize("seed", [1, 2])
def test_coarsen_between_coarse_levels(name, seed):
    """z links and sinks of the second level are those of the first, lumped once more."""
    f = random_field(name, seed, radius=4)
    f.prepare()
    pairs = list(coarse_pairs(f.lattice))
    if len(pairs) < 2:
        pytest.skip("this lattice has one coarse level")
    _, p, fine, coarse = pairs[1]
    r, one, two = reference.restriction(p, fine, coarse), f.coarse[0], f.coarse[1]
    layers = slice(f.k0, min(f.kt, f.k1))
    sinks = np.where(np.arange(len(one.S))[:, None] < one.n_act, one.S, 0)
    upright = one.gz
    np.testing.assert_allclose(
        two.S[: two.n_act, layers], (r @ sinks)[: two.n_act, layers], rtol=1e-5, atol=1e-5
    )
    np.testing.assert_allclose(
        two.gz[: two.n_act, layers], (r @ upright)[: two.n_act, layers], rtol=1e-5, atol=1e-5
    )


@pytest.mark.parametrize("mirror", [True, False])
def test_far_potential_against_legendre_series(mirror):
    """Legendre polynomials of numpy; and, without a series, charges spread on a ring at some distance."""
    rng = np.random.default_rng(7)
    zs, q = np.array([0.5, 2.0, 4.0]), rng.standard_normal((3, 3)) * [10, 5, 20]
    rho, z = 6 + 5 * rng.random(40), 12 * rng.random(40)
    out = np.empty(40)
    cpu.far_potential(0, zs, q, mirror, rho, z, out)
    np.testing.assert_allclose(out, reference.far_potential(zs, q, mirror, rho, z), rtol=1e-10, atol=1e-12)


def test_far_field_of_a_ring_of_flux():
    """A ring's potential by quadrature over its angle (any text on potential theory), against its moments."""
    f = random_field("rings", 1)
    f.set_bins(0, 1, 3.0)
    column, k = np.array([2], dtype=np.int32), np.array([0], dtype=np.int32)
    f.moments[:] = f.moments_of(column, k, np.array([4 * np.pi]))
    a, z0 = float(f.lattice.radius[2]), float(f.z_mid[0])
    points = np.array([[10.0, 3.0], [0.5, 12.0], [8.0, 8.0]])
    angle = np.linspace(0, 2 * np.pi, 721)[:-1]
    for rho, z in points:
        flat = rho**2 + a**2 - 2 * rho * a * np.cos(angle)
        want = np.mean(1 / np.sqrt(flat + (z - z0) ** 2)) + np.mean(1 / np.sqrt(flat + (z + z0) ** 2))
        # the series stops at l = 4; the next term is of order (a/R)^6
        assert f.potential(np.array([rho]), np.array([z]))[0] == pytest.approx(want, rel=2e-3)


@pytest.mark.parametrize("name", LATTICES)
def test_coarse_levels_brought_up_to_new_ice_are_those_made_anew(name):
    """After ice changed in a few columns, only what it touches is made again: the same bits as all of it."""
    f = random_field(name, 4)
    f.prepare()
    rng = np.random.default_rng(5)
    some = rng.choice(f.n_active - 1, 5, replace=False)
    layers = rng.integers(f.k0, min(f.kt, f.k1) - 1, 5)
    f.mask[some, layers] ^= 1
    near = f.lattice.levels[0].neighbours[some]
    touched = np.unique(np.concatenate([some, near[(near >= 0) & (near < f.lattice.n_free)]]))
    f.refresh(touched.astype(np.int32))
    f.prepare()
    partly = [x.copy() for c in f.coarse for x in (c.L, c.gz, c.S, c.D, c.inv)]
    f.refresh(np.arange(f.lattice.n_free, dtype=np.int32))
    f.prepare()
    wholly = [x for c in f.coarse for x in (c.L, c.gz, c.S, c.D, c.inv)]
    for a, b in zip(partly, wholly, strict=True):
        assert a.tobytes() == b.tobytes()


# -- threads and the cache ----------


@pytest.mark.parametrize("name", LATTICES)
def test_serial_and_threaded_kernels_give_the_same_bits(name, monkeypatch):
    """Kernel.serial against Kernel.threaded for every kernel of a cycle."""
    results = []
    for small in (10**9, 0):
        monkeypatch.setattr(cpu, "SMALL", small)
        f = random_field(name, 3)
        f.moments[:] = 1.5
        f.write_far(1.0)
        f.prepare()
        for _ in range(3):
            f.cycle()
        results.append(
            (f.u, f.residual(), f.inv, *(x for c in f.coarse for x in (c.L, c.gz, c.S, c.D, c.inv, c.e)))
        )
    for serial, threaded in zip(*results, strict=True):
        assert serial.tobytes() == threaded.tobytes()


THREADS = """
import hashlib, sys
sys.path.insert(0, {here!r})
import numba
from ice_masks import random_field
from icewright.growth.kernels import cpu
cpu.SMALL = 0
for threads in (1, 2):
    numba.set_num_threads(threads)
    f = random_field("hexagonal wedge", 3)
    f.prepare()
    for _ in range(3):
        f.cycle()
    print(hashlib.sha256(f.u.tobytes() + f.residual().tobytes()).hexdigest())
"""


def test_the_number_of_threads_does_not_change_the_result():
    script = THREADS.format(here=str(Path(__file__).parent))
    env = os.environ | {"NUMBA_NUM_THREADS": "2"}
    done = subprocess.run([sys.executable, "-c", script], env=env, capture_output=True, text=True, check=True)
    one, two = done.stdout.split()
    assert one == two and len(one) == len(hashlib.sha256().hexdigest())


def test_cache_key_follows_every_kernel_source(tmp_path, monkeypatch):
    """An edit in any kernel file gives new compiled code; the same sources give the same key."""
    folder = tmp_path / "kernels"
    shutil.copytree(Path(kernels.__file__).parent, folder, ignore=shutil.ignore_patterns("__pycache__"))
    before = kernels.cache_key()
    monkeypatch.setattr(kernels, "__file__", str(folder / "__init__.py"))
    assert kernels.cache_key() == before
    seen = {before}
    for source in sorted(folder.glob("*.py")):
        source.write_text(source.read_text() + "\n# edited\n")
        seen.add(kernels.cache_key())
    assert len(seen) == 1 + len(list(folder.glob("*.py")))
