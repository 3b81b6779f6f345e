"""How numbers become words: one place decides digits, units, signs and intervals.

Rounding happens here and nowhere below.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

__all__ = [
    "chance",
    "count_of",
    "interval",
    "join_words",
    "number",
    "percent",
    "plural",
    "signed",
    "with_unit",
]

_UNIT = {"deg": "°", "cm": " cm", "kg": " kg", "s": " s", "points": " points", "percent": "%"}
_MINUS = "\N{MINUS SIGN}"


def number(value: float | None, digits: int | None = None) -> str:
    """Write a number with as many digits as its size deserves; an empty value is a dash.

    Examples
    --------
    >>> number(12.34), number(0.1234), number(-3.2), number(float("nan"))
    ('12.3', '0.12', '\N{MINUS SIGN}3.2', '\N{EN DASH}')
    """
    if value is None or not math.isfinite(value):
        return "\N{EN DASH}"
    if digits is None:
        digits = 0 if abs(value) >= 100 else 1 if abs(value) >= 1 or value == 0 else 2
    text = f"{abs(value):,.{digits}f}"
    negative = value < 0 and float(text.replace(",", "")) != 0
    return (_MINUS if negative else "") + text


def signed(value: float | None, digits: int | None = None) -> str:
    """Write a number with its sign, plus included.

    Examples
    --------
    >>> signed(4.25)
    '+4.2'
    """
    text = number(value, digits)
    return f"+{text}" if value is not None and math.isfinite(value) and value > 0 else text


def with_unit(value: float | None, unit: str, *, sign: bool = False) -> str:
    """Write a number with its unit.

    Examples
    --------
    >>> with_unit(8.25, "deg"), with_unit(1, "cm", sign=True)
    ('8.2°', '+1.0 cm')
    """
    text = signed(value) if sign else number(value)
    return text if text == "\N{EN DASH}" else text + _UNIT.get(unit, f" {unit}" if unit else "")


def interval(low: float, high: float, unit: str = "") -> str:
    """Write an interval: "2.1 to 6.0°".

    Examples
    --------
    >>> interval(2.1, 6.04, "deg")
    '2.1 to 6.0°'
    """
    return f"{number(low)} to {with_unit(high, unit)}"


def percent(share: float | None, digits: int = 0) -> str:
    """Write a share as a percentage; never 0 % or 100 % unless it is exactly that.

    Examples
    --------
    >>> percent(0.416), percent(0.0004), percent(1.0)
    ('42%', 'under 1%', '100%')
    """
    if share is None or not math.isfinite(share):
        return "\N{EN DASH}"
    step = 10.0**-digits / 100
    if 0 < share < step / 2:
        return f"under {step * 100:g}%"
    if 1 - step / 2 < share < 1:
        return f"over {100 - step * 100:g}%"
    return f"{share * 100:.{digits}f}%"


def chance(probability: float) -> str:
    """Write a probability as a reader would say it: in tens near the middle, fine at the ends.

    Examples
    --------
    >>> chance(0.8123), chance(0.996)
    ('81%', 'over 99%')
    """
    if probability > 0.99:
        return "over 99%"
    if probability < 0.01:
        return "under 1%"
    return f"{probability * 100:.0f}%"


def plural(count: int, one: str, many: str | None = None) -> str:
    """Count things in words: "1 client", "12 clients".

    Examples
    --------
    >>> plural(1, "client"), plural(2, "diary", "diaries")
    ('1 client', '2 diaries')
    """
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def count_of(count: int, n: int) -> str:
    """Write "12 of 40 (30%)".

    Examples
    --------
    >>> count_of(12, 40)
    '12 of 40 (30%)'
    """
    return f"{count:,} of {n:,}" + (f" ({percent(count / n)})" if n else "")


def join_words(words: Sequence[str], last: str = "and") -> str:
    """Join words as a sentence does.

    Examples
    --------
    >>> join_words(["a", "b", "c"])
    'a, b and c'
    """
    words = list(words)
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"
