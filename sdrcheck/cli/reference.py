"""`sdrcheck reference`: the dongle's frequency reference (and its level reference), made, checked and shown."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from sdrcheck.cli.arguments import CHAIN, FREQUENCY, NO_UNCERTAINTY, NUMBER, SPEED, WATTS, Number
from sdrcheck.cli.options import caution, is_live, is_tuned, tell, tuning
from sdrcheck.errors import ReceiverError
from sdrcheck.quantities import Measured, Term
from sdrcheck.receiver.reference import (
    CARRIER_CLASSES,
    COUNTER,
    OSCILLATORS,
    FrequencyReference,
    WarmUp,
    before_and_after,
    cross_checked,
    from_counter,
    from_known_carrier,
    now_utc,
)

if TYPE_CHECKING:
    from sdrcheck.receiver.attenuation import Element

F = TypeVar("F", bound=Callable[..., Any])


class Hertz(click.ParamType[tuple[float, float | None]]):
    """`156799987.3`, `156.7999873 MHz`, `156.7999873M±16`: a frequency, perhaps with its expanded uncertainty in Hz."""

    name = "FREQUENCY[±HZ]"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float | None]:
        if isinstance(value, tuple):
            return value
        found = re.fullmatch(
            r"(.+?)(?:±|\+/?-)\s*([0-9.]+(?:[eE][+-]?[0-9]+)?)\s*(?:Hz)?\s*", str(value), re.IGNORECASE
        )
        frequency = FREQUENCY.convert(found[1] if found else value, param, ctx)
        uncertainty = Number(0).convert(found[2], param, ctx) if found else None
        if uncertainty == 0:
            self.fail(f"{value!r}: {NO_UNCERTAINTY}", param, ctx)
        return frequency, uncertainty


class Serial(click.ParamType[str]):
    """The serial of a dongle, as `sdrcheck ready` lists it."""

    name = "serial"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        if not str(value).strip():
            self.fail("a serial cannot be empty; see `sdrcheck ready` for the dongle's", param, ctx)
        return str(value)


HERTZ = Hertz()
SERIAL = Serial()


def _of_the_dongle(function: F) -> F:
    for option in reversed(
        (
            click.option(
                "--serial",
                type=SERIAL,
                help="The dongle's serial; the reference is kept under it. A recording knows it.",
            ),
            click.option(
                "--oscillator",
                type=click.Choice(list(OSCILLATORS)),
                default="crystal",
                show_default=True,
                help="What the dongle has: a plain crystal, or a temperature-compensated oscillator.",
            ),
            click.option(
                "--tuner-step", type=Number(0), default=0.0, help="Tuner's synthesis step in Hz, if unknown to it."
            ),
            click.option("--note", default="", help="Temperature, minutes since it was plugged in, who read it."),
            click.option("--dry-run", is_flag=True, help="Show it, keep nothing."),
        )
    ):
        function = option(function)
    return function


def _what_the_dongle_showed(function: F) -> F:
    for option in reversed(
        (
            click.option("--indicated", type=HERTZ, help="What the dongle showed, uncorrected; ±U for k = 2."),
            click.option("--recording", help="Or a recording of the carrier, which is read as the dongle showed it."),
        )
    ):
        function = option(function)
    return function


@click.group("reference")
def command() -> None:
    """Make, check and show the dongle's frequency reference.

    δ = (indicated − true)/true, in ppm. Read the carrier after 20 minutes of warming up, before and after the job.
    """


@command.command("counter")
@_what_the_dongle_showed
@click.option("--counter", type=HERTZ, required=True, help="What the counter showed on the same carrier, ±U for k = 2.")
@click.option("--accuracy", type=Number(0, 1e-3), help="Or the counter's accuracy as a limit, relative: 1e-7.")
@_of_the_dongle
def counter(
    indicated: tuple[float, float | None] | None,
    recording: str | None,
    counter: tuple[float, float | None],
    accuracy: float | None,
    serial: str | None,
    oscillator: str,
    tuner_step: float,
    note: str,
    dry_run: bool,
) -> None:
    """From a calibrated counter's reading of the same carrier: the only traceable way aboard.

    Key the set unmodulated into its load, and read both over the same ten seconds: `sdrcheck capture --from dongle
    --channel 72 --seconds 10 --out carrier`, then --recording carrier with what the counter showed.
    """
    true_hz, expanded = counter
    if (expanded is None) is (accuracy is None):
        raise click.UsageError("say how good the counter is, either --counter FREQUENCY±HZ or --accuracy 1e-7")
    if accuracy == 0:
        raise click.BadParameter(NO_UNCERTAINTY, param_hint="--accuracy")
    term = (
        Term.expanded("calibrated counter", expanded)
        if expanded is not None
        else Term.rectangular("calibrated counter", (accuracy or 0.0) * true_hz)
    )
    shown = _shown(indicated, recording, true_hz, serial)
    reference = from_counter(
        shown.reading,
        Measured(true_hz, "Hz", (term,)),
        taken_utc=shown.taken_utc,
        oscillator=oscillator,
        tuner_step_hz=tuner_step,
        note=note,
    )
    _keep_and_show(shown, reference, dry_run)


@command.command("carrier")
@_what_the_dongle_showed
@click.option("--frequency", type=FREQUENCY, required=True, help="What the carrier is meant to be.")
@click.option(
    "--class", "carrier", type=click.Choice(list(CARRIER_CLASSES)), required=True, help="What kind of carrier it is."
)
@click.option("--speed", type=Number(0, 100), default=0.0, help="Speed of the ship in knots, for Doppler.")
@_of_the_dongle
def carrier(
    indicated: tuple[float, float | None] | None,
    recording: str | None,
    frequency: float,
    carrier: str,
    speed: float,
    serial: str | None,
    oscillator: str,
    tuner_step: float,
    note: str,
    dry_run: bool,
) -> None:
    """From a known carrier off the air. Not traceable: it may cast doubt on a counter's reading, never overrule it."""
    shown = _shown(indicated, recording, frequency, serial)
    reference = from_known_carrier(
        shown.reading,
        frequency,
        CARRIER_CLASSES[carrier],
        taken_utc=shown.taken_utc,
        oscillator=oscillator,
        tuner_step_hz=tuner_step,
        speed_knots=speed,
        note=note,
    )
    _keep_and_show(shown, reference, dry_run)


@command.command("show")
@click.option("--serial", type=SERIAL, required=True, help="The dongle's serial.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def show(serial: str, as_json: bool) -> None:
    """The reference of a dongle, as good as it is now, with its budget and what else is kept.

    It is the newest one that a counter made; without any, the newest from a known carrier.
    """
    from sdrcheck.receiver import level_store, reference_store

    history = reference_store.history(serial)
    level = level_store.latest(serial)
    newest = reference_store.latest(serial)
    current = newest.at(now_utc()) if newest else FrequencyReference.uncorrected()
    if not history:
        click.echo(f"nothing is kept for dongle {serial}; make one with `sdrcheck reference counter`", err=True)
    if as_json:
        import msgspec

        document = {
            "schema": "sdrcheck.reference/1",
            "serial": serial,
            "current": _as_json(current),
            "history": [_as_json(reference) for reference in history],
            "level": level.source if level else None,
        }
        click.echo(msgspec.json.format(msgspec.json.encode(document), indent=2))
        return
    _print_reference(serial, current)
    if newest is not None:
        try:
            newest.require_past(now_utc())
        except ReceiverError as problem:
            caution(str(problem))
    for other in reversed([one for one in history if one != newest]):
        click.echo(f"kept too: {other.taken_utc:%Y-%m-%d %H:%M} UTC  {_ppm(other)}  ({other.method})")
    if level is not None:
        click.echo(
            f"level: {level.constant_db:+.2f} dB from dBFS to dBm; {level.source}, {level.taken_utc:%Y-%m-%d %H:%M} UTC"
        )


@command.command("check")
@click.option("--serial", type=SERIAL, required=True, help="The dongle's serial.")
def check(serial: str) -> None:
    """Hold the last two references of a dongle against each other: before the job, and after it."""
    from sdrcheck.receiver import reference_store

    kept = reference_store.decisive(serial)
    if len(kept) < 2:
        raise ReceiverError(
            f"before and after need two references of dongle {serial}, {len(kept)} kept; make another with "
            "`sdrcheck reference counter`"
        )
    result = before_and_after(kept[-2], kept[-1])
    click.echo("AGREE" if result.agree else "DO NOT AGREE")
    click.echo(result.sentence)
    click.echo(
        f"For what was recorded between them: --reference {_ppm(result.reference).replace(' ppm', '').replace(' ', '')}"
    )


@command.command("level")
@click.option("--serial", type=SERIAL, required=True, help="The dongle's serial.")
@click.option("--meter", type=WATTS, required=True, help="What the calibrated wattmeter showed: 22.5W.")
@click.option("--accuracy", type=Number(0.01, 99), required=True, help="The wattmeter's limit in ± per cent: 5.")
@click.option(
    "--indicated", type=Number(-200, 0), required=True, help="The dongle's level of the same keying, in dBFS."
)
@click.option("--gain", type=NUMBER, required=True, help="The dongle's gain then, in dB; it holds at that gain only.")
@click.option("--frequency", type=FREQUENCY, required=True, help="Where it was keyed.")
@click.option("--chain", type=CHAIN, required=True, help="What stood before the dongle: 40dB/100W,30dB/2W.")
def level(
    serial: str,
    meter: float,
    accuracy: float,
    indicated: float,
    gain: float,
    frequency: float,
    chain: tuple[Element, ...],
) -> None:
    """Tie dBFS to power at the set by one reading of a calibrated meter, through the chain as it stands."""
    from sdrcheck.receiver import level_store
    from sdrcheck.receiver.attenuation import chain_text
    from sdrcheck.receiver.level import LevelReference, doubts, watts_span

    tied = LevelReference.from_meter(
        meter,
        Measured(indicated, "dBFS"),
        meter_percent=accuracy,
        gain_db=gain,
        frequency_hz=frequency,
        taken_utc=now_utc(),
        chain=chain,
    )
    path = level_store.keep(serial, tied)
    for doubt in doubts(meter, indicated, gain, frequency, chain):
        caution(doubt)
    found = tied.at_the_set(Measured(indicated, "dBFS"), gain)
    low, value, high = watts_span(found)
    click.echo(f"dBm at the set = dBFS {tied.constant_db:+.2f} dB, ± {found.uncertainty:.2f} dB (k = 2)")
    _print_budget(found.terms, "dB")
    click.echo(f"{meter:g} W would read back as about {value:.3g} W ({low:.3g} to {high:.3g} W). Kept in {path}.")
    tell(
        f"It holds at this gain, near this frequency, through {chain_text(chain)}. About, not calibrated: the meter "
        "decides."
    )


@command.command("warm-up")
@click.option(
    "--from", "source", required=True, metavar="SOURCE", help="dongle[:SERIAL], net:HOST:PORT or a recording."
)
@click.option("--carrier", type=FREQUENCY, required=True, help="A steady carrier that stays on the air meanwhile.")
@click.option("--every", type=Number(1), default=10.0, show_default=True, help="Seconds from one reading to the next.")
@click.option("--minutes", type=Number(above=0), default=30.0, show_default=True, help="How long to look at most.")
@click.option("--png", type=click.Path(path_type=Path, dir_okay=False), help="Also draw it into this picture.")
@click.option("--rate", type=FREQUENCY, help="Samples a second  [default: 1.024M]")
@click.option("--gain", type=NUMBER, help="Tuner gain in dB; the nearest step is taken.")
@click.option("--speed", type=SPEED, default=1.0, help="How fast a recording plays; 0 at once.")
def warm_up(
    source: str,
    carrier: float,
    every: float,
    minutes: float,
    png: Path | None,
    rate: float | None,
    gain: float | None,
    speed: float,
) -> None:
    """Watch one carrier while the dongle warms up, and say when it has settled. Ctrl-C ends it sooner."""
    from contextlib import closing

    from sdrcheck.channels.plan import frequency_text
    from sdrcheck.errors import MeasurementError, SourceError
    from sdrcheck.sources.catalogue import open_source
    from sdrcheck.sources.tuner import BESIDE_HZ
    from sdrcheck.watching import warm_up as watching

    if is_live(source) and not is_tuned(source):
        raise click.UsageError(f"{source} has no dongle behind it that could warm up")
    if png is not None and not png.parent.is_dir():
        raise ReceiverError(f"there is no folder {png.parent} to draw into; make it, or name another")
    wanted = tuning(source, carrier + BESIDE_HZ if is_tuned(source) else None, rate, gain, speed)
    series, ended = WarmUp((), ()), None
    with closing(open_source(source, wanted)) as opened:
        try:
            for time_s, reading in watching.readings(opened, carrier, every_s=every, last_s=60 * minutes):
                before, series = series, WarmUp((*series.times_s, time_s), (*series.ppm, reading))
                if len(series.ppm) == 1:
                    click.echo(watching.head())
                click.echo(watching.row(time_s, reading, series.ppm[0]))
                if before.settled_s() is None and series.settled_s() is not None:
                    click.echo(watching.sentence(series))
        except KeyboardInterrupt:
            if not series.ppm:
                raise
            click.echo("stopped", err=True)
        except (SourceError, MeasurementError) as problem:  # what was read before is shown first
            ended = problem
    if series.ppm:
        click.echo(watching.sentence(series))
        if png is not None:
            began = f", from {opened.facts.start_utc[:16]}Z" if opened.facts.start_utc else ""
            watching.draw(series, png, f"{opened.facts.name}, carrier {frequency_text(carrier)}{began}")
            click.echo(f"Drawn into {png}.")
    if ended is not None:
        raise ended
    if not series.ppm:
        raise ReceiverError(
            f"{source} ended before one reading of {watching.READING_S:g} s was done; give a longer one"
        )


@dataclass(frozen=True, slots=True)
class _Shown:
    """What a dongle showed of a carrier, uncorrected."""

    serial: str
    reading: Measured
    taken_utc: datetime


def _shown(
    indicated: tuple[float, float | None] | None, recording: str | None, near_hz: float, serial: str | None
) -> _Shown:
    """What was typed in, or what is found in a recording nearest to where the carrier is."""
    if (indicated is None) is (recording is None):
        raise click.UsageError("say what the dongle showed, either --indicated FREQUENCY±HZ or --recording FILE")
    if recording is not None:
        return _shown_in(recording, near_hz, serial)
    if serial is None:
        raise click.UsageError("name the dongle with --serial; `sdrcheck ready` lists it")
    assert indicated is not None
    value, expanded = indicated
    terms = () if expanded is None else (Term.expanded(_READING, expanded),)
    return _Shown(serial, Measured(value, "Hz", terms), now_utc())


_READING = "reading of the dongle"


def _shown_in(path: str, near_hz: float, serial: str | None) -> _Shown:
    from sdrcheck.bench import Settings, collect, run
    from sdrcheck.recordings.utc import utc_moment
    from sdrcheck.sources.recording import RecordingSource

    source = RecordingSource(path)
    serial = serial or source.facts.serial
    if serial is None:
        raise click.UsageError(f"{path} does not say which dongle made it; name it with --serial")
    as_shown = FrequencyReference(0.0, 0.0, "as the dongle showed it")
    found = collect(run(source, Settings(reference=as_shown, frames_per_s=0)))
    offsets = [(one.frequency_hz, one.reading("carrier offset")) for one in found.transmissions]
    readings = [
        Measured(
            at_hz + offset.value,
            "Hz",
            tuple(Term(term.name, term.standard, term.distribution) for term in offset.terms if term.standard),
        )
        for at_hz, offset in offsets
        if offset is not None
    ]
    if not readings:
        raise ReceiverError(f"no carrier is found in {path}; key the set unmodulated while it is recorded")
    taken = now_utc() if source.facts.start_utc is None else utc_moment(source.facts.start_utc)
    return _Shown(serial, min(readings, key=lambda reading: abs(reading.value - near_hz)), taken)


def _keep_and_show(shown: _Shown, reference: FrequencyReference, dry_run: bool) -> None:
    from sdrcheck.receiver import reference_store

    reference.require_past(now_utc())
    stored = reference_store.latest(shown.serial)
    kept = None if dry_run else reference_store.keep(shown.serial, reference)
    if not shown.reading.terms:
        click.echo(
            "the dongle's own reading is taken as exact; give its uncertainty like --indicated 156.8M±2", err=True
        )
    _print_reference(shown.serial, reference)
    if reference.method != COUNTER and stored is not None and stored.method == COUNTER:
        tell(cross_checked(reference, stored.at(reference.taken_utc or now_utc())))
    click.echo("Nothing was kept." if kept is None else f"Kept in {kept}.")


def _ppm(reference: FrequencyReference) -> str:
    from sdrcheck.findings.wording import format_value

    return format_value(reference.correction_ppm, reference.uncertainty_ppm, "ppm", signed=True)


def _print_reference(serial: str, reference: FrequencyReference) -> None:
    click.echo(f"dongle {serial}: {_ppm(reference)} (k = 2)")
    tell(f"  {reference.source}")
    if reference.note:
        click.echo(f"  {reference.note}")
    _print_budget(reference.terms, "ppm")
    if reference.correction_ppm and reference.corrected:
        click.echo(
            f"  156.8 MHz was shown {reference.correction_ppm * 156.8:+.1f} Hz wrong; U there is "
            f"{reference.uncertainty_ppm * 156.8:.0f} Hz."
        )


def _print_budget(terms: tuple[Term, ...], unit: str) -> None:
    """The standard uncertainties that the stated one is twice the root-sum-square of."""
    for number, term in enumerate(terms):
        click.echo(f"  {'u =' if not number else '   '} {term.standard:7.4f} {unit}  {term.name} ({term.distribution})")


def _as_json(reference: FrequencyReference) -> dict[str, object]:
    return {
        "correction_ppm": reference.correction_ppm,
        "uncertainty_ppm": reference.uncertainty_ppm,
        "source": reference.source,
        "method": reference.method,
        "taken_utc": reference.taken_utc,
        "oscillator": reference.oscillator,
        "note": reference.note or None,
        "terms": [
            {"name": term.name, "standard_ppm": term.standard, "distribution": term.distribution}
            for term in reference.terms
        ],
    }
