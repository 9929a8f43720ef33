"""Still air between two coated plates: temperature and vapour pressure at a share of the gap.

Conservation of heat and of vapour between flat plates gives k(T) dT/dz = const and (D(T)/T) de/dz = const.
Four rules, from a textbook simplification to the full one:

* ``pressure-linear`` (default): T and e linear in height;
* ``density-linear``: T and e/T linear, 9 to 11 % low in sigma;
* ``diffusivity``: T linear, D as a power of T, k constant: 4 to 6 % high;
* ``full``: both k(T) and D(T).

Only e against T matters for the largest sigma: de/dT goes as k(T)/T^(n-1) with D ~ T^n, and k and D nearly
cancel, so that ``pressure-linear`` is right to 0.6 to 0.8 % of sigma where ``density-linear`` is not.
"""

from __future__ import annotations

import numpy as np

from icewright.apparatus.basis import Term, Value, Values
from icewright.vapour.air import DIFFUSIVITIES

RULES = ("pressure-linear", "density-linear", "diffusivity", "full")
RULE_TERM = Term("transport_rule", "transport rule: pressure-linear against full")

# k = K0 + K1 T of vapour/air.py (J. Atmos. Sci. 28, 1455, 1971) with T in kelvin.
_K1 = 7.118e-5
_K0 = 0.023823 - _K1 * 273.15
_POWER = DIFFUSIVITIES["1976"].power - 1.0


def between(
    share: Value,
    cold_k: Value,
    warm_k: Value,
    cold_pa: Value,
    warm_pa: Value,
    rule: str = "pressure-linear",
    terms: Values | None = None,
) -> tuple[Value, Value]:
    """(T in K, e in Pa) at ``share`` of the way from the cold plate (0) to the warm one (1).

    The term ``transport_rule`` moves ``pressure-linear`` towards ``full`` (1) and as far beyond or back; it
    does nothing to the other rules.
    """
    T, e = _by_rule(share, cold_k, warm_k, cold_pa, warm_pa, rule)
    blend = 0.0 if terms is None or rule != RULES[0] else terms.get(RULE_TERM.name, 0.0)
    if np.ndim(blend) == 0 and blend == 0.0:
        return T, e
    other_T, other_e = _by_rule(share, cold_k, warm_k, cold_pa, warm_pa, "full")
    return T + blend * (other_T - T), e + blend * (other_e - e)


def _by_rule(
    share: Value, cold_k: Value, warm_k: Value, cold_pa: Value, warm_pa: Value, rule: str
) -> tuple[Value, Value]:
    span = warm_k - cold_k
    T = cold_k + share * span
    if rule == "pressure-linear":
        return T, cold_pa + share * (warm_pa - cold_pa)
    if rule == "density-linear":
        return T, T * (cold_pa / cold_k + share * (warm_pa / warm_k - cold_pa / cold_k))
    if rule == "full":
        # k dT/dz constant with k = a + K1 (T - T_cold): a quadratic for T, in the form that keeps its digits
        # for small spans.
        a = _K0 + _K1 * cold_k
        c = share * span * (a + _K1 * span / 2.0)
        T = cold_k + 2.0 * c / (a + np.sqrt(a * a + 2.0 * _K1 * c))
    weights = (1.0, 0.0) if rule == "diffusivity" else (_K0, _K1)
    whole = _integral(cold_k, span, weights)
    part = _integral(cold_k, T - cold_k, weights)
    flat = np.abs(span) < 1e-9
    fraction = np.where(flat, share, part / np.where(flat, 1.0, whole))
    e = cold_pa + fraction * (warm_pa - cold_pa)
    return T, e if np.ndim(e) else float(e)


def _integral(cold_k: Value, rise: Value, weights: tuple[float, float]) -> Value:
    """Integral of (w0 + w1 T) T^-p from the cold plate, p = n - 1 of D ~ T^n; expm1 keeps small rises."""
    ln = np.log1p(rise / cold_k)

    def power(q: float) -> Value:
        return cold_k**q * np.expm1(q * ln) / q

    return weights[0] * power(1.0 - _POWER) + weights[1] * power(2.0 - _POWER)
