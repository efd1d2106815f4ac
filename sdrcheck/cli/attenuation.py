"""`sdrcheck attenuation`: is this chain between transmitter and dongle safe, and sensible?"""

from __future__ import annotations

import click

from sdrcheck.cli.arguments import CHAIN, FREQUENCY, WATTS
from sdrcheck.receiver.attenuation import (
    AIMED_DBM,
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


@click.command("attenuation")
@click.option("--power", type=WATTS, required=True, help="The most it can give: 25W, 400W (peak envelope).")
@click.option(
    "--chain", type=CHAIN, required=True, help="From the set on: 40dB/100W,30dB/2W · coupler:40dB/100W · tap:4.7k/2W"
)
@click.option("--frequency", type=FREQUENCY, help="Where it is keyed; VHF unless said.")
@click.option("--gain", type=float, help="Gain of the dongle in dB, where it is fixed.")
@click.option("--strict", is_flag=True, help="Exit with 3 unless the chain is safe and sensible.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(
    power: float, chain: tuple[Element, ...], frequency: float | None, gain: float | None, strict: bool, as_json: bool
) -> int:
    """Work through a chain of attenuators before anybody keys: power at each element, ratings, level at the dongle."""
    result = assess(power, chain, frequency, gain)
    if as_json:
        _print_json(result)
    else:
        _print_text(result)
    return 3 if strict and result.verdict is not Verdict.SAFE else 0


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
        f"(aim at {AIMED_DBM[0]:.0f} to {AIMED_DBM[1]:.0f} dBm)."
    )
    console.print(
        f"Gain {result.gain_db:g} dB: expect about {result.expected_dbfs:.0f} dBFS, give or take 10 dB; start at the "
        "lowest gain and at 1 W, and watch for clipping."
    )
    console.print(f"\n{result.verdict.value.upper()}", style="bold")
    for reason in result.reasons:
        console.print(Padding(reason, (0, 0, 0, 2), expand=False))
    console.print("\nBefore keying:")
    for caution in BEFORE_KEYING:
        console.print(Padding(f"- {caution}", (0, 0, 0, 2), expand=False))


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
