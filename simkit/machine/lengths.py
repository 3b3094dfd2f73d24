"""Lengths of time as people give them, exact."""

from __future__ import annotations

from fractions import Fraction

from simkit.contract.errors import SimkitError


def length(name: str, value: float | Fraction) -> Fraction:
    """An argument that counts something; decimal fractions are taken as they are written.

    Raises:
        SimkitError: it is no number, or below zero.
    """
    try:
        if isinstance(value, bool | str):
            raise TypeError
        found = Fraction(str(value))
    except (TypeError, ValueError):
        raise SimkitError(f"{name} is {value!r}, not a number.", remedy=f"Write e.g. {name}=2.") from None
    if found < 0:
        raise SimkitError(f"{name} is {value!r}; time does not run backwards.", remedy="Save, run, and load.")
    return found


def whole(value: Fraction) -> int:
    """The next whole number that is not below."""
    return -(-value.numerator // value.denominator)
