"""`sdrcheck compose`: signals made to order. Its own commands are imported only when they are asked for."""

from __future__ import annotations

import importlib

import click

SIGNALS = {  # name on the command line -> (where it is, what a person gets)
    "call": ("sdrcheck.cli.compose_call", "a selective call of any type, or a distress attempt"),
    "message": ("sdrcheck.cli.compose_message", "a NAVTEX message"),
    "tone": ("sdrcheck.cli.compose_tone", "test tones on a voice channel, or as sound"),
}


class Signals(click.Group):
    """The kinds of signals, each from its own file's `command`."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(SIGNALS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in SIGNALS:
            return None
        command = importlib.import_module(SIGNALS[name][0]).command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Signals"):
            formatter.write_dl([(name, help_text) for name, (_, help_text) in SIGNALS.items()])


@click.group("compose", cls=Signals)
def command() -> None:
    """Make a standard signal as a recording (SigMF) or a sound file (WAV). Nothing is transmitted.

    Every identity and text is yours to choose: take invented ones. What a receiver could take for a real call belongs
    in a closed cable and nowhere else.
    """
