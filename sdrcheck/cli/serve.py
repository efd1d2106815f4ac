"""`sdrcheck serve`: a recording stands in for a dongle on the network."""

from __future__ import annotations

import click

from sdrcheck.cli.arguments import FREQUENCY, LEAST_SPEED, Number


@click.command()
@click.argument("recording")
@click.option("--rate", type=FREQUENCY, help="Samples per second, where the recording does not say.")
@click.option("--centre", type=FREQUENCY, help="Centre frequency, where the recording does not say.")
@click.option("--port", type=click.IntRange(0, 65535), default=1234, show_default=True, help="0 takes a free one.")
@click.option(
    "--listen", default="127.0.0.1", show_default=True, help="Address to listen on; 0.0.0.0 is every network."
)
@click.option("--speed", type=Number(LEAST_SPEED), default=1.0, show_default=True, help="1 is as recorded.")
@click.option("--once", is_flag=True, help="Stop after one client got the whole recording, instead of repeating it.")
def command(
    recording: str, rate: float | None, centre: float | None, port: int, listen: str, speed: float, once: bool
) -> None:
    """Serve a recording as a network dongle, for practice and tests.

    It says which command watches it. Stop it with Ctrl-C.
    """
    from sdrcheck.recordings import open_recording
    from sdrcheck.watching.serve import LOOPBACK, Server

    opened = open_recording(recording, rate, centre)
    server = Server(opened, listen, port, speed=speed, repeat=not once, say=lambda text: click.echo(text, err=True))
    where = f"{opened.centre_hz / 1e6:.10g} MHz, {opened.sample_rate_hz:.12g} samples per second"
    click.echo(f"serving {recording} ({where}) on {listen} port {server.port}; stop with Ctrl-C", err=True)
    tuned = f"--centre {opened.centre_hz / 1e6:.10g}M --rate {opened.sample_rate_hz:.12g}"
    address = "127.0.0.1" if listen in ("0.0.0.0", "::") else listen
    click.echo(f"watch it with: sdrcheck watch --from net:{address}:{server.port} {tuned} --all", err=True)
    if listen not in (LOOPBACK, "::1", "localhost"):
        click.echo("anybody who reaches this address can take the samples: no password, no encryption", err=True)
    try:
        server.run()
    except KeyboardInterrupt:
        click.echo("stopped", err=True)
    finally:
        server.close()
