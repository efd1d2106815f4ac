"""`sdrcheck channels`: the channel plans, searchable."""

from __future__ import annotations

import click

from sdrcheck.channels import plan
from sdrcheck.channels.channel import Channel


@click.command("channels")
@click.argument("search", nargs=-1)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(search: tuple[str, ...], as_json: bool) -> None:
    """Show the channels that SEARCH fits: a name (06, 22A, AIS 1), a frequency (156.525, 2187.5 kHz) or words."""
    found = plan.find(" ".join(search))
    if as_json:
        _print_json(found)
    elif found:
        _print_table(found)
    else:
        near = _nearest_text(" ".join(search))
        click.echo(f"No channel of the plan fits {' '.join(search)!r}{near}.")


def _nearest_text(text: str) -> str:
    from sdrcheck.cli.arguments import FREQUENCY

    try:
        frequency_hz = FREQUENCY.convert(text, None, None)
    except click.UsageError:
        return "; try a number, a frequency such as 156.525M, or a word such as distress"
    channel = plan.nearest(frequency_hz)
    away = abs(channel.frequency_hz - frequency_hz) / 1000
    return f"; the nearest is {channel.name} on {plan.frequency_text(channel.frequency_hz)}, {away:,.1f} kHz away"


def _print_json(found: tuple[Channel, ...]) -> None:
    import msgspec

    rows = [
        {
            "name": row.name,
            "frequency_hz": row.frequency_hz,
            "leg": row.leg,
            "spacing_hz": row.spacing_hz,
            "emission": row.emission,
            "calling": row.calling,
            "text": row.text,
            "aliases": row.aliases,
            "use": row.use,
            "source": row.source,
            "mark": row.mark,
        }
        for row in found
    ]
    click.echo(msgspec.json.format(msgspec.json.encode({"schema": "sdrcheck.channels/1", "channels": rows}), indent=2))


def _print_table(found: tuple[Channel, ...]) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for title, justify in (("channel", "left"), ("frequency", "right"), ("leg", "left"), ("emission", "left")):
        table.add_column(title, justify=justify, no_wrap=True)  # type: ignore[arg-type]
    table.add_column("use")
    table.add_column("mark", no_wrap=True)
    for row in found:
        name = f"{row.name} ({', '.join(row.aliases)})" if row.aliases else row.name
        use = row.use + ("; calls" if row.calling and "call" not in row.use else "")
        table.add_row(name, plan.frequency_text(row.frequency_hz), row.leg or "", row.emission.value, use, row.mark)
    console = Console(highlight=False)
    console.print(table)
    console.print("S: frequency seen in the source; M: from memory. National plans decide; see --json for the source.")
