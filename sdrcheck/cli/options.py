"""Options that several commands share, and what they mean."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

from sdrcheck.cli.arguments import CHAIN, FREQUENCY, NUMBER, PPM

if TYPE_CHECKING:
    from sdrcheck.bench import Settings
    from sdrcheck.channels.channel import Channel
    from sdrcheck.findings.assembly import ToneSource
    from sdrcheck.limits.limit import Declared
    from sdrcheck.receiver.attenuation import Element
    from sdrcheck.receiver.level import LevelReference
    from sdrcheck.receiver.reference import FrequencyReference
    from sdrcheck.sources.source import IqSource, Tuning

F = TypeVar("F", bound=Callable[..., Any])


def _several(*options: Callable[[F], F]) -> Callable[[F], F]:
    def apply(function: F) -> F:
        for option in reversed(options):
            function = option(function)
        return function

    return apply


# -- how findings are judged ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Judging:
    """What was said on the command line of how findings are corrected and judged."""

    reference: tuple[float, float] | None
    limit_set: str
    tone_source: ToneSource | None
    power_setting: str | None
    sound_level: str | None
    chain: tuple[Element, ...] | None

    def settings(self, source: IqSource, channels: tuple[Channel, ...] | None = None) -> Settings:
        """How the engine is to run on an opened source, with what is known of the dongle behind it."""
        from sdrcheck.bench import Settings

        return Settings(
            reference=_reference(self.reference, source),
            limit_set=self.limit_set,
            tone_source=self.tone_source,
            declared=self._declared(),
            level_reference=None if self.chain is None else _level_reference(self.chain, source),
            channels=channels,
        )

    def _declared(self) -> frozenset[Declared]:
        from sdrcheck.limits.limit import Declared

        power = {"high": Declared.HIGH_POWER, "low": Declared.LOW_POWER}
        said = {power[self.power_setting]} if self.power_setting else set()
        return frozenset(said | ({Declared.SOUND_LEVEL} if self.sound_level else set()))


class _LimitSet(click.ParamType[str]):
    """The name of a set of limits."""

    name = "set"

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        from sdrcheck.limits.sets import LIMIT_SETS

        if value not in LIMIT_SETS:
            self.fail(f"there is no limit set {value!r}; there are {', '.join(LIMIT_SETS)}", param, ctx)
        return value


_judging = _several(
    click.option("--reference", type=PPM, metavar="δ±U", help="The dongle's correction in ppm, for example +2.7±0.3."),
    click.option(
        "--limits",
        "limit_set",
        type=_LimitSet(),
        default="marine",
        show_default=True,
        help="Which limits judge.",
    ),
    click.option(
        "--tone-source",
        type=click.Choice(["acoustic", "electrical"]),
        help="How a test tone got into the set; undeclared, nothing that depends on it is judged.",
    ),
    click.option(
        "--power-setting",
        type=click.Choice(["high", "low"]),
        help="Of the set; undeclared, the most allowed is judged.",
    ),
    click.option(
        "--sound-level",
        type=click.Choice(["94"]),
        help="The tone at the microphone is 1 kHz at 94 dB; undeclared, no deviation is judged as too low.",
    ),
    click.option(
        "--chain",
        type=CHAIN,
        metavar="40dB/100W,…",
        help="What stands before the dongle; with a meter reading kept, levels at the set are given.",
    ),
)


def judging_options(function: F) -> F:
    """Add the options of how findings are judged; the command gets them as one, `judging`."""

    @functools.wraps(function)
    def command(**words: Any) -> Any:
        judging = Judging(**{name: words.pop(name) for name in Judging.__slots__})
        if judging.sound_level and judging.tone_source == "electrical":
            raise click.UsageError("a tone that is fed in electrically has no sound level; give one of the two")
        return function(judging=judging, **words)

    return _judging(cast(F, command))


def _reference(stated: tuple[float, float] | None, source: IqSource) -> FrequencyReference | None:
    """The reference as stated, else as written in the recording, else as kept for this dongle; None where unknown."""
    from sdrcheck.receiver import reference_store
    from sdrcheck.receiver.reference import FrequencyReference
    from sdrcheck.recordings.utc import utc_moment

    if stated is not None:
        return FrequencyReference(*stated, "given with --reference")
    facts, recording = source.facts, getattr(source, "recording", None)
    written = None if recording is None else recording.facts
    if written is not None and written.reference_ppm is not None and written.reference_uncertainty_ppm is not None:
        told = f"{written.reference_source or 'stated'}; as written in the recording"
        return FrequencyReference(written.reference_ppm, written.reference_uncertainty_ppm, told)
    stored = reference_store.latest(facts.serial) if facts.serial else None
    if stored is None:
        return None
    when = datetime.now(UTC) if recording is None or facts.start_utc is None else utc_moment(facts.start_utc)
    return stored.at(when)


def _level_reference(chain: tuple[Element, ...], source: IqSource) -> LevelReference | None:
    """What ties dBFS to power at the set through this chain, or None, and why not on standard error."""
    from sdrcheck.errors import ReceiverError
    from sdrcheck.receiver import level_store

    facts = source.facts
    try:
        if facts.serial is None:
            raise ReceiverError(f"{facts.name} does not say which dongle it is")
        found = level_store.fitting(facts.serial, facts.gain_db, facts.centre_hz)
        if found is None:
            raise ReceiverError(f"no meter reading is kept for dongle {facts.serial}; see sdrcheck reference level")
        return found.through(chain)
    except ReceiverError as problem:
        click.echo(f"levels stay relative: {problem}", err=True)
        return None


# -- where samples come from ------------------------------------------------------------------------------------------

SOURCE_HELP = "dongle[:SERIAL], net:HOST:PORT, sound:DEVICE or a recording."

tuning_options = _several(
    click.option("--centre", type=FREQUENCY, help="Centre frequency, for example 156.75M."),
    click.option("--rate", type=FREQUENCY, help="Samples a second, for example 2.4M."),
    click.option("--gain", type=NUMBER, help="Tuner gain in dB; the nearest step is taken."),
    click.option("--speed", type=NUMBER, default=1.0, show_default=True, help="How fast a recording plays; 0 at once."),
)

source_options = _several(
    click.option("--from", "source", required=True, metavar="SOURCE", help=SOURCE_HELP),
    tuning_options,
)


def tuning(centre: float | None, rate: float | None, gain: float | None, speed: float) -> Tuning:
    """What the source options ask of a source."""
    from sdrcheck.sources.source import Tuning

    return Tuning(centre_hz=centre, sample_rate_hz=rate, gain_db=gain, speed=speed or None)


def is_live(source: str) -> bool:
    """Whether a source is tuned by us; a recording stays where it was made."""
    from sdrcheck.sources.catalogue import SOURCES

    return source.partition(":")[0] in SOURCES


def cautions_for(source: str) -> None:
    """Say the cautions that go with a source, once: a set may be about to be keyed, or strangers to be heard."""
    from sdrcheck.receiver.cautions import BEFORE_KEYING, LICENSED, SECRECY

    kind = source.partition(":")[0]
    for caution in {"dongle": BEFORE_KEYING, "net": BEFORE_KEYING, "sound": (SECRECY, LICENSED)}.get(kind, ()):
        click.echo(f"caution: {caution}", err=True)


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
