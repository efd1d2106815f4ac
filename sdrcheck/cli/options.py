"""Options that several commands share, and what they mean."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, TypeVar

import click

from sdrcheck.cli.arguments import FREQUENCY, PPM

if TYPE_CHECKING:
    from sdrcheck.bench import Settings
    from sdrcheck.channels.channel import Channel
    from sdrcheck.receiver.reference import FrequencyReference
    from sdrcheck.sources.source import Tuning

F = TypeVar("F", bound=Callable[..., Any])


def _several(*options: Callable[[F], F]) -> Callable[[F], F]:
    def apply(function: F) -> F:
        for option in reversed(options):
            function = option(function)
        return function

    return apply


judging_options = _several(
    click.option("--reference", type=PPM, metavar="δ±U", help="The dongle's correction in ppm, for example +2.7±0.3."),
    click.option("--limits", "limit_set", default="marine", show_default=True, help="Which set of limits judges."),
    click.option(
        "--tone-source",
        type=click.Choice(["acoustic", "electrical"]),
        help="How a test tone got into the set; undeclared, nothing that depends on it is judged.",
    ),
)

source_options = _several(
    click.option(
        "--from",
        "source",
        required=True,
        metavar="SOURCE",
        help="dongle[:SERIAL], net:HOST:PORT, sound:DEVICE or a recording.",
    ),
    click.option("--centre", type=FREQUENCY, help="Centre frequency, for example 156.75M."),
    click.option("--rate", type=FREQUENCY, help="Samples a second, for example 2.4M."),
    click.option("--gain", type=float, help="Tuner gain in dB; the nearest step is taken."),
    click.option("--speed", type=float, default=1.0, show_default=True, help="How fast a recording plays; 0 at once."),
)


def tuning(centre: float | None, rate: float | None, gain: float | None, speed: float) -> Tuning:
    """What the source options ask of a source."""
    from sdrcheck.sources.source import Tuning

    return Tuning(centre_hz=centre, sample_rate_hz=rate, gain_db=gain, speed=speed or None)


def settings(
    reference: tuple[float, float] | None,
    limit_set: str,
    tone_source: str | None,
    source: str = "",
    channels: tuple[Channel, ...] | None = None,
) -> Settings:
    """How the engine is to run; without a stated reference, with the stored one of the named dongle as it has aged."""
    from sdrcheck.bench import Settings
    from sdrcheck.limits.sets import LIMIT_SETS

    if limit_set not in LIMIT_SETS:
        raise click.BadParameter(f"there is no limit set {limit_set!r}; there are {', '.join(LIMIT_SETS)}")
    return Settings(
        reference=_reference(reference, source),
        limit_set=limit_set,
        tone_source=tone_source,  # type: ignore[arg-type]
        channels=channels,
    )


def _reference(stated: tuple[float, float] | None, source: str) -> FrequencyReference | None:
    from sdrcheck.receiver import reference_store
    from sdrcheck.receiver.reference import FrequencyReference

    if stated is not None:
        return FrequencyReference(*stated, "given with --reference")
    kind, _, serial = source.partition(":")
    stored = reference_store.latest(serial) if kind == "dongle" and serial else None
    return None if stored is None else stored.at(datetime.now(UTC))


def channels_named(names: tuple[str, ...]) -> tuple[Channel, ...]:
    """The channels of these names; a name that the plan does not know is a usage error."""
    from sdrcheck.channels import plan

    found = []
    for name in names:
        fitting = [channel for channel in plan.PLAN if name in (channel.name, *channel.aliases)]
        if not fitting:
            raise click.BadParameter(f"the plan knows no channel {name!r}; see `sdrcheck channels`")
        found.extend(fitting)
    return tuple(found)
