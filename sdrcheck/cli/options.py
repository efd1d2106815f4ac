"""Options that several commands share, and what they mean."""

from __future__ import annotations

import functools
import shutil
import sys
import textwrap
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

from sdrcheck.cli.arguments import CHAIN, FREQUENCY, NUMBER, PPM, SPEED

if TYPE_CHECKING:
    from sdrcheck.bench import Settings
    from sdrcheck.channels.channel import Channel
    from sdrcheck.findings.assembly import ToneSource
    from sdrcheck.limits.limit import Declared
    from sdrcheck.receiver.attenuation import Element
    from sdrcheck.receiver.level import LevelReference
    from sdrcheck.receiver.reference import FrequencyReference
    from sdrcheck.sources.source import IqSource, SourceFacts, Tuning

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
    """What was said on the command line, or on the window's start page, of how findings are corrected and judged."""

    reference: tuple[float, float] | FrequencyReference | None = None
    """Its correction and uncertainty in ppm as given with the option, or whole with the words for where it is from."""
    limit_set: str = "marine"
    tone_source: ToneSource | None = None
    power_setting: str | None = None
    sound_level: str | None = None
    chain: tuple[Element, ...] | None = None

    def settings(
        self,
        source: IqSource,
        channels: tuple[Channel, ...] | None = None,
        tell: Callable[[str], None] | None = None,
    ) -> Settings:
        """How the engine is to run on an opened source, with what is known of the dongle behind it.

        `tell` gets a sentence where something that was said cannot be used; without it, standard error does.
        """
        from sdrcheck.bench import Settings

        return Settings(
            reference=_reference(self.reference, source),
            limit_set=self.limit_set,
            tone_source=self.tone_source,
            declared=self._declared(),
            level_reference=None if self.chain is None else _level_reference(self.chain, source, tell or _warn),
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


def _reference(stated: tuple[float, float] | FrequencyReference | None, source: IqSource) -> FrequencyReference | None:
    """The reference as stated, else as written in the recording, else as kept for this dongle; None where unknown."""
    from sdrcheck.receiver import reference_store
    from sdrcheck.receiver.reference import FrequencyReference

    if isinstance(stated, FrequencyReference):
        return stated
    if stated is not None:
        return FrequencyReference(*stated, "given with --reference")
    facts, recording = source.facts, getattr(source, "recording", None)
    written = None if recording is None else recording.facts
    if written is not None and written.reference_ppm is not None and written.reference_uncertainty_ppm is not None:
        told = f"{written.reference_source or 'stated'}; as written in the recording"
        return FrequencyReference(written.reference_ppm, written.reference_uncertainty_ppm, told)
    return reference_store.latest(facts.serial) if facts.serial else None


def _warn(sentence: str) -> None:
    click.echo(sentence, err=True)


def _level_reference(
    chain: tuple[Element, ...], source: IqSource, tell: Callable[[str], None]
) -> LevelReference | None:
    """What ties dBFS to power at the set through this chain, or None; `tell` gets why not."""
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
        tell(f"levels stay relative: {problem}")
        return None


# -- where samples come from ------------------------------------------------------------------------------------------

SOURCE_HELP = "dongle[:SERIAL], net:HOST:PORT, sound:DEVICE or a recording."

tuning_options = _several(
    click.option(
        "--centre",
        type=FREQUENCY,
        help="Centre frequency, for example 156.75M; a dongle is tuned beside the channel if not named.",
    ),
    click.option("--rate", type=FREQUENCY, help="Samples a second, for example 2.4M."),
    click.option("--gain", type=NUMBER, help="Tuner gain in dB; the nearest step is taken.  [default: 0]"),
    click.option("--speed", type=SPEED, default=1.0, show_default=True, help="How fast a recording plays; 0 at once."),
)

source_options = _several(
    click.option("--from", "source", required=True, metavar="SOURCE", help=SOURCE_HELP),
    tuning_options,
)


def tuning(
    source: str,
    centre: float | None,
    rate: float | None,
    gain: float | None,
    speed: float,
    channels: tuple[Channel, ...] | None = (),
) -> Tuning:
    """What the source options ask of a source.

    A dongle that nobody told where to tune is put beside the `channels` it is for; None is all that ships use on VHF.
    """
    from sdrcheck.sources.source import Tuning

    if is_live(source) and speed != 1:
        raise click.UsageError("--speed is for recordings; the air goes at its own pace")
    if not is_tuned(source) and gain is not None:
        raise click.UsageError(f"--gain is for a dongle; {source} has none to set")
    if centre is None and is_tuned(source) and channels != ():
        centre, rate = _place(channels, rate)
    return Tuning(centre_hz=centre, sample_rate_hz=rate, gain_db=gain, speed=speed or None)


def _place(channels: tuple[Channel, ...] | None, rate: float | None) -> tuple[float, float]:
    """Where to tune a dongle, and the least rate that has all of these in the span, where none was named."""
    from sdrcheck.sources.tuner import DEPENDABLE_RATE_HZ, VHF_CENTRE_HZ, centre_for

    if channels is None:
        return VHF_CENTRE_HZ, rate or DEPENDABLE_RATE_HZ
    wanted = [one.frequency_hz for one in channels]
    # what the coast sends on lies far above the ship's frequency of the same name
    ships = [one.frequency_hz for one in channels if one is min(_namesakes(one, channels), key=_frequency_of)]
    found = _fitting(wanted, rate) or _fitting(ships, rate)
    if found is not None:
        return found
    low, high = min(ships) / 1e6, max(ships) / 1e6
    more = ", or a higher --rate" if centre_for(ships, DEPENDABLE_RATE_HZ) is not None else ""
    raise click.UsageError(f"{low:g} to {high:g} MHz do not fit into one span; name fewer channels{more}")


def _fitting(places: Collection[float], rate: float | None) -> tuple[float, float] | None:
    """A centre that has all these frequencies in the span, at the given rate or the least usual one; None if none."""
    from sdrcheck.sources.tuner import DEPENDABLE_RATE_HZ, USUAL_RATE_HZ, centre_for

    for one in (USUAL_RATE_HZ, DEPENDABLE_RATE_HZ) if rate is None else (rate,):
        centre = centre_for(places, one)
        if centre is not None:
            return centre, one
    return None


def tuning_for(
    source: str, frequencies: Collection[float], centre: float | None, rate: float | None, gain: float | None
) -> Tuning:
    """What is asked of a live source that is to hear these frequencies, on the plan or off it."""
    from sdrcheck.sources.source import Tuning

    if centre is None and is_tuned(source):
        centre, rate = _fitting(frequencies, rate) or (None, rate)
    return Tuning(centre_hz=centre, sample_rate_hz=rate, gain_db=gain, speed=None)


def _namesakes(channel: Channel, channels: tuple[Channel, ...]) -> tuple[Channel, ...]:
    """Those of these channels that share a name with one: its two legs."""
    names = {channel.name, *channel.aliases}
    return tuple(one for one in channels if names & {one.name, *one.aliases})


def _frequency_of(channel: Channel) -> int:
    return channel.frequency_hz


def channels_inside(facts: SourceFacts, channels: tuple[Channel, ...]) -> tuple[Channel, ...]:
    """Those of these channels that lie in the span of a source, a leg of each at least.

    Raises SourceError for a channel that does not.
    """
    from sdrcheck.channels.plan import frequency_text
    from sdrcheck.errors import SourceError

    high = facts.centre_hz + facts.sample_rate_hz / 2
    low = facts.centre_hz if facts.audio else facts.centre_hz - facts.sample_rate_hz / 2
    inside = tuple(one for one in channels if low <= one.frequency_hz <= high)
    for one in channels:
        if not _namesakes(one, inside):
            remedy = (
                "give the dial frequency of its receiver with --centre"
                if facts.audio and not facts.centre_hz
                else "choose a channel inside"
            )
            raise SourceError(
                f"channel {one.name} ({frequency_text(one.frequency_hz)}) is not within what {facts.name} takes in "
                f"({frequency_text(low)} to {frequency_text(high)}); {remedy}"
            )
    return inside


def is_live(source: str) -> bool:
    """Whether a source hears something now; a recording is over."""
    from sdrcheck.sources.catalogue import SOURCES

    return source.partition(":")[0] in SOURCES


def is_tuned(source: str) -> bool:
    """Whether a source goes where we tune it."""
    return source.partition(":")[0] in ("dongle", "net")


def tell(sentence: str, *, err: bool = False, indent: int = 2) -> None:
    """Print a sentence; on a terminal it is wrapped between words, elsewhere it stays one line for other programs."""
    if (sys.stderr if err else sys.stdout).isatty():
        width = shutil.get_terminal_size().columns
        lines = textwrap.wrap(sentence, width, subsequent_indent=" " * indent, break_on_hyphens=False)
        sentence = "\n".join(lines)
    click.echo(sentence, err=err)


def caution(words: str) -> None:
    """Say one caution on standard error."""
    tell(f"caution: {words}", err=True)


def cautions_for(source: str) -> None:
    """Say the cautions that go with a source, once: a set may be about to be keyed, or strangers to be heard."""
    from sdrcheck.receiver.cautions import BEFORE_KEYING, LICENSED, SECRECY

    kind = source.partition(":")[0]
    for words in {"dongle": BEFORE_KEYING, "net": BEFORE_KEYING, "sound": (SECRECY, LICENSED)}.get(kind, ()):
        caution(words)


def channels_named(names: tuple[str, ...]) -> tuple[Channel, ...]:
    """The channels of these names; a name that the plan does not know is a usage error."""
    from sdrcheck.channels import plan

    found: dict[int, Channel] = {}
    for name in names:
        fitting = plan.named(name)
        if not fitting:
            raise click.BadParameter(f"the plan knows no channel {name!r}; see `sdrcheck channels`")
        found.update((one.frequency_hz, one) for one in fitting)
    return tuple(found.values())
