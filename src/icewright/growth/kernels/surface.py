"""Compiled surface kernels: which cells vapour meets, which terrace they belong to, what they take up.

A boundary cell is a vapour cell with ice beside it. Its kind follows from its neighbours alone:

0 basal   one ice neighbour above or below, none beside
1 prism   two adjacent ice neighbours beside, none above or below (on rings: one beside)
2 corner  one ice neighbour beside (hexagonal lattice only)
3 kink    anything else: a step or a kink, which takes up whatever reaches it
"""

from __future__ import annotations

import numpy as np
from numba import njit

BASAL, PRISM, CORNER, KINK = 0, 1, 2, 3
LEAST_STEP = 1e-4  # supersaturation by which the point of a law may always move in a round
STEEPEST = 3.0


@njit(cache=True)
def scan(
    mask,
    nbr,
    face_area,
    face_distance,
    area,
    dz,
    n_cols,
    k0,
    k1,
    doubles,
    changed,
    old_starts,
    old,
    starts,
    out_c,
    out_k,
    kind,
    way,
    a,
    h,
    width,
):
    """List the boundary cells of the first n_cols columns in order of (column, z).

    way is the direction of the first of the ice neighbours (basal: 0 ice below, 1 ice above); a, h the
    area of the surface in the cell and its distance from the centre (dx); width the height of the ice
    wall beside a prism or corner cell (dx), doubled where it stands on the mirror plane. Only columns
    marked in `changed` (by ice in or beside them) are looked at; the others are copied from `old`, the
    same arrays of the last scan, whose columns begin at old_starts. Returns the number of cells, or -1 if
    the output arrays are too short.
    """
    nd = nbr.shape[1]
    _o_c, o_k, o_kind, o_way, o_a, o_h, o_width = old
    m = 0
    for c in range(n_cols):
        starts[c] = m
        if not changed[c]:
            n = old_starts[c + 1] - old_starts[c]
            if m + n > out_c.shape[0]:
                return -1
            for i in range(old_starts[c], old_starts[c + 1]):
                out_c[m] = c
                out_k[m] = o_k[i]
                kind[m] = o_kind[i]
                way[m] = o_way[i]
                a[m] = o_a[i]
                h[m] = o_h[i]
                width[m] = o_width[i]
                m += 1
            continue
        for k in range(k0, k1):
            if mask[c, k] != 0:
                continue
            nlat = 0
            bits = 0
            for d in range(nd):
                n = nbr[c, d]
                if n >= 0 and n != c and mask[n, k] == 1:
                    nlat += 1
                    bits |= 1 << d
            below = k > 0 and mask[c, k - 1] == 1
            above = mask[c, k + 1] == 1
            nz = int(below) + int(above)
            if nlat + nz == 0:
                continue
            if m >= out_c.shape[0]:
                return -1
            out_c[m] = c
            out_k[m] = k
            kd = KINK
            w = 0
            if nlat == 0 and nz == 1:
                kd = BASAL
                w = 0 if below else 1
            elif nz == 0:
                if nd == 2:
                    if nlat == 1:
                        kd = PRISM
                        w = 0 if bits & 1 else 1
                elif nlat == 1:
                    kd = CORNER
                    for d in range(6):
                        if bits >> d & 1:
                            w = d
                elif nlat == 2:
                    for d in range(6):
                        if bits >> d & 1 and bits >> ((d + 1) % 6) & 1:
                            kd = PRISM
                            w = d
            kind[m] = kd
            way[m] = w
            at = 0.0
            cond = 0.0
            for d in range(nd):
                if bits >> d & 1:
                    f = face_area[c, d] * dz[k] * (2.0 if kd == CORNER else 1.0)
                    at += f
                    cond += f / face_distance[c, d]
            at += nz * area[c]
            cond += nz * area[c] / (0.5 * dz[k])
            a[m] = at
            h[m] = at / cond
            width[m] = 0.0
            if kd in (PRISM, CORNER):
                n = nbr[c, w]
                lo = k
                while lo > k0 and mask[n, lo - 1] == 1:
                    lo -= 1
                hi = k
                while hi + 1 < k1 and mask[n, hi + 1] == 1:
                    hi += 1
                s = 0.0
                for j in range(lo, hi + 1):
                    s += dz[j]
                if doubles and lo == 0:
                    s *= 2.0
                width[m] = s
            m += 1
    for c in range(n_cols, starts.shape[0]):
        starts[c] = m
    return m


@njit(cache=True)
def _root(parent, i):
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(cache=True)
def _join(parent, i, j):
    a = _root(parent, i)
    b = _root(parent, j)
    if a < b:
        parent[b] = a
    elif b < a:
        parent[a] = b


@njit(cache=True)
def terraces(c, k, kind, way, nbr, index, m, parent):
    """Label connected boundary cells of one kind and orientation; corners go with the facets beside them.

    index[column, z] is scratch holding the boundary cell's number, -1 elsewhere on return. parent[i] is
    the terrace's first cell. Kinks stand alone.
    """
    nd = nbr.shape[1]
    for i in range(m):
        parent[i] = i
        index[c[i], k[i]] = i
    for i in range(m):
        ci, ki = c[i], k[i]
        kd = kind[i]
        if kd == KINK:
            continue
        if kd == BASAL:
            for d in range(nd):
                n = nbr[ci, d]
                if n >= 0 and n < index.shape[0]:
                    j = index[n, ki]
                    if j >= 0 and kind[j] == BASAL and way[j] == way[i]:
                        _join(parent, i, j)
            continue
        if ki + 1 < index.shape[1]:
            j = index[ci, ki + 1]
            if j >= 0 and kind[j] == kd and way[j] == way[i]:
                _join(parent, i, j)
        if nd == 6:
            if kd == PRISM:
                for e in range(2):
                    n = nbr[ci, (way[i] + 2) % 6 if e == 0 else (way[i] + 5) % 6]
                    if n >= 0 and n < index.shape[0]:
                        j = index[n, ki]
                        if j >= 0 and kind[j] == PRISM:
                            _join(parent, i, j)
            else:
                for e in range(2):
                    n = nbr[ci, (way[i] + 1) % 6 if e == 0 else (way[i] + 5) % 6]
                    if n >= 0 and n < index.shape[0]:
                        j = index[n, ki]
                        if j >= 0 and kind[j] == PRISM:
                            _join(parent, i, j)
    for i in range(m):
        parent[i] = _root(parent, i)
        index[c[i], k[i]] = i
    for i in range(m):
        index[c[i], k[i]] = -1


@njit(cache=True)
def basal_widths(c, k, kind, parent, nbr, mask, area, mult, dx_edge, m, width):
    """Width of basal terraces, 2 area/perimeter (dx): a ribbon's width, a hexagon's half-width."""
    nd = nbr.shape[1]
    sa = np.zeros(m)
    sp = np.zeros(m)
    for i in range(m):
        if kind[i] == BASAL:
            p = parent[i]
            sa[p] += area[c[i]] * mult[c[i]]
            for d in range(nd):
                n = nbr[c[i], d]
                open_edge = False
                if n >= 0 and n != c[i]:
                    lower = k[i] > 0 and mask[n, k[i] - 1] == 1
                    upper = mask[n, k[i] + 1] == 1
                    open_edge = not (lower or upper)
                if open_edge:
                    sp[p] += dx_edge[c[i], d] * mult[c[i]]
    for i in range(m):
        if kind[i] == BASAL:
            p = parent[i]
            width[i] = 2.0 * sa[p] / sp[p] if sp[p] > 0 else 1e6


@njit(cache=True)
def _rate(table, lnu0, dlnu, lnw0, dlnw, lw, u):
    """(g, dln g/dln u) from one facet's table of ln g over ln width and ln u."""
    nw, nu = table.shape
    x = (np.log(max(u, 1e-12)) - lnu0) / dlnu
    y = (lw - lnw0) / dlnw
    extra = 0.0
    if x < 0:
        extra = x  # below the table everything is as dead as its first entry says
        x = 0.0
    x = min(x, nu - 1.001)
    y = min(max(y, 0.0), nw - 1.001)
    i = int(x)
    j = int(y)
    fx = x - i
    fy = y - j
    a0 = table[j, i] * (1 - fy) + table[j + 1, i] * fy
    a1 = table[j, i + 1] * (1 - fy) + table[j + 1, i + 1] * fy
    lng = a0 + (a1 - a0) * fx + extra * dlnu
    return np.exp(max(lng, -60.0)), (a1 - a0) / dlnu


@njit(cache=True)
def laws(
    c,
    k,
    kind,
    a,
    h,
    width,
    parent,
    m,
    u,
    tables,
    lnu0,
    dlnu,
    lnw0,
    dlnw,
    x0,
    shift,
    capillary,
    rough_from,
    rough_to,
    sink,
    b,
    weight,
    capped,
    alpha,
    last,
    damping,
    steep,
):
    """Linearised uptake of every boundary cell: flux = sink * u - b, the law's flux at the present u.

    tables[0 basal, 1 prism, 2 corner]: ln of g = alpha sigma_s / x0 over (ln width, ln u), the series
    resistance of the half cell already solved for. shift is the loss of supersaturation by the crystal's
    own warming, capillary d_sv in dx. A terrace whose driving cell has alpha below rough_from moves as one
    body; above rough_to each of its cells obeys its own law; between, the two are mixed. steep: d ln flux /
    d u of the laws, not held down to STEEPEST.
    """
    best = np.zeros(m)
    driver = np.full(m, -1)
    g_own = np.zeros(m)
    slope = np.zeros(m)
    ue = np.zeros(m)
    at = np.zeros(m)
    for i in range(m):
        kap = 2.0 * capillary / max(width[i], 1.0) if kind[i] != KINK else 0.0
        at[i] = float(u[c[i], k[i]])
        if kind[i] != KINK:
            # Steep laws and a field that answers slowly would chase each other in a two-cycle: the point
            # at which the law is taken follows u, more slowly each time the direction turns.
            ci, ki = c[i], k[i]
            old = float(last[ci, ki])
            if old > 0.0:
                step = at[i] - old
                d = float(damping[ci, ki])
                size = abs(d) if d != 0.0 else 1.0
                size = max(0.5 * size, 0.05) if d * step < 0.0 else min(2.0 * size, 1.0)
                room = max(old - shift - kap, LEAST_STEP)
                step = min(max(step, -0.5 * room), room)
                at[i] = old + size * step
                damping[ci, ki] = size if step >= 0 else -size
            last[ci, ki] = at[i]
        e = at[i] - shift - kap
        if e <= 1e-9:
            e = 1e-9
        ue[i] = e
        lw = np.log(max(width[i], 1e-3))
        if kind[i] == KINK:
            g_own[i] = e / (h[i] + x0)
            slope[i] = 1.0
        else:
            g, s = _rate(tables[kind[i]], lnu0, dlnu, lnw0, dlnw, lw, e)
            g = min(g, e / (h[i] + x0))
            g_own[i] = g
            slope[i] = s
            gd = g
            if kind[i] == CORNER:
                # as a driver of the facets beside it a corner obeys the facet's law, without its own barrier
                gd, s = _rate(tables[PRISM], lnu0, dlnu, lnw0, dlnw, lw, e)
            p = parent[i]
            if gd > best[p]:
                best[p] = gd
                driver[p] = i
    for i in range(m):
        e = ue[i]
        top = e / (h[i] + x0)
        p = parent[i]
        w = 0.0
        if kind[i] != KINK and driver[p] >= 0:
            j = driver[p]
            al = min(best[p] * x0 / max(ue[j] - best[p] * h[j], 1e-12), 1.0)
            alpha[i] = al
            t = (al - rough_from) / max(rough_to - rough_from, 1e-9)
            t = min(max(t, 0.0), 1.0)
            w = 1.0 - t * t * (3 - 2 * t)
        else:
            alpha[i] = 1.0
        f = (1 - w) * g_own[i]
        m_log = (1 - w) * g_own[i] * slope[i]
        capped[i] = 0
        if w > 0.0:
            if best[p] >= top:
                capped[i] = 1
                f += w * top
                m_log += w * top
            else:
                f += w * best[p]
                m_log += w * best[p] * slope[driver[p]]
        m_log /= f
        steep[i] = w * m_log / e
        s = min(f * min(m_log, STEEPEST) / e, 1.0 / h[i])
        weight[i] = w
        sink[c[i], k[i]] = a[i] * s
        b[c[i], k[i]] = a[i] * (s * at[i] - f)


@njit(cache=True)
def uptake(c, k, m, u, sink, b, mult, last, steep, flux):
    """Linearised flux into every boundary cell, never negative.

    Returns (its total over the whole plane, how much of it hangs on the point of a law being away from u).
    """
    total = 0.0
    away = 0.0
    for i in range(m):
        ui = u[c[i], k[i]]
        f = max(sink[c[i], k[i]] * ui - b[c[i], k[i]], 0.0)
        flux[i] = f
        total += f * mult[c[i]]
        away += f * mult[c[i]] * min(steep[i] * abs(ui - last[c[i], k[i]]), 1.0)
    return total, away


@njit(cache=True)
def fill_up(c, k, m, flux, gain, volume, fill):
    """Add flux * gain / volume to the fill of every boundary cell."""
    for i in range(m):
        fill[c[i], k[i]] += flux[i] * gain / volume[i]


@njit(cache=True)
def share(c, k, kind, parent, weight, capped, mult, cell_volume, m, fill):
    """Cells of a terrace that moves as one body share their mean fill; the total is kept."""
    top = np.zeros(m)
    low = np.zeros(m)
    for i in range(m):
        if kind[i] != KINK and capped[i] == 0 and weight[i] > 0:
            v = mult[c[i]] * cell_volume[i]
            top[parent[i]] += v * fill[c[i], k[i]]
            low[parent[i]] += v
    for i in range(m):
        if kind[i] != KINK and capped[i] == 0 and weight[i] > 0:
            mean = top[parent[i]] / low[parent[i]]
            fill[c[i], k[i]] += weight[i] * (mean - fill[c[i], k[i]])


@njit(cache=True)
def freeze(c, k, m, mask, fill, frozen, nbr, mult, area, dz, k0, k1, now, new_c, new_k):
    """Turn full cells to ice; what is more than full goes to the best coordinated vapour neighbour.

    Returns (how many froze, volume that found no neighbour, in dx^3 of the whole plane).
    """
    n = 0
    lost = 0.0
    for i in range(m):
        if fill[c[i], k[i]] >= 0.99999:
            mask[c[i], k[i]] = 1
            frozen[c[i], k[i]] = now
            new_c[n] = c[i]
            new_k[n] = k[i]
            n += 1
    for j in range(n):
        ci, ki = new_c[j], new_k[j]
        surplus = (fill[ci, ki] - 1.0) * mult[ci] * area[ci] * dz[ki]
        fill[ci, ki] = 1.0
        bc, bk, bn = -1, -1, 0
        for d in range(nbr.shape[1] + 2):
            tc, tk = ci, ki
            if d < nbr.shape[1]:
                tc = nbr[ci, d]
            elif d == nbr.shape[1]:
                tk = ki - 1
            else:
                tk = ki + 1
            if tc < 0 or tk < k0 or tk >= k1 or mask[tc, tk] != 0:
                continue
            count = 0
            for e in range(nbr.shape[1]):
                q = nbr[tc, e]
                if q >= 0 and mask[q, tk] == 1:
                    count += 1
            if tk > 0 and mask[tc, tk - 1] == 1:
                count += 1
            if mask[tc, tk + 1] == 1:
                count += 1
            if count > bn:
                bc, bk, bn = tc, tk, count
        if bc >= 0:
            fill[bc, bk] += surplus / (mult[bc] * area[bc] * dz[bk])
        else:
            lost += surplus
    return n, lost
