"""Compiled field kernels for the processor; `reference` says in plain numpy what each must give.

Conventions: u[column, z] is the supersaturation, exactly zero in ice, so that a link into ice needs no
test: its conductance is simply missing from the diagonal. `inv` holds the pivots of the elimination
along z (zero in ice). Sums run in a fixed order, and columns of one colour do not touch, so the result
does not depend on the number of threads.
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
        self.threaded = njit(cache=True, parallel=True)(function)
        # a name of its own, or the two would share one cache entry
        twin = types.FunctionType(function.__code__, function.__globals__, function.__name__ + "_serial")
        twin.__qualname__ = function.__qualname__ + "_serial"
        twin.__module__ = function.__module__
        self.serial = njit(cache=True)(twin)
        self.__doc__ = function.__doc__

    def __call__(self, cells: int, *args: Any) -> Any:
        """Run on `args`; threads only for `cells` above SMALL."""
        return self.serial(*args) if cells < SMALL else self.threaded(*args)


@Kernel
def factor(diag, sink, gz, inv, n_cols, k0, k1):
    """Pivots of every column's tridiagonal matrix: inv[c, k] = 1/(diag + sink - gz[k-1]^2 inv[k-1]).

    gz is [1, nz] where all columns have one area, else [columns, nz].
    """
    for c in prange(n_cols):
        ga = gz[c] if gz.shape[0] > 1 else gz[0]
        prev = np.float32(0.0)
        for k in range(k0, k1):
            d = diag[c, k]
            if d <= 0.0:
                inv[c, k] = 0.0
                prev = np.float32(0.0)
            else:
                d += sink[c, k]
                g = ga[k - 1] if k > k0 else np.float32(0.0)
                prev = np.float32(1.0) / (d - g * g * prev)
                inv[c, k] = prev


@Kernel
def sweep_fine(u, b, inv, far_inv, n_active, nbr, link, dz, gz, cols, k0, k1):
    """One line Gauss-Seidel pass over the columns of one colour of the finest level.

    Columns from n_active on hold no ice and share the pivots far_inv.
    """
    nd = nbr.shape[1]
    m = cols.shape[0]
    nz = u.shape[1]
    for ch in prange(CHUNKS):
        lo = m * ch // CHUNKS
        hi = m * (ch + 1) // CHUNKS
        acc = np.empty(nz, dtype=np.float32)
        for i in range(lo, hi):
            c = cols[i]
            if nd == 6:
                u0 = u[nbr[c, 0]]
                u1 = u[nbr[c, 1]]
                u2 = u[nbr[c, 2]]
                u3 = u[nbr[c, 3]]
                u4 = u[nbr[c, 4]]
                u5 = u[nbr[c, 5]]
                l0 = link[c, 0]
                l1 = link[c, 1]
                l2 = link[c, 2]
                l3 = link[c, 3]
                l4 = link[c, 4]
                l5 = link[c, 5]
                for k in range(k0, k1):
                    acc[k] = dz[k] * (
                        (l0 * u0[k] + l1 * u1[k]) + (l2 * u2[k] + l3 * u3[k]) + (l4 * u4[k] + l5 * u5[k])
                    )
            else:
                for k in range(k0, k1):
                    acc[k] = 0.0
                for d in range(nd):
                    ud = u[nbr[c, d]]
                    ld = link[c, d]
                    for k in range(k0, k1):
                        acc[k] += dz[k] * ld * ud[k]
            uc = u[c]
            if c < n_active:
                iv = inv[c]
                bc = b[c]
                for k in range(k0, k1):
                    acc[k] += bc[k]
            else:
                iv = far_inv
            ga = gz[c] if gz.shape[0] > 1 else gz[0]
            prev = np.float32(0.0)
            if k0 > 0:
                acc[k0] += ga[k0 - 1] * uc[k0 - 1]
            acc[k1 - 1] += ga[k1 - 1] * uc[k1]
            for k in range(k0, k1):
                g = ga[k - 1] if k > k0 else np.float32(0.0)
                prev = (acc[k] + g * prev) * iv[k]
                acc[k] = prev
            nxt = np.float32(0.0)
            for k in range(k1 - 1, k0 - 1, -1):
                nxt = acc[k] + (ga[k] * iv[k]) * nxt if k < k1 - 1 else acc[k]
                uc[k] = nxt


@Kernel
def residual_fine(u, b, sink, diag, far_diag, n_active, nbr, link, dz, gz, n_free, k0, k1, out):
    """out = b - A u on the finest level, zero in ice."""
    nd = nbr.shape[1]
    for c in prange(n_free):
        ga = gz[c] if gz.shape[0] > 1 else gz[0]
        uc = u[c]
        oc = out[c]
        for k in range(k0, k1):
            oc[k] = 0.0
        for d in range(nd):
            ud = u[nbr[c, d]]
            ld = link[c, d]
            for k in range(k0, k1):
                oc[k] += ld * ud[k]
        for k in range(k0, k1):
            s = dz[k] * oc[k] + ga[k] * uc[k + 1]
            if k > 0:
                s += ga[k - 1] * uc[k - 1]
            oc[k] = s
        if c < n_active:
            for k in range(k0, k1):
                if diag[c, k] > 0.0:
                    oc[k] += b[c, k] - (diag[c, k] + sink[c, k]) * uc[k]
                else:
                    oc[k] = 0.0
        else:
            for k in range(k0, k1):
                oc[k] -= far_diag[k] * uc[k]


@Kernel
def restrict(res, centre, middles, out, k0, k1):
    """Coarse right side: centre plus half of each middle (transpose of linear interpolation)."""
    for c in prange(centre.shape[0]):
        rc = res[centre[c]]
        oc = out[c]
        for k in range(k0, k1):
            oc[k] = rc[k]
        for d in range(middles.shape[1]):
            m = middles[c, d]
            if m >= 0:
                rm = res[m]
                for k in range(k0, k1):
                    oc[k] += np.float32(0.5) * rm[k]


@Kernel
def prolong(e, parents, u, inv, n_active, k0, k1):
    """Add the linear interpolation of the coarse correction, not into ice."""
    for c in prange(parents.shape[0]):
        a = parents[c, 0]
        b = parents[c, 1]
        uc = u[c]
        if c < n_active:
            for k in range(k0, k1):
                if inv[c, k] > 0.0:
                    s = np.float32(0.0)
                    if a >= 0:
                        s += e[a, k]
                    if b >= 0:
                        s += e[b, k]
                    uc[k] += np.float32(0.5) * s
        else:
            if a >= 0:
                for k in range(k0, k1):
                    uc[k] += np.float32(0.5) * e[a, k]
            if b >= 0:
                for k in range(k0, k1):
                    uc[k] += np.float32(0.5) * e[b, k]


@Kernel
def coarsen_from_fine(mask, sink, n_active, link, nbr, dz, gzu, area, centre, middles, links, n_c, k0, k1, L, gz, S):
    """Coarse lateral links (Galerkin), z links and sinks (lumped) of the first coarse level."""
    nd = nbr.shape[1]
    for c in prange(n_c):
        for d in range(nd):
            for k in range(k0, k1):
                L[c, d, k] = 0.0
            for s in range(4):
                p = links[c, d, s]
                if p >= 0:
                    a = p // nd
                    e = p - a * nd
                    n = nbr[a, e]
                    if n >= 0:
                        g = np.float32(0.25) * link[a, e]
                        for k in range(k0, k1):
                            if (mask[a, k] | mask[n, k]) & 1 == 0:
                                L[c, d, k] += g * dz[k]
        for k in range(k0, k1 + 1):
            gz[c, k] = 0.0
            S[c, k] = 0.0
        for j in range(-1, nd):
            f = centre[c] if j < 0 else middles[c, j]
            if f >= 0:
                w = np.float32(1.0) if j < 0 else np.float32(0.5)
                for k in range(max(k0 - 1, 0), k1):
                    if (mask[f, k] | mask[f, k + 1]) & 1 == 0:
                        gz[c, k] += w * area[f] * gzu[k]
                if f < n_active:
                    for k in range(k0, k1):
                        S[c, k] += w * sink[f, k]


@Kernel
def coarsen(Lf, gzf, Sf, nbrf, centre, middles, links, n_c, k0, k1, L, gz, S):
    """As coarsen_from_fine, between two coarse levels."""
    nd = Lf.shape[1]
    for c in prange(n_c):
        for d in range(nd):
            for k in range(k0, k1):
                L[c, d, k] = 0.0
            for s in range(4):
                p = links[c, d, s]
                if p >= 0:
                    a = p // nd
                    e = p - a * nd
                    for k in range(k0, k1):
                        L[c, d, k] += np.float32(0.25) * Lf[a, e, k]
        for k in range(k0, k1 + 1):
            gz[c, k] = 0.0
            S[c, k] = 0.0
        for j in range(-1, nd):
            f = centre[c] if j < 0 else middles[c, j]
            if f >= 0:
                w = np.float32(1.0) if j < 0 else np.float32(0.5)
                for k in range(max(k0 - 1, 0), k1):
                    gz[c, k] += w * gzf[f, k]
                for k in range(k0, k1):
                    S[c, k] += w * Sf[f, k]


@Kernel
def factor_coarse(L, gz, S, nbr, edge, dz, n_c, k0, k1, D, inv):
    """Diagonal and pivots of a coarse level, whose z links differ from column to column."""
    nd = L.shape[1]
    for c in prange(n_c):
        prev = np.float32(0.0)
        for k in range(k0, k1):
            d = S[c, k] + gz[c, k] + edge[c] * dz[k]
            if k > 0:
                d += gz[c, k - 1]
            for j in range(nd):
                if nbr[c, j] != -2:
                    d += L[c, j, k]
            D[c, k] = d
            if d <= np.float32(1e-20):
                inv[c, k] = 0.0
                prev = np.float32(0.0)
            else:
                g = gz[c, k - 1] if k > k0 else np.float32(0.0)
                # an enclosed void with no sink would be singular
                prev = np.float32(1.0) / max(d - g * g * prev, np.float32(1e-5) * d)
                inv[c, k] = prev


@Kernel
def sweep_coarse(e, f, inv, nbr, L, gz, cols, k0, k1):
    """One line Gauss-Seidel pass over the columns of one colour of a coarse level."""
    nd = nbr.shape[1]
    m = cols.shape[0]
    nz = e.shape[1]
    for ch in prange(CHUNKS):
        acc = np.empty(nz, dtype=np.float32)
        for i in range(m * ch // CHUNKS, m * (ch + 1) // CHUNKS):
            c = cols[i]
            fc = f[c]
            for k in range(k0, k1):
                acc[k] = fc[k]
            for d in range(nd):
                n = nbr[c, d]
                if n >= 0:
                    en = e[n]
                    Ld = L[c, d]
                    for k in range(k0, k1):
                        acc[k] += Ld[k] * en[k]
            prev = np.float32(0.0)
            iv = inv[c]
            ga = gz[c]
            for k in range(k0, k1):
                g = ga[k - 1] if k > k0 else np.float32(0.0)
                prev = (acc[k] + g * prev) * iv[k]
                acc[k] = prev
            nxt = np.float32(0.0)
            ec = e[c]
            for k in range(k1 - 1, k0 - 1, -1):
                nxt = acc[k] + (ga[k] * iv[k]) * nxt if k < k1 - 1 else acc[k]
                ec[k] = nxt


@njit(cache=True)
def solve_coarsest(e, f, inv, nbr, L, gz, order, sweeps, k0, k1):
    """Line Gauss-Seidel, many times over the few columns of the coarsest level."""
    nd = nbr.shape[1]
    acc = np.empty(e.shape[1], dtype=np.float32)
    for _ in range(sweeps):
        for c in order:
            for k in range(k0, k1):
                acc[k] = f[c, k]
            for d in range(nd):
                n = nbr[c, d]
                if n >= 0:
                    for k in range(k0, k1):
                        acc[k] += L[c, d, k] * e[n, k]
            prev = np.float32(0.0)
            for k in range(k0, k1):
                g = gz[c, k - 1] if k > k0 else np.float32(0.0)
                prev = (acc[k] + g * prev) * inv[c, k]
                acc[k] = prev
            nxt = np.float32(0.0)
            for k in range(k1 - 1, k0 - 1, -1):
                nxt = acc[k] + (gz[c, k] * inv[c, k]) * nxt if k < k1 - 1 else acc[k]
                e[c, k] = nxt


@Kernel
def residual_coarse(e, f, D, nbr, L, gz, n_c, k0, k1, out):
    """out = f - A e on a coarse level."""
    nd = nbr.shape[1]
    for c in prange(n_c):
        oc = out[c]
        ec = e[c]
        for k in range(k0, k1):
            s = f[c, k] - D[c, k] * ec[k]
            if k + 1 < k1:
                s += gz[c, k] * ec[k + 1]
            if k > k0:
                s += gz[c, k - 1] * ec[k - 1]
            oc[k] = s
        for d in range(nd):
            n = nbr[c, d]
            if n >= 0:
                en = e[n]
                Ld = L[c, d]
                for k in range(k0, k1):
                    oc[k] += Ld[k] * en[k]


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
