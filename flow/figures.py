"""How figures are written: with a one-sigma that ends at the same decimal."""

from __future__ import annotations

import math

_DIGITS = 2
_PLAIN = 6  # digits of a value whose sigma is nothing or not known


def with_sigma(value: float, sigma: float | None, unit: str = "", *, signed: bool = False) -> str:
    """Write ``value ± sigma unit``: the sigma with two significant digits, the value to the same decimal.

    That is what the guide to the expression of uncertainty (JCGM 100:2008, 7.2.6) asks of a reported result.

    Parameters
    ----------
    value, sigma
        In the same unit. A sigma of 0, None or no finite number says nothing of where the value ends: it has six digits.
    unit
        Written behind; with a blank between but for degrees of arc.
    signed
        Whether a value above zero has its plus.

    Examples
    --------
    >>> with_sigma(0.9991, 0.000644), with_sigma(266.366, 0.0816, "px"), with_sigma(-0.0151, 0.0134, "°", signed=True)
    ('0.99910 ± 0.00064', '266.366 ± 0.082 px', '-0.015 ± 0.013°')
    >>> with_sigma(1234.6, 128.0, "mm"), with_sigma(6.0, 0.0996, "ms", signed=True), with_sigma(2.5, None, "mm")
    ('1230 ± 130 mm', '+6.00 ± 0.10 ms', '2.5 mm')
    """
    behind = unit if unit in ("", "°") else f" {unit}"
    plus = "+" if signed else ""
    if sigma is None or not math.isfinite(sigma) or sigma <= 0:
        open_end = " ± unknown" if sigma is not None and not math.isfinite(sigma) else ""
        return f"{value:{plus}.{_PLAIN}g}{open_end}{behind}"
    # A sigma that rounds up to the next power of ten (0.0996 to 0.10) keeps two digits.
    power = math.floor(math.log10(float(f"{sigma:.{_DIGITS - 1}e}")))
    decimals = _DIGITS - 1 - power
    shown = (round(each, decimals) + 0.0 for each in (value, sigma))  # no negative zero
    first, second = (f"{each:{sign}.{max(decimals, 0)}f}" for each, sign in zip(shown, (plus, ""), strict=True))
    return f"{first} ± {second}{behind}"
