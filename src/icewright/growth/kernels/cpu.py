"""Compiled field kernels for the processor; `reference` says in plain numpy what each must give.

Conventions: u[column, z] is the supersaturation, exactly zero in ice, so that a link into ice needs no
test: its conductance is simply missing from the diagonal. `inv` holds the pivots of the elimination
along z (zero in ice). Sums run in a fixed order, and columns of one colour do not touch, so the result
does not depend on the number of threads.

Rows are cut to the cells that are worked (k0..k1) and counted from zero: an index that begins at an unknown
k0 is tested for being negative at every cell, and the loop is then not made of vector instructions (measured:
four times as slow, same bits).
"""

from __future__ import annotations

import types
from collections.abc import Callable
from typing import Any

import numpy as np
from numba import njit, prange

CHUNKS = 16
SMALL = 60_000  # cells below which starting threads costs more than it saves (measured: 20 to 70 us a start)


class Kernel:
    """One function compiled twice, with threads and without; the caller says how many cells it works on.

    Both give the same bits: every column is worked by one thread in a fixed order.
    """

    def __init__(self, function: Callable[..., Any]) -> None:
        self.threaded = njit(cache=True, parallel=True, error_model="numpy")(function)
        # a name of its own, or the two would share one cache entry
        twin = types.FunctionType(function.__code__, function.__globals__, function.__name__ + "_serial")
        twin.__qualname__ = function.__qualname__ + "_serial"
        twin.__module__ = function.__module__
        self.serial = njit(cache=True, error_model="numpy")(twin)
        self.__doc__ = function.__doc__

    def __call__(self, cells: int, *args: Any) -> Any:
        """Run on `args`; threads only for `cells` above SMALL."""
        return self.serial(*args) if cells < SMALL else self.threaded(*args)


@njit(cache=True, inline="always")
def _pivot(d, s, g2, above):
    """1/(d + s - g2 above), zero in ice (d = 0)."""
    p = np.float32(1.0) / ((d + s) - g2 * above)
    return p if d > np.float32(0.0) else np.float32(0.0)


@Kernel
def factor(diag, sink, gz, inv, n_cols, k0, k1, kt):
    """Pivots of every column, eliminated from the top: inv[k] = 1/(diag + sink - gz[k]^2 inv[k+1]).

    Only layers below kt are done: above the ice nothing changes, and going downwards nothing up there
    depends on what is below. gz is [1, nz] where all columns have one area, else [columns, nz]. Four columns
    go together, because one alone waits for a division at every cell.
    """
    many = gz.shape[0] > 1
    end = min(kt, k1)
    m = end - k0
    for i in prange((n_cols + 3) // 4):
        c = 4 * i
        if c + 4 <= n_cols and not many:
            d0, d1, d2, d3 = diag[c, k0:end], diag[c + 1, k0:end], diag[c + 2, k0:end], diag[c + 3, k0:end]
            s0, s1, s2, s3 = sink[c, k0:end], sink[c + 1, k0:end], sink[c + 2, k0:end], sink[c + 3, k0:end]
            v0, v1, v2, v3 = inv[c, k0:end], inv[c + 1, k0:end], inv[c + 2, k0:end], inv[c + 3, k0:end]
            g = gz[0, k0:end]
            p0 = p1 = p2 = p3 = np.float32(0.0)
            if kt < k1:
                p0, p1, p2, p3 = inv[c, kt], inv[c + 1, kt], inv[c + 2, kt], inv[c + 3, kt]
            for below in range(m):
                k = m - 1 - below
                g2 = g[k] * g[k] if k < k1 - 1 - k0 else np.float32(0.0)
                p0 = _pivot(d0[k], s0[k], g2, p0)
                p1 = _pivot(d1[k], s1[k], g2, p1)
                p2 = _pivot(d2[k], s2[k], g2, p2)
                p3 = _pivot(d3[k], s3[k], g2, p3)
                v0[k] = p0
                v1[k] = p1
                v2[k] = p2
                v3[k] = p3
        else:
            for j in range(c, min(c + 4, n_cols)):
                ga = gz[j] if many else gz[0]
                p = inv[j, kt] if kt < k1 else np.float32(0.0)
                for k in range(end - 1, k0 - 1, -1):
                    g = ga[k] if k < k1 - 1 else np.float32(0.0)
                    p = _pivot(diag[j, k], sink[j, k], g * g, p)
                    inv[j, k] = p


@njit(cache=True, inline="always")
def _lateral(u, nbr, link, dz, c, k0, k1, acc):
    """acc = dz * sum of link * u over the lateral neighbours of column c; acc and dz from k0 to k1."""
    n = k1 - k0
    nd = nbr.shape[1]
    if nd == 6:
        u0 = u[nbr[c, 0], k0:k1]
        u1 = u[nbr[c, 1], k0:k1]
        u2 = u[nbr[c, 2], k0:k1]
        u3 = u[nbr[c, 3], k0:k1]
        u4 = u[nbr[c, 4], k0:k1]
        u5 = u[nbr[c, 5], k0:k1]
        w = link[c, 0]  # all links of the hexagonal lattice are equal
        for k in range(n):
            acc[k] = (w * dz[k]) * ((u0[k] + u1[k]) + (u2[k] + u3[k]) + (u4[k] + u5[k]))
    else:
        for k in range(n):
            acc[k] = 0.0
        for d in range(nd):
            ud = u[nbr[c, d], k0:k1]
            w = link[c, d]
            for k in range(n):
                acc[k] += (w * dz[k]) * ud[k]


@njit(cache=True, inline="always")
def _sweep_range(u, b, inv, far_inv, n_active, nbr, link, dz, gz, cols, lo, hi, k0, k1):
    """Line Gauss-Seidel over cols[lo:hi], which do not touch one another.

    Columns from n_active on hold no ice and share the pivots far_inv. Four columns go through the
    elimination together, because one alone waits for its own last result at every cell.
    """
    m = k1 - k0
    many = gz.shape[0] > 1
    acc = np.empty((4, m), dtype=np.float32)
    far = far_inv[k0:k1]
    height = dz[k0:k1]
    for i in range(lo, hi, 4):
        n = min(4, hi - i)
        for j in range(n):
            c = cols[i + j]
            aj = acc[j]
            _lateral(u, nbr, link, height, c, k0, k1, aj)
            ga = gz[c] if many else gz[0]
            if c < n_active:
                bc = b[c, k0:k1]
                for k in range(m):
                    aj[k] += bc[k]
            if k0 > 0:
                aj[0] += ga[k0 - 1] * u[c, k0 - 1]
            aj[m - 1] += ga[k1 - 1] * u[c, k1]
        if n == 4 and not many:
            g0 = gz[0, k0:k1]
            c0, c1, c2, c3 = cols[i], cols[i + 1], cols[i + 2], cols[i + 3]
            i0 = inv[c0, k0:k1] if c0 < n_active else far
            i1 = inv[c1, k0:k1] if c1 < n_active else far
            i2 = inv[c2, k0:k1] if c2 < n_active else far
            i3 = inv[c3, k0:k1] if c3 < n_active else far
            a0, a1, a2, a3 = acc[0], acc[1], acc[2], acc[3]
            k = m - 1
            p0, p1, p2, p3 = a0[k] * i0[k], a1[k] * i1[k], a2[k] * i2[k], a3[k] * i3[k]
            a0[k], a1[k], a2[k], a3[k] = p0, p1, p2, p3
            for below in range(1, m):
                k = m - 1 - below
                g = g0[k]
                p0 = (a0[k] + g * p0) * i0[k]
                p1 = (a1[k] + g * p1) * i1[k]
                p2 = (a2[k] + g * p2) * i2[k]
                p3 = (a3[k] + g * p3) * i3[k]
                a0[k] = p0
                a1[k] = p1
                a2[k] = p2
                a3[k] = p3
            v0, v1, v2, v3 = u[c0, k0:k1], u[c1, k0:k1], u[c2, k0:k1], u[c3, k0:k1]
            v0[0], v1[0], v2[0], v3[0] = p0, p1, p2, p3
            for k in range(1, m):
                g = g0[k - 1]
                p0 = a0[k] + (g * i0[k]) * p0
                p1 = a1[k] + (g * i1[k]) * p1
                p2 = a2[k] + (g * i2[k]) * p2
                p3 = a3[k] + (g * i3[k]) * p3
                v0[k] = p0
                v1[k] = p1
                v2[k] = p2
                v3[k] = p3
        else:
            for j in range(n):
                c = cols[i + j]
                pivots = inv[c, k0:k1] if c < n_active else far
                _one_line(acc[j], u[c, k0:k1], pivots, gz[c, k0:k1] if many else gz[0, k0:k1])


@njit(cache=True, inline="always")
def _one_line(acc, x, inv, g):
    """Solve one column for the right side acc, which is used up; all rows from k0 to k1."""
    m = acc.shape[0]
    p = acc[m - 1] * inv[m - 1]
    acc[m - 1] = p
    for below in range(1, m):
        k = m - 1 - below
        p = (acc[k] + g[k] * p) * inv[k]
        acc[k] = p
    x[0] = p
    for k in range(1, m):
        p = acc[k] + (g[k - 1] * inv[k]) * p
        x[k] = p


@Kernel
def sweep_fine(u, b, inv, far_inv, n_active, nbr, link, dz, gz, cols, starts, k0, k1):
    """One line Gauss-Seidel pass over the finest level, colour after colour.

    cols[starts[i]:starts[i + 1]] are the columns of the i-th colour; none of them touch.
    """
    for colour in range(starts.shape[0] - 1):
        lo = starts[colour]
        hi = starts[colour + 1]
        fours = (hi - lo + 3) // 4  # whole groups of four for every chunk but the last
        for ch in prange(CHUNKS):
            _sweep_range(
                u,
                b,
                inv,
                far_inv,
                n_active,
                nbr,
                link,
                dz,
                gz,
                cols,
                lo + 4 * (fours * ch // CHUNKS),
                min(lo + 4 * (fours * (ch + 1) // CHUNKS), hi),
                k0,
                k1,
            )


@Kernel
def residual_fine(u, b, sink, diag, far_diag, n_active, nbr, link, dz, gz, n_free, k0, k1, out):
    """out = b - A u on the finest level, zero in ice."""
    first = max(k0, 1)
    m = k1 - first
    for c in prange(n_free):
        ga = gz[c] if gz.shape[0] > 1 else gz[0]
        uc = u[c]
        oc = out[c]
        _lateral(u, nbr, link, dz[k0:k1], c, k0, k1, oc[k0:k1])
        o = oc[first:k1]
        here, over, under = uc[first:k1], uc[first + 1 : k1 + 1], uc[first - 1 : k1 - 1]
        g_over, g_under = ga[first:k1], ga[first - 1 : k1 - 1]
        if k0 == 0:
            oc[0] += ga[0] * uc[1]
        if c < n_active:
            for k in range(m):
                o[k] += g_over[k] * over[k] + g_under[k] * under[k]
            o, here = oc[k0:k1], uc[k0:k1]
            dc, sc, bc = diag[c, k0:k1], sink[c, k0:k1], b[c, k0:k1]
            for k in range(k1 - k0):
                open_ = np.float32(1.0) if dc[k] > np.float32(0.0) else np.float32(0.0)
                o[k] = open_ * (o[k] + bc[k] - (dc[k] + sc[k]) * here[k])
        else:
            if k0 == 0:
                oc[0] -= far_diag[0] * uc[0]
            d = far_diag[first:k1]
            for k in range(m):
                o[k] += g_over[k] * over[k] + g_under[k] * under[k] - d[k] * here[k]


@Kernel
def restrict(res, centre, middles, out, k0, k1):
    """Coarse right side: centre plus half of each middle (transpose of linear interpolation)."""
    n = k1 - k0
    for c in prange(centre.shape[0]):
        rc = res[centre[c], k0:k1]
        oc = out[c, k0:k1]
        for k in range(n):
            oc[k] = rc[k]
        for d in range(middles.shape[1]):
            m = middles[c, d]
            if m >= 0:
                rm = res[m, k0:k1]
                for k in range(n):
                    oc[k] += np.float32(0.5) * rm[k]


@Kernel
def prolong(e, parents, u, inv, n_active, k0, k1):
    """Add the linear interpolation of the coarse correction, not into ice."""
    n = k1 - k0
    for c in prange(parents.shape[0]):
        a = parents[c, 0]
        b = parents[c, 1]
        uc = u[c, k0:k1]
        if c < n_active and a >= 0 and b >= 0:
            ic, ea, eb = inv[c, k0:k1], e[a, k0:k1], e[b, k0:k1]
            for k in range(n):
                uc[k] += np.float32(0.5) * (ea[k] + eb[k]) if ic[k] > 0.0 else np.float32(0.0)
        elif c < n_active:
            ic = inv[c, k0:k1]
            if a >= 0 or b >= 0:
                one = e[max(a, b), k0:k1]
                for k in range(n):
                    uc[k] += np.float32(0.5) * one[k] if ic[k] > 0.0 else np.float32(0.0)
        else:
            if a >= 0:
                ea = e[a, k0:k1]
                for k in range(n):
                    uc[k] += np.float32(0.5) * ea[k]
            if b >= 0:
                eb = e[b, k0:k1]
                for k in range(n):
                    uc[k] += np.float32(0.5) * eb[k]


@njit(cache=True)
def parents_of(cols, parents, mark, out):
    """Coarse columns that hold any of the fine columns `cols`, each once; returns how many.

    mark[coarse column] is scratch, zero before and after.
    """
    n = 0
    for c in cols:
        for j in range(2):
            p = parents[c, j]
            if p >= 0 and mark[p] == 0:
                mark[p] = 1
                out[n] = p
                n += 1
    for i in range(n):
        mark[out[i]] = 0
    return n


@Kernel
def coarsen_from_fine(mask, link, nbr, dz, gzu, area, far_link, centre, middles, links, cols, k0, kt, L, gz):
    """Lateral links (Galerkin) and z links (lumped) of columns of the first coarse level, layers below kt.

    A fine link that is not held (beyond the lattice) counts as open with far_link.
    """
    nd = nbr.shape[1]
    for i in prange(cols.shape[0]):
        c = cols[i]
        for d in range(nd):
            for k in range(k0, kt):
                L[c, d, k] = 0.0
            for s in range(4):
                p = links[c, d, s]
                if p >= 0:
                    a = p // nd
                    e = p - a * nd
                    n = nbr[a, e]
                    g = np.float32(0.25) * link[a, e]
                    for k in range(k0, kt):
                        if (mask[a, k] | mask[n, k]) & 1 == 0:
                            L[c, d, k] += g * dz[k]
                else:
                    for k in range(k0, kt):
                        L[c, d, k] += np.float32(0.25) * far_link * dz[k]
        for k in range(max(k0 - 1, 0), kt):
            gz[c, k] = 0.0
        for j in range(-1, nd):
            f = centre[c] if j < 0 else middles[c, j]
            if f >= 0:
                w = np.float32(1.0) if j < 0 else np.float32(0.5)
                for k in range(max(k0 - 1, 0), kt):
                    if (mask[f, k] | mask[f, k + 1]) & 1 == 0:
                        gz[c, k] += w * area[f] * gzu[k]


@Kernel
def coarsen(Lf, gzf, far_link, dz, centre, middles, links, cols, k0, kt, L, gz):
    """As coarsen_from_fine, between two coarse levels."""
    nd = Lf.shape[1]
    for i in prange(cols.shape[0]):
        c = cols[i]
        for d in range(nd):
            for k in range(k0, kt):
                L[c, d, k] = 0.0
            for s in range(4):
                p = links[c, d, s]
                if p >= 0:
                    a = p // nd
                    e = p - a * nd
                    for k in range(k0, kt):
                        L[c, d, k] += np.float32(0.25) * Lf[a, e, k]
                else:
                    for k in range(k0, kt):
                        L[c, d, k] += np.float32(0.25) * far_link * dz[k]
        for k in range(max(k0 - 1, 0), kt):
            gz[c, k] = 0.0
        for j in range(-1, nd):
            f = centre[c] if j < 0 else middles[c, j]
            if f >= 0:
                w = np.float32(1.0) if j < 0 else np.float32(0.5)
                for k in range(max(k0 - 1, 0), kt):
                    gz[c, k] += w * gzf[f, k]


@njit(cache=True)
def scatter_sinks(column, layer, sink, parents, centre, mult, n_c, kt, S):
    """Sinks of the first coarse level, lumped, from the boundary cells that have any.

    mult: how often a column stands in the plane; a coarse column on a mirror sees those beside it twice.
    """
    for c in range(n_c):
        for k in range(kt):
            S[c, k] = 0.0
    for i in range(column.shape[0]):
        c = column[i]
        k = layer[i]
        for j in range(2):
            p = parents[c, j]
            if 0 <= p < n_c:
                S[p, k] += np.float32(0.5) * sink[c, k] * (mult[c] / mult[centre[p]])


@Kernel
def gather_sinks(Sf, n_f, centre, middles, n_c, k0, kt, S):
    """Sinks of a coarse level, lumped, from those of the next finer one; beyond its n_f columns are none."""
    n = kt - k0
    for c in prange(n_c):
        sc = S[c, k0:kt]
        for k in range(n):
            sc[k] = 0.0
        for j in range(-1, middles.shape[1]):
            f = centre[c] if j < 0 else middles[c, j]
            if 0 <= f < n_f:
                w = np.float32(1.0) if j < 0 else np.float32(0.5)
                fine = Sf[f, k0:kt]
                for k in range(n):
                    sc[k] += w * fine[k]


@Kernel
def factor_coarse(L, gz, S, far_link, edge, dz, n_act, n_c, k0, k1, kt, D, inv):
    """Diagonal and pivots of a coarse level, below kt; columns from n_act on have far links."""
    nd = L.shape[1]
    for c in prange(n_c):
        near = c < n_act
        prev = inv[c, kt] if kt < k1 else np.float32(0.0)
        for k in range(min(kt, k1) - 1, k0 - 1, -1):
            up = gz[c, k]
            d = up + edge[c] * dz[k]
            if k > 0:
                d += gz[c, k - 1]
            if near:
                d += S[c, k]
                for j in range(nd):
                    d += L[c, j, k]
            else:
                d += nd * far_link * dz[k]
            D[c, k] = d
            if d <= np.float32(1e-20):
                inv[c, k] = 0.0
                prev = np.float32(0.0)
            else:
                g = up if k < k1 - 1 else np.float32(0.0)
                # an enclosed void with no sink would be singular
                prev = np.float32(1.0) / max(d - g * g * prev, np.float32(1e-5) * d)
                inv[c, k] = prev


@njit(cache=True, inline="always")
def _coarse_lateral(e, f, nbr, L, far_link, dz, c, n_act, k0, k1, kt, acc):
    """acc = f + sum of link * e over the lateral neighbours of coarse column c; acc from k0 to k1."""
    nd = nbr.shape[1]
    ks = min(kt, k1) if c < n_act else k0
    low, high = ks - k0, k1 - ks
    fc = f[c, k0:k1]
    for k in range(k1 - k0):
        acc[k] = fc[k]
    below, above = acc[:low], acc[low:]
    dz_above = dz[ks:k1]
    for d in range(nd):
        n = nbr[c, d]
        if n >= 0:
            en, ld = e[n, k0:ks], L[c, d, k0:ks]
            for k in range(low):
                below[k] += ld[k] * en[k]
            en = e[n, ks:k1]
            for k in range(high):
                above[k] += (far_link * dz_above[k]) * en[k]


@njit(cache=True, inline="always")
def _coarse_range(e, f, inv, nbr, L, gz, far_link, dz, n_act, cols, lo, hi, k0, k1, kt):
    """Line Gauss-Seidel over cols[lo:hi] of a coarse level, which do not touch; four at a time, as above."""
    m = k1 - k0
    acc = np.empty((4, m), dtype=np.float32)
    for i in range(lo, hi, 4):
        n = min(4, hi - i)
        for j in range(n):
            _coarse_lateral(e, f, nbr, L, far_link, dz, cols[i + j], n_act, k0, k1, kt, acc[j])
        if n == 4:
            c0, c1, c2, c3 = cols[i], cols[i + 1], cols[i + 2], cols[i + 3]
            a0, a1, a2, a3 = acc[0], acc[1], acc[2], acc[3]
            i0, i1, i2, i3 = inv[c0, k0:k1], inv[c1, k0:k1], inv[c2, k0:k1], inv[c3, k0:k1]
            g0, g1, g2, g3 = gz[c0, k0:k1], gz[c1, k0:k1], gz[c2, k0:k1], gz[c3, k0:k1]
            k = m - 1
            p0, p1, p2, p3 = a0[k] * i0[k], a1[k] * i1[k], a2[k] * i2[k], a3[k] * i3[k]
            a0[k], a1[k], a2[k], a3[k] = p0, p1, p2, p3
            for below in range(1, m):
                k = m - 1 - below
                p0 = (a0[k] + g0[k] * p0) * i0[k]
                p1 = (a1[k] + g1[k] * p1) * i1[k]
                p2 = (a2[k] + g2[k] * p2) * i2[k]
                p3 = (a3[k] + g3[k] * p3) * i3[k]
                a0[k] = p0
                a1[k] = p1
                a2[k] = p2
                a3[k] = p3
            e0, e1, e2, e3 = e[c0, k0:k1], e[c1, k0:k1], e[c2, k0:k1], e[c3, k0:k1]
            e0[0], e1[0], e2[0], e3[0] = p0, p1, p2, p3
            for k in range(1, m):
                p0 = a0[k] + (g0[k - 1] * i0[k]) * p0
                p1 = a1[k] + (g1[k - 1] * i1[k]) * p1
                p2 = a2[k] + (g2[k - 1] * i2[k]) * p2
                p3 = a3[k] + (g3[k - 1] * i3[k]) * p3
                e0[k] = p0
                e1[k] = p1
                e2[k] = p2
                e3[k] = p3
        else:
            for j in range(n):
                c = cols[i + j]
                _one_line(acc[j], e[c, k0:k1], inv[c, k0:k1], gz[c, k0:k1])


@Kernel
def sweep_coarse(e, f, inv, nbr, L, gz, far_link, dz, n_act, cols, starts, k0, k1, kt):
    """One line Gauss-Seidel pass over a coarse level, colour after colour."""
    for colour in range(starts.shape[0] - 1):
        lo = starts[colour]
        hi = starts[colour + 1]
        fours = (hi - lo + 3) // 4  # whole groups of four for every chunk but the last
        for ch in prange(CHUNKS):
            _coarse_range(
                e,
                f,
                inv,
                nbr,
                L,
                gz,
                far_link,
                dz,
                n_act,
                cols,
                lo + 4 * (fours * ch // CHUNKS),
                min(lo + 4 * (fours * (ch + 1) // CHUNKS), hi),
                k0,
                k1,
                kt,
            )


@njit(cache=True)
def solve_coarsest(e, f, inv, nbr, L, gz, far_link, dz, n_act, order, sweeps, k0, k1, kt):
    """Line Gauss-Seidel, many times over the few columns of the coarsest level."""
    acc = np.empty(k1 - k0, dtype=np.float32)
    for _ in range(sweeps):
        for c in order:
            _coarse_lateral(e, f, nbr, L, far_link, dz, c, n_act, k0, k1, kt, acc)
            _one_line(acc, e[c, k0:k1], inv[c, k0:k1], gz[c, k0:k1])


@njit(cache=True)
def diagonal(mask, nbr, link, dz, gzu, area, cols, k0, k1, diag):
    """Sum of the open conductances of every cell of the given columns; zero in ice."""
    for i in range(cols.shape[0]):
        c = cols[i]
        for k in range(k0, k1):
            if mask[c, k] & 1:
                diag[c, k] = 0.0
                continue
            s = np.float32(0.0)
            for d in range(nbr.shape[1]):
                n = nbr[c, d]
                if n >= 0 and mask[n, k] & 1 == 0:
                    s += link[c, d] * dz[k]
            if mask[c, k + 1] & 1 == 0:
                s += area[c] * gzu[k]
            if k > 0 and mask[c, k - 1] & 1 == 0:
                s += area[c] * gzu[k - 1]
            # a sealed void keeps a tiny leak so that its equation is not singular
            diag[c, k] = max(s, np.float32(1e-6))


@Kernel
def far_potential(z_source, q, mirror, rho, z, out):
    """Potential of flux sources on the axis, each with its moments l = 0, 2, 4, at points (rho, z).

    q[source, 0..2]; mirror adds the image of every source below z = 0. out = sum M_l P_l / (4 pi R^(l+1)).
    """
    for i in prange(rho.shape[0]):
        s = 0.0
        for j in range(z_source.shape[0]):
            for image in range(2 if mirror else 1):
                d = z[i] - z_source[j] if image == 0 else z[i] + z_source[j]
                r2 = max(rho[i] * rho[i] + d * d, 1.0)
                x2 = d * d / r2
                p2 = 0.5 * (3 * x2 - 1)
                p4 = 0.125 * ((35 * x2 - 30) * x2 + 3)
                s += (q[j, 0] + (q[j, 1] * p2 + q[j, 2] * p4 / r2) / r2) / np.sqrt(r2)
        out[i] = s / (4 * np.pi)


@njit(cache=True)
def outer_flux(u, inner, outer, weight, top_weight, dz, gz_top, gz_low, k0, k1, bottom_far):
    """Flux into the lattice through its fixed cells: across the links inner-outer, and from above (below)."""
    total = 0.0
    for i in range(inner.shape[0]):
        a = u[inner[i]]
        b = u[outer[i]]
        s = 0.0
        for k in range(k0, k1):
            s += (b[k] - a[k]) * dz[k]
        total += weight[i] * s
    nz = u.shape[1]
    top = 0.0
    low = 0.0
    for c in range(top_weight.shape[0]):
        top += top_weight[c] * (u[c, nz - 1] - u[c, nz - 2])
        low += top_weight[c] * (u[c, 0] - u[c, 1])
    total += top * gz_top
    if bottom_far:
        total += low * gz_low
    return total


@njit(cache=True)
def source_moments(columns, layers, flux, multiplicity, radius, z_mid, bin_of, z_source, out):
    """out[source, (l = 0, 2, 4)] += moments of a flux into cells about each source on the axis."""
    for i in range(columns.shape[0]):
        c = columns[i]
        j = bin_of[layers[i]]
        w = flux[i] * multiplicity[c]
        d = z_mid[layers[i]] - z_source[j]
        d2 = d * d
        r2 = d2 + radius[c] * float(radius[c])
        out[j, 0] += w
        out[j, 1] += w * 0.5 * (3 * d2 - r2)
        out[j, 2] += w * 0.125 * ((35 * d2 - 30 * r2) * d2 + 3 * r2 * r2)
