"""Words that several commands share: frequencies, durations and references as people write them."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from sdrcheck.receiver.attenuation import Element

_MOST = 1e12
"""Numbers beyond this are typing errors, and would only overflow."""
_LONGEST_S = 1e9
LEAST_SPEED = 0.01
"""A recording played slower than this would seem to stand still."""
NO_UNCERTAINTY = "nothing is known without uncertainty; give the one on the certificate (k = 2)"
_SCALES = {"": 1.0, "hz": 1.0, "k": 1e3, "khz": 1e3, "m": 1e6, "mhz": 1e6, "g": 1e9, "ghz": 1e9}


class Frequency(click.ParamType[float]):
    """`156.525M`, `518k`, `2187.5 kHz`; a bare number is hertz."""

    name = "frequency"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, int | float):
            return float(value)
        found = re.fullmatch(r"\s*([0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]+)?)\s*([kKmMgG]?(?:[hH][zZ])?)\s*", str(value))
        if not found:
            self.fail(
                f"{value!r} is not a frequency; write it like 156.525M, 518k or 2187.5 kHz, with a point", param, ctx
            )
        frequency = float(found[1]) * _SCALES[found[2].lower()]
        if frequency > _MOST:
            self.fail(f"{value!r} is no frequency to reckon with; write it like 156.525M", param, ctx)
        return frequency


class Number(click.ParamType[float]):
    """A number as people write it, within limits."""

    name = "number"

    def __init__(self, low: float = -_MOST, high: float = _MOST, *, above: float | None = None) -> None:
        """Take numbers from `low` to `high`, both included; `above` is a lower end that is not."""
        self._low, self._high, self._above = low, high, above

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            number = float(value)
        except ValueError:
            self.fail(f"{value!r} is not a number; write it like 12 or 0.5, with a point", param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value!r} is no number to reckon with; write it like 12 or 0.5", param, ctx)
        if self._above is not None and number <= self._above:
            self.fail(f"{value} is too low; it must be above {self._above:g}", param, ctx)
        if number < self._low:
            self.fail(f"{value} is too low; it must be {self._low:g} or more", param, ctx)
        if number > self._high:
            self.fail(f"{value} is too high; it must be {self._high:g} or less", param, ctx)
        return number


class Speed(Number):
    """How fast a recording plays: 1 as it was, 0 at once."""

    name = "speed"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        speed = super().convert(value, param, ctx)
        if 0 < speed < LEAST_SPEED:
            self.fail(f"{value} is too slow; it must be {LEAST_SPEED:g} or more, or 0 for at once", param, ctx)
        return speed


class PartsPerMillion(click.ParamType[tuple[float, float]]):
    """`+2.7±0.3` or `+2.7+-0.3`: δ and its expanded uncertainty in ppm."""

    name = "δ±U"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        if isinstance(value, tuple):
            return value
        number = r"([0-9]+\.?[0-9]*|\.[0-9]+)"
        found = re.fullmatch(rf"\s*([+\-−]?){number}\s*(?:±|\+/?-)\s*{number}\s*(?:ppm)?\s*", str(value))
        if not found:
            self.fail(
                f"{value!r} is not a correction; write it like +2.7±0.3, with points (ppm, uncertainty for k = 2)",
                param,
                ctx,
            )
        correction = (-1.0 if found[1] in ("-", "−") else 1.0) * float(found[2])
        if abs(correction) >= 1000:
            self.fail(f"{correction:+g} ppm is no dongle's correction; it lies within ±1000 ppm", param, ctx)
        if not float(found[3]):
            self.fail(f"{value!r}: {NO_UNCERTAINTY}", param, ctx)
        return correction, float(found[3])


class Duration(click.ParamType[float]):
    """`12h`, `90m`, `45s`; a bare number is seconds."""

    name = "duration"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, int | float):
            return float(value)
        found = re.fullmatch(r"\s*([0-9]*\.?[0-9]+)\s*([hms]?)\s*", str(value).lower())
        seconds = float(found[1]) * {"h": 3600.0, "m": 60.0}.get(found[2], 1.0) if found else 0.0
        if not 0 < seconds <= _LONGEST_S:
            self.fail(f"{value!r} is no length of time; write it like 12h, 1.5h, 90m or 45s", param, ctx)
        return seconds


class Chain(click.ParamType["tuple[Element, ...]"]):
    """`40dB/100W,30dB/2W`: what stands before the dongle, nearest the transmitter first."""

    name = "chain"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[Element, ...]:
        from sdrcheck.errors import ReceiverError
        from sdrcheck.receiver.attenuation import parse_chain

        if isinstance(value, tuple):
            return value
        try:
            return parse_chain(str(value))
        except ReceiverError as problem:
            self.fail(str(problem), param, ctx)


class Letters(click.ParamType[str]):
    """`LS`: station or subject letters of a navigational-text receiver."""

    name = "letters"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        letters = re.sub(r"[\s,]", "", str(value)).upper()
        if not re.fullmatch(r"[A-Z]*", letters):
            self.fail(f"{value!r} are not letters A to Z; write them like LS", param, ctx)
        return letters


class Identities(click.ParamType[tuple[str, ...]]):
    """`LB20,LE31`: identities B1 to B4 of navigational-text messages."""

    name = "identities"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, ...]:
        if isinstance(value, tuple):
            return value
        found = tuple(part.strip().upper() for part in str(value).split(",") if part.strip())
        for part in found:
            if not re.fullmatch(r"[A-Z]{2}[0-9]{2}", part):
                self.fail(f"{part!r} is no identity B1 to B4; write it like LB20", param, ctx)
        return found


class Identity(click.ParamType[str]):
    """`211999990`: the nine digits of a station's identity."""

    name = "MMSI"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        digits = str(value).strip()
        if not re.fullmatch(r"[0-9]{9}", digits):
            self.fail(f"{value!r} is no identity; an MMSI has nine digits (a coast station's: 00…)", param, ctx)
        return digits


class Watts(click.ParamType[float]):
    """`25W`, `500mW`; a bare number is watts."""

    name = "power"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        from sdrcheck.errors import ReceiverError
        from sdrcheck.receiver.attenuation import parse_power

        if isinstance(value, int | float):
            return float(value)
        try:
            return parse_power(str(value))
        except ReceiverError as problem:
            self.fail(str(problem), param, ctx)


CHAIN = Chain()
DURATION = Duration()
FREQUENCY = Frequency()
IDENTITIES = Identities()
LETTERS = Letters()
MMSI = Identity()
NUMBER = Number()
PPM = PartsPerMillion()
SPEED = Speed(0)
WATTS = Watts()
