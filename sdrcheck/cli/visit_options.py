"""What the commands of a visit share: where the visit is, who is at work, and how sentences are printed."""

from __future__ import annotations

import textwrap
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from sdrcheck.visits.plan import Plan
    from sdrcheck.visits.results import Ledger
    from sdrcheck.visits.ship import Visit

visit_option = click.option(
    "--visit",
    "visit_path",
    type=click.Path(path_type=Path),
    default=Path(),
    metavar="FOLDER",
    help="The visit's folder or file; the present folder if left out.",
)


def now_utc() -> datetime:
    """This computer's time, to the second."""
    return datetime.now(UTC).replace(microsecond=0)


def opened(path: Path) -> tuple[Visit, Plan, Ledger, Path]:
    """The visit, its plan, what was filed, and its folder."""
    from sdrcheck.visits import document, plan, results

    visit = document.load(path)
    folder = document.locate(path).parent
    return visit, plan.make(visit), results.read(folder), folder


def say(sentence: str) -> None:
    """Print a sentence, wrapped for a narrow screen; what could move the cursor is shown by its code."""
    safe = "".join(letter if letter.isprintable() else f"U+{ord(letter):04X}" for letter in sentence)
    click.echo("\n".join(textwrap.wrap(safe, 100, subsequent_indent="  ", break_on_hyphens=False)))
