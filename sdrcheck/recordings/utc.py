"""Instants as recordings write them: RFC 3339, always UTC, always with Z."""

from __future__ import annotations

from datetime import UTC, datetime


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


def utc_now() -> datetime:
    return datetime.now(UTC)
