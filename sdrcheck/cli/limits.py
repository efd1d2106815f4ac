"""`sdrcheck limits`: the published limits, searchable."""

from __future__ import annotations

import math

import click

from sdrcheck.limits.limit import Limit
from sdrcheck.limits.sets import LIMIT_SETS, every_limit


@click.command("limits")
@click.argument("search", nargs=-1)
@click.option("--set", "set_name", type=click.Choice(list(LIMIT_SETS)), help="Only the limits of one named set.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(search: tuple[str, ...], set_name: str | None, as_json: bool) -> None:
    """Show the limits that all words of SEARCH fit: a quantity, a document, an identifier, an emission."""
    limits = LIMIT_SETS[set_name].limits if set_name else every_limit()
    words = [word.casefold() for word in search]
    found = tuple(limit for limit in limits if all(word in _searched(limit) for word in words))
    if as_json:
        _print_json(found)
    elif found:
        _print_text(found, set_name)
    else:
        click.echo(f"No limit fits {' '.join(search)!r}; try deviation, carrier, EN 300 162, F1B, or no word at all.")


def _searched(limit: Limit) -> str:
    parts = (limit.id, limit.quantity, limit.source, limit.standing, limit.note, *limit.emissions, *limit.channels)
    return " ".join(parts).casefold()


def _print_json(found: tuple[Limit, ...]) -> None:
    import msgspec

    rows = [
        {
            "id": limit.id,
            "quantity": limit.quantity,
            "unit": limit.unit,
            "low": limit.low if math.isfinite(limit.low) else None,
            "high": limit.high if math.isfinite(limit.high) else None,
            "standing": limit.standing,
            "mark": limit.mark,
            "source": limit.source,
            "emissions": limit.emissions,
            "conditions": limit.conditions,
            "channels": limit.channels,
            "needs": limit.needs,
            "ship_only": limit.ship_only,
            "needs_meter": limit.needs_meter,
            "note": limit.note,
            "sets": [name for name, limit_set in LIMIT_SETS.items() if limit in limit_set.limits],
        }
        for limit in found
    ]
    document = {
        "schema": "sdrcheck.limits/1",
        "sets": {name: limit_set.title for name, limit_set in LIMIT_SETS.items()},
        "limits": rows,
    }
    click.echo(msgspec.json.format(msgspec.json.encode(document), indent=2))


def _print_text(found: tuple[Limit, ...], set_name: str | None) -> None:
    from rich.console import Console
    from rich.padding import Padding
    from rich.text import Text

    from sdrcheck.findings.inspection import AppliedLimit
    from sdrcheck.findings.wording import format_limit

    console = Console(highlight=False)
    if set_name:
        console.print(f"Set “{set_name}”: {LIMIT_SETS[set_name].title}.\n")
    for limit in found:
        head = Text(f"{limit.quantity}: ", style="bold")
        head.append(format_limit(AppliedLimit.of(limit), limit.unit) or "no span")
        head.append(f"  ({limit.standing}, {limit.id}, mark {limit.mark})", style="default")
        console.print(head)
        details = [", ".join(limit.emissions)]
        if limit.conditions:
            details.append("when " + ", ".join(limit.conditions))
        if limit.channels:
            details.append("channels " + ", ".join(limit.channels))
        details += [f"only if declared that {need}" for need in limit.needs]
        if limit.needs_meter:
            details.append("proven by a calibrated meter only")
        for line in ("; ".join(details), limit.note, limit.source):
            if line:
                console.print(Padding(line, (0, 0, 0, 2), expand=False))
    if not set_name:
        console.print("\nSets (--limits of inspect):")
        for name, limit_set in LIMIT_SETS.items():
            console.print(Padding(f"{name}: {limit_set.title}", (0, 0, 0, 2), expand=False))
    console.print(
        "\nMarks: S seen, M from memory, M? doubtful, C common practice, D derived. The edition in force decides, "
        "and so do the administration and the surveyor."
    )
