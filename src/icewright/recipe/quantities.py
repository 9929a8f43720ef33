"""Numbers at the door of a recipe: laboratory units in the file, SI in the models, with no rounding between.

A recipe read and written back must be the same recipe, to the last bit. Binary floats times 1e-6 do not allow
that (some results have no way back), so the shift is done on decimal digits: `80` micrometres is the float
whose shortest decimal form is 8e-05, and that float is written back as `80`.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

Number = int | float | Decimal


@dataclass(frozen=True)
class Unit:
    """A laboratory unit: si = lab * scale + offset, with scale and offset exact decimals."""

    name: str
    scale: Decimal
    offset: Decimal = Decimal(0)

    def to_si(self, lab: Number) -> float:
        """SI value of a laboratory number, rounded once, at the very end."""
        return float(exact(lab) * self.scale + self.offset)

    def from_si(self, si: float) -> Decimal:
        """The shortest decimal laboratory number that `to_si` turns back into exactly `si`."""
        full = (Decimal(repr(float(si))) - self.offset) / self.scale
        for digits in range(1, 26):
            short = Decimal(f"{full:.{digits}g}")
            if self.to_si(short) == si:
                return short
        return full

    def text(self, si: float) -> str:
        """`from_si` as TOML would hold it: 80, -15, 0.25, 1e-09."""
        return toml_number(self.from_si(si))


def exact(value: Number) -> Decimal:
    """The decimal that a person reads: floats by their shortest form, not by their binary digits."""
    return value if isinstance(value, Decimal) else Decimal(repr(value))


def toml_number(value: Decimal) -> str:
    """A TOML number without needless zeros."""
    if value == 0:
        return "0"
    if -7 < value.adjusted() < 9:
        plain = f"{value:f}"
        return plain.rstrip("0").rstrip(".") if "." in plain else plain
    mantissa, exponent = f"{value.normalize():e}".split("e")
    return f"{mantissa}e{int(exponent):+d}"


CELSIUS = Unit("degC", Decimal(1), Decimal("273.15"))
HECTOPASCAL = Unit("hPa", Decimal(100))
MICROMETRE = Unit("um", Decimal("1e-6"))
MINUTE = Unit("min", Decimal(60))
MICROGRAM = Unit("ug", Decimal("1e-9"))  # to kilograms
PERCENT = Unit("%", Decimal("0.01"))
GRAM_PER_CUBIC_METRE = Unit("g/m3", Decimal("0.001"))
PLAIN = Unit("", Decimal(1))
