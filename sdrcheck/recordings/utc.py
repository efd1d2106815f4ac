"""Instants as recordings write them (RFC 3339, always UTC with Z), and how far the computer's clock can be trusted."""

from __future__ import annotations

import ctypes
import sys
from datetime import UTC, datetime, timedelta


def utc_text(moment: datetime) -> str:
    """Write an instant to the microsecond; it must know its zone."""
    if moment.tzinfo is None:
        raise ValueError("a time without a zone is not an instant")
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def utc_moment(text: str) -> datetime:
    """Read an instant; decimals beyond the microsecond are cut. Raises ValueError where it is none, or not in UTC."""
    if not text.endswith(("Z", "z")):
        raise ValueError(f"{text!r} is not a time in UTC like 2026-03-14T09:26:53Z")
    return datetime.fromisoformat(text[:-1] + "+00:00")


def utc_after(start_utc: str, samples: float, sample_rate_hz: float, correction_ppm: float | None = None) -> str:
    """The instant so many samples after another, where δ of the clock that counted them is `correction_ppm`."""
    seconds = samples * (1 + (correction_ppm or 0.0) * 1e-6) / sample_rate_hz
    return utc_text(utc_moment(start_utc) + timedelta(seconds=seconds))


def utc_now() -> datetime:
    return datetime.now(UTC)


def host_utc_error_s() -> float | None:
    """Largest error of the computer's clock as its operating system estimates it; None where nobody keeps it right.

    Asks the Linux kernel, which knows what the time service last told it; elsewhere nothing is known.
    """
    if not sys.platform.startswith("linux"):
        return None
    state = _Timex()
    try:
        answer = ctypes.CDLL(None).adjtimex(ctypes.byref(state))
    except (OSError, AttributeError):
        return None
    return None if answer < 0 or state.status & _UNSYNCHRONISED else state.maxerror * 1e-6


_UNSYNCHRONISED = 0x40


class _Timex(ctypes.Structure):
    """Linux's `struct timex`, as far as its status; with modes 0 it is only read."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_byte * 256),
    )
