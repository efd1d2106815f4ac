"""`sdrcheck attenuation`: is this chain between transmitter and dongle safe, sensible, linear and tight?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from sdrcheck.cli.arguments import CHAIN, FREQUENCY, NUMBER, WATTS, Number
from sdrcheck.cli.options import SOURCE_HELP, caution, channels_inside, channels_named, tuning, tuning_options
from sdrcheck.receiver.attenuation import (
    AIMED_DBM,
    FAINT_DBM,
    PLANNED_DBM,
    Assessment,
    Element,
    Kind,
    Stage,
    Verdict,
    assess,
    dbm,
    watts_text,
)
from sdrcheck.receiver.cautions import BEFORE_KEYING

if TYPE_CHECKING:
    from sdrcheck.channels.channel import Channel
    from sdrcheck.sources.source import IqSource
    from sdrcheck.watching.measuring_path import Keyed, PathFinding

F = TypeVar("F", bound=Callable[..., Any])


@click.group("attenuation", invoke_without_command=True)
@click.option("--power", type=WATTS, help="The most the set can give: 25W, 400W (peak envelope).")
@click.option("--chain", type=CHAIN, help="From the set on: 40dB/100W,30dB/2W · coupler:40dB/100W · tap:4.7k/2W")
@click.option("--frequency", type=FREQUENCY, help="Where it is keyed; VHF unless said.")
@click.option("--gain", type=NUMBER, help="Gain of the dongle in dB, where it is fixed.")
@click.option("--strict", is_flag=True, help="Exit with 3 unless the chain is safe and sensible.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
@click.pass_context
def command(
    context: click.Context,
    power: float | None,
    chain: tuple[Element, ...] | None,
    frequency: float | None,
    gain: float | None,
    strict: bool,
    as_json: bool,
) -> int:
    """Work through a chain of attenuators before anybody keys: power at each element, ratings, level at the dongle.

    When it is connected, `linearity` and `leak` try it: two keyings each, live or from two recordings.
    """
    if context.invoked_subcommand is not None:
        if (power, chain, frequency, gain, strict, as_json) != (None, None, None, None, False, False):
            raise click.UsageError(f"the options before {context.invoked_subcommand} are not for it")
        return 0
    if power is None or chain is None:
        raise click.UsageError("name the transmitter with --power and what stands before the dongle with --chain")
    result = assess(power, chain, frequency, gain)
    if as_json:
        _print_json(result)
    else:
        _print_text(result)
    return 3 if strict and result.verdict is not Verdict.SAFE else 0


def _of_two_keyings(function: F) -> F:
    for option in reversed(
        (
            click.argument("recordings", nargs=-1, metavar="[FIRST SECOND]"),
            click.option("--from", "source", metavar="SOURCE", help=SOURCE_HELP),
            tuning_options,
            click.option("--channel", help="Channel to key, for example 72; of recordings the strongest if not named."),
            click.option(
                "--seconds", type=Number(1, 60), default=3.0, show_default=True, help="Length of each keying."
            ),
            click.option(
                "--out", type=click.Path(dir_okay=False, path_type=Path), help="Keep both keyings as recordings, too."
            ),
            click.option("--strict", is_flag=True, help="Exit with 3 unless it passed."),
        )
    ):
        function = option(function)
    return function


@command.command("linearity")
@click.option("--added", type=Number(3, 40), default=10.0, show_default=True, help="Attenuation added between, dB.")
@click.option(
    "--known",
    type=Number(0),
    default=0.3,
    show_default=True,
    help="How well that is known: limit ± in dB.",
)
@_of_two_keyings
def linearity(added: float, known: float, strict: bool, **keyings: Any) -> int:
    """Add 10 dB and see the level fall by 10 dB: if it does not, the dongle was overloaded as it stood.

    From two recordings of the same keying, FIRST as it stood and SECOND with the attenuation added, or live, step by
    step.
    """
    from sdrcheck.quantities import Measured, Term
    from sdrcheck.watching import measuring_path

    before, after = _two_keyings(
        **keyings,
        first="Key the set as it stands, without modulation, and keep it keyed",
        second=f"Unkey. Put {added:g} dB more between the chain and the dongle. Key again, just as before",
    )
    if not after.found:
        raise click.ClickException(
            f"nothing was heard on {before.place} with the attenuation added; is it more than {added:g} dB, or was the "
            "set not keyed?"
        )
    more = Measured(added, "dB", (Term.rectangular("added attenuation", known),))
    return _conclude(measuring_path.linearity(before, after, more), strict)


@command.command("leak")
@_of_two_keyings
def leak(strict: bool, **keyings: Any) -> int:
    """Take the cable off the dongle and see what still arrives: it must lie 20 dB below, for levels 30 dB.

    From two recordings of the same keying, FIRST through the cable and SECOND with the dongle and the end of the cable
    each on a load of its own, or live, step by step.
    """
    from sdrcheck.watching import measuring_path

    cable, without = _two_keyings(
        **keyings,
        first="Key the set as it stands, without modulation, and keep it keyed",
        second=(
            "Unkey. Take the cable off the dongle, and put a 50 Ω load on the end of the cable and one on the dongle. "
            "Key again, just as before"
        ),
    )
    return _conclude(measuring_path.leak(cable, without), strict)


def _conclude(finding: PathFinding, strict: bool) -> int:
    from sdrcheck.verdicts.judge import Verdict as Judged
    from sdrcheck.watching.measuring_path import lines

    for line in lines(finding):
        click.echo(line)
    return 3 if strict and finding.verdict not in (Judged.PASS, Judged.PASS_NOT_PROVEN) else 0


def _two_keyings(
    recordings: tuple[str, ...],
    source: str | None,
    centre: float | None,
    rate: float | None,
    gain: float | None,
    speed: float,
    channel: str | None,
    seconds: float,
    out: Path | None,
    first: str,
    second: str,
) -> tuple[Keyed, Keyed]:
    if (source is None) != (len(recordings) == 2) or len(recordings) not in (0, 2):
        raise click.UsageError("give two recordings, or a live source with --from")
    places = channels_named((channel,)) if channel else ()
    if source is None:
        from sdrcheck.sources.recording import RecordingSource

        one = _keyed(RecordingSource(recordings[0]), places, None, None, None)
        return one, _keyed(RecordingSource(recordings[1]), places, None, one, None)

    from contextlib import closing

    from sdrcheck.sources.catalogue import open_source

    if not places:
        raise click.UsageError("name the channel to key with --channel")
    wanted = tuning(source, centre, rate, gain, speed, places)
    with closing(open_source(source, wanted)) as opened:  # before anybody keys for nothing
        channels_inside(opened.facts, places)
    for words in BEFORE_KEYING:
        caution(words)
    found: list[Keyed] = []
    for number, step in enumerate((first, second), 1):
        click.prompt(f"{number}. {step}; then press Enter ", default="", show_default=False, prompt_suffix="", err=True)
        click.echo(f"   listening for {seconds:g} s …", err=True)
        opened = open_source(source, wanted)
        keep = None if out is None else out.with_name(f"{out.name}-{number}")
        found.append(_keyed(opened, places, seconds, found[0] if found else None, keep))
    click.echo("   done: unkey, and put everything back as it was.", err=True)
    return found[0], found[1]


def _keyed(
    source: IqSource, places: tuple[Channel, ...], seconds: float | None, first: Keyed | None, keep: Path | None
) -> Keyed:
    """The keying in a source; after a first one what can have been there where nothing was."""
    from contextlib import closing

    from sdrcheck.bench import Settings, collect, run
    from sdrcheck.errors import MeasurementError
    from sdrcheck.watching.measuring_path import Watchful, keyed_in
    from sdrcheck.watching.memory import RollingMemory

    place: Channel | float | None = channels_inside(source.facts, places)[0] if places else None
    if place is None and first is not None:
        place = first.frequency_hz
    with closing(RollingMemory(source, (seconds or 1.0) + 2.0)) as memory:
        watchful = Watchful(memory, place, seconds)
        inspection = collect(run(watchful, Settings(frames_per_s=0)))
        if keep is not None:
            click.echo(f"   kept in {memory.keep(keep)}", err=True)
    name = source.facts.name
    if inspection.recording.lost_samples:
        raise MeasurementError(f"{inspection.recording.lost_samples} samples were lost in {name}; repeat the test")
    frequency = place if place is None or isinstance(place, float) else float(place.frequency_hz)
    found = keyed_in(inspection, source.facts.gain_db, frequency)
    if found is not None:
        return found
    if first is None:
        raise MeasurementError(f"nothing was keyed in {name}; key the set, and look at the chain and the channel")
    return replace(first, level=watchful.most, gain_db=source.facts.gain_db, found=False)


def _print_json(result: Assessment) -> None:
    import msgspec

    stages = [
        {
            "kind": stage.element.kind,
            "loss_db": round(stage.element.loss_db, 4),
            "resistor_ohm": stage.element.resistor_ohm,
            "rating_w": stage.element.rating_w,
            "needed_rating_w": stage.needed_rating_w,
            "margin_db": stage.margin_db,
            "power_in_w": stage.power_in_w,
            "power_in_dbm": dbm(stage.power_in_w),
            "power_out_dbm": dbm(stage.power_out_w),
            "heat_w": stage.heat_w,
            "heat_in_first_w": stage.heat_in_first_w,
            "problem": stage.problem or None,
        }
        for stage in result.stages
    ]
    document = {
        "schema": "sdrcheck.attenuation/1",
        "transmitter_w": result.transmitter_w,
        "transmitter_dbm": dbm(result.transmitter_w),
        "frequency_hz": result.frequency_hz,
        "stages": stages,
        "loss_db": result.loss_db,
        "at_dongle_dbm": result.at_dongle_dbm,
        "load_w": result.load_w,
        "gain_db": result.gain_db,
        "expected_dbfs": result.expected_dbfs,
        "verdict": result.verdict,
        "reasons": result.reasons,
    }
    click.echo(msgspec.json.format(msgspec.json.encode(document), indent=2))


def _print_text(result: Assessment) -> None:
    from rich import box
    from rich.console import Console
    from rich.padding import Padding
    from rich.table import Table

    console = Console(highlight=False)
    console.print(f"Transmitter {watts_text(result.transmitter_w)} = {dbm(result.transmitter_w):.2f} dBm")
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("")
    table.add_column("element")
    for title in ("power in", "out", "heat", "rated", "needs"):
        table.add_column(title, justify="right")
    for number, stage in enumerate(result.stages, 1):
        table.add_row(str(number), _name(stage), *_numbers(stage))
    console.print(table)
    for stage in result.stages:
        if stage.heat_in_first_w is not None and stage.heat_in_first_w > 1:
            share = stage.heat_in_first_w / stage.power_in_w
            console.print(
                f"The first resistor of the {stage.element.loss_db:g} dB pad takes "
                f"{watts_text(stage.heat_in_first_w)} ({share:.1%} of what comes in)."
            )
    if result.load_w is not None:
        console.print(f"The line must end in a load for {watts_text(result.load_w)} or in the antenna.")
    console.print(
        f"At the dongle: {dbm(result.transmitter_w):.2f} - {result.loss_db:.2f} = {result.at_dongle_dbm:.2f} dBm "
        f"(aim at {AIMED_DBM[0]:.0f} to {AIMED_DBM[1]:.0f} dBm; {FAINT_DBM:.0f} to {PLANNED_DBM:.0f} dBm will do)."
    )
    console.print(
        f"Gain {result.gain_db:g} dB: expect about {result.expected_dbfs:.0f} dBFS, give or take 10 dB; start at the "
        "lowest gain and at 1 W, and watch for clipping."
    )
    console.print(f"\n{result.verdict.value.upper()}", style="bold")
    for reason in result.reasons:
        console.print(Padding(reason, (0, 0, 0, 2), expand=False))
    console.print("\nBefore keying:")
    for words in BEFORE_KEYING:
        console.print(Padding(f"- {words}", (0, 0, 0, 2), expand=False))


def _name(stage: Stage) -> str:
    element = stage.element
    size = (
        f"{element.resistor_ohm:g} Ω, {element.loss_db:.2f} dB" if element.resistor_ohm else f"{element.loss_db:g} dB"
    )
    return f"{element.kind} {size}"


def _numbers(stage: Stage) -> tuple[str, ...]:
    heat = "-" if stage.element.kind is Kind.COUPLER else watts_text(stage.heat_w)
    rated = watts_text(stage.element.rating_w) if stage.element.rating_w is not None else "not stated"
    return (
        f"{watts_text(stage.power_in_w)}\n{dbm(stage.power_in_w):.2f} dBm",
        f"{dbm(stage.power_out_w):.2f} dBm",
        heat,
        rated,
        watts_text(stage.needed_rating_w),
    )
