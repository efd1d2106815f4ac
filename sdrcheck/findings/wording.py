"""How findings are written for people: one place, so that terminal, report and tables show the same words.

Numbers are rounded to their uncertainty (two significant digits of it, JCGM 100, 7.2.6) and keep a plain minus sign,
so that what stands on paper can be searched for and pasted.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from sdrcheck.channels.plan import frequency_text
from sdrcheck.decoders.dsc.call import Position
from sdrcheck.findings.inspection import AppliedLimit, Reading, Transmission
from sdrcheck.receiver.reference import UNCORRECTED

_INDICATED_MORE = 2
_BOUNDS = (("lower bound", "at least", -1), ("upper bound", "at most", 1))
"""How the method of a reading begins that is only bounded, and how that is said."""
_SIGNED = ("offset", "error", "difference", "excursion")


def decimals_for(uncertainty: float, value: float = 0.0) -> int:
    """Decimals to print (negative: tens, hundreds) so that the uncertainty keeps two significant digits."""
    if uncertainty > 0:
        rounded = float(f"{uncertainty:.1e}")  # 9.96 becomes 10, and asks for one decimal less
        return 1 - math.floor(math.log10(rounded))
    if value == 0 or float(value).is_integer():
        return 0
    return max(0, 5 - math.floor(math.log10(abs(value))))


def format_number(value: float, decimals: int, *, signed: bool = False) -> str:
    """A number with that many decimals; negative ones round to tens or hundreds. Never `-0`."""
    rounded = round(value, decimals) + 0.0
    text = f"{rounded:+.{max(decimals, 0)}f}" if signed else f"{rounded:.{max(decimals, 0)}f}"
    return text.lstrip("+-") if rounded == 0 else text


def format_value(value: float, uncertainty: float, unit: str, *, signed: bool = False, indicated: bool = False) -> str:
    """`+1180 ± 98 Hz`; without an uncertainty only the value and its unit.

    Of an `indicated` value two digits more are shown than its uncertainty deserves, for comparing it with others.
    """
    decimals = decimals_for(uncertainty, value)
    number = format_number(value, decimals + (_INDICATED_MORE if indicated else 0), signed=signed)
    if uncertainty > 0:
        number += f" ± {format_number(uncertainty, decimals)}"
    return f"{number} {unit}".rstrip()


def format_reading(reading: Reading) -> str:
    """The value of a reading with its expanded uncertainty and unit; only its bound where no more is known.

    Without a known frequency reference the uncertainty swamps every offset; readings of two channels can still be held
    against each other, so what was indicated is shown.
    """
    for method, words, side in _BOUNDS:
        if reading.method.startswith(method):
            return f"{words} {reading.value + side * reading.uncertainty:.1f} {reading.unit}"
    signed = any(word in reading.quantity for word in _SIGNED)
    indicated = any(term.name == UNCORRECTED and abs(reading.value) < reading.uncertainty for term in reading.terms)
    return format_value(reading.value, reading.uncertainty, reading.unit, signed=signed, indicated=indicated)


def format_limit(limit: AppliedLimit | None, unit: str) -> str:
    """The span of a limit in words: `-1500 to +1500 Hz`, `at most 5000 Hz`, `at least 20 dB`; empty without one."""
    if limit is None or (limit.low is None and limit.high is None):
        return ""
    if limit.low is None:
        return f"at most {limit.high:.7g} {unit}".rstrip()
    if limit.high is None:
        return f"at least {limit.low:.7g} {unit}".rstrip()
    plus = "+" if limit.low < 0 < limit.high else ""
    return f"{limit.low:.7g} to {plus}{limit.high:.7g} {unit}".rstrip()


def format_verdict(reading: Reading) -> str:
    """The verdict's words, or `not judged`."""
    return reading.verdict or "not judged"


def format_position(position: Position) -> str:
    """`54°10' N 012°05' E`, with as many decimals of a minute as the field carries."""
    decimals = max(0, math.ceil(-math.log10(position.resolution_minutes))) if position.resolution_minutes < 1 else 0
    latitude = _angle(position.latitude, 2, "NS", decimals)
    return f"{latitude} {_angle(position.longitude, 3, 'EW', decimals)}"


def _angle(degrees: float, width: int, letters: str, decimals: int) -> str:
    minutes = round(abs(degrees) * 60, decimals)
    whole, rest = divmod(minutes, 60)
    field = f"{rest:0{3 + decimals if decimals else 2}.{decimals}f}"
    return f"{int(whole):0{width}d}°{field}' {letters[degrees < 0]}"


def format_duration(seconds: float) -> str:
    """`0.45 s`, `2 min 15 s`."""
    if seconds < 60:
        return f"{seconds:.2f} s" if seconds < 10 else f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s"


def format_place(transmission: Transmission) -> str:
    """Where a transmission lay: `channel 70 (156.525 MHz)`, or its frequency off the plan."""
    frequency = frequency_text(transmission.frequency_hz)
    if transmission.channel is None:
        return frequency
    leg = f", {transmission.leg} leg" if transmission.leg else ""
    return f"channel {transmission.channel}{leg} ({frequency})"


def enumerate_words(words: Iterable[str], last: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`."""
    words = list(words)
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"
