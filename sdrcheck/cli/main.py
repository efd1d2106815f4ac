"""The command `sdrcheck`: names to modules, loaded when asked for, and one plain line for every error."""

from __future__ import annotations

import errno
import importlib
import io
import logging
import os
import sys

import click

from sdrcheck import __version__
from sdrcheck.errors import CompositionError, SdrcheckError

COMMANDS = {  # name on the command line -> (where it is, what a person gets)
    "inspect": ("sdrcheck.cli.inspect", "everything found in a recording"),
    "compose": ("sdrcheck.cli.compose", "a standard call, message or test tone, made to order"),
    "capture": ("sdrcheck.cli.capture", "a recording from a live source"),
    "watch": ("sdrcheck.cli.watch", "an unattended watch that keeps and inspects what it hears"),
    "listen": ("sdrcheck.cli.listen", "the demodulated sound of a channel"),
    "sinad": ("sdrcheck.cli.sinad", "the set's loudspeaker measured while a generator feeds its receiver"),
    "serve": ("sdrcheck.cli.serve", "a recording served as a network dongle"),
    "reference": ("sdrcheck.cli.reference", "the dongle's frequency reference and its uncertainty"),
    "attenuation": ("sdrcheck.cli.attenuation", "is this chain of attenuators safe and sensible?"),
    "printout": ("sdrcheck.cli.printout", "the ship's print-out held against what was decoded"),
    "visit": ("sdrcheck.cli.visit", "the job aboard: papers, planned checks, results"),
    "evidence": ("sdrcheck.cli.evidence", "pack, verify and report"),
    "channels": ("sdrcheck.cli.channels", "the channel plans, searchable"),
    "limits": ("sdrcheck.cli.limits", "the published limits, searchable"),
    "stations": ("sdrcheck.cli.stations", "navigational-text stations and their slots"),
    "ready": ("sdrcheck.cli.ready", "is everything here and working?"),
    "window": ("sdrcheck.cli.window", "the desktop window"),
}


class Commands(click.Group):
    """Commands that are imported only when they are asked for, each from its own file's `command`."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        command = importlib.import_module(COMMANDS[name][0]).command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, help_text) for name, (_, help_text) in COMMANDS.items()])


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="sdrcheck")
def sdrcheck() -> None:
    """A second witness for marine radio surveyors: it records, measures, decodes and judges.

    It never certifies and never transmits. Calibrated instruments, local rules and licensed persons decide.
    """


def main(arguments: list[str] | None = None) -> None:
    """Run one command line and exit: 0 done, 1 input or device unusable, 2 wrong usage, 3 see `--strict`."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # our matrices are small: more threads only wait for each other
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal without √ or Ω shows a question mark
    arguments = sys.argv[1:] if arguments is None else arguments
    try:
        _refuse_bytes(arguments)
        status = sdrcheck.main(arguments, prog_name="sdrcheck", standalone_mode=False)
        sys.exit(status if isinstance(status, int) else 0)
    except click.exceptions.NoArgsIsHelpError as problem:
        click.echo(problem.ctx.get_help() if problem.ctx else problem.format_message())
        sys.exit(2)
    except click.UsageError as problem:
        hint = f" (see: {problem.ctx.command_path} --help)" if problem.ctx else ""
        _say(f"{problem.format_message()}{hint}")
        sys.exit(2)
    except click.ClickException as problem:
        _say(problem.format_message())
        sys.exit(1)
    except (click.Abort, KeyboardInterrupt):
        if sys.stderr.isatty():
            print(file=sys.stderr)  # a prompt or the terminal's own ^C may stand there
        _say("stopped")
        sys.exit(1)
    except SdrcheckError as problem:
        _say(str(problem))
        sys.exit(2 if isinstance(problem, CompositionError) else 1)  # what is composed, the command line alone says
    except MemoryError:
        _say("this computer has not enough memory for that; take a shorter recording or a lower rate")
        sys.exit(1)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(1)
    except Exception as problem:
        if isinstance(problem, OSError) and problem.errno == errno.ENAMETOOLONG:
            _say(f"{str(problem.filename)[:40]}… is too long for a name on this computer; choose a shorter one")
            sys.exit(1)
        # our own bug: one line to the user, the rest to the log
        _say(f"internal error, please report it: {type(problem).__name__}: {problem} (details in {_keep_traceback()})")
        sys.exit(1)


def _refuse_bytes(arguments: list[str]) -> None:
    for word in arguments:
        shown = os.fsencode(word).decode("utf-8", "replace")
        if shown != word:  # bytes that no text has; they could not be written down beside the samples
            raise click.UsageError(f"{shown!r} is not UTF-8 text; write it anew, or rename the file")


def _say(sentence: str) -> None:
    print("sdrcheck: " + " ".join(sentence.split()), file=sys.stderr)


def _keep_traceback() -> str:
    from pathlib import Path

    from platformdirs import user_log_dir

    path = Path(user_log_dir("sdrcheck")) / "errors.log"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handler: logging.Handler = logging.FileHandler(path, encoding="utf-8")
        handler.setFormatter(logging.Formatter("%(asctime)s %(message)s"))
    except OSError:
        return "no log, the log folder cannot be written"
    log = logging.getLogger("sdrcheck.errors")
    log.propagate = False
    log.addHandler(handler)
    log.exception("internal error")
    handler.close()
    return str(path)
