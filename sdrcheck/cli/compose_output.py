"""What the `compose` commands share: where a made signal goes, and how it is put into a recording."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from sdrcheck.cli.arguments import FREQUENCY, NUMBER, Number
from sdrcheck.errors import CompositionError, RecordingError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from sdrcheck.recordings.recording import Annotation

CAUTION = (
    "CAUTION: a receiver takes this signal for a real one. Keep it in a closed cable; never radiate it, and never play "
    "it near a microphone or a set that may be keyed. A false distress or urgency signal endangers lives and is "
    "punishable. Local rules and licensed persons decide."
)
CAUTION_IN_NAME = "-CLOSED-CABLE-ONLY"

INTO_THE_GENERATOR = (
    "The sound goes by cable into the modulation input of a generator, and nowhere near a microphone or a set that may "
    "be keyed."
)

LEVEL_DBFS = -12.0
LOUDEST_NOISE_DBFS = -15.0
TAIL_S = 0.4
MOST_SAMPLES = 100_000_000
"""So that a slip of the finger does not fill the memory: 7 minutes at 240 kS/s, 7 hours at 4 kS/s."""

_F = TypeVar("_F", bound=Callable[..., Any])


def recording_options(function: _F) -> _F:
    """Add the options that say where in which recording the signal goes."""
    options = (
        click.option(
            "-o", "--output", type=click.Path(path_type=Path), required=True, help="Name.sigmf-meta or Name.wav."
        ),
        click.option("--rate", "rate_hz", type=FREQUENCY, help="Sample rate of the recording."),
        click.option("--centre", "centre_hz", type=FREQUENCY, help="Centre frequency; usually a little beside."),
        click.option(
            "--datatype", type=click.Choice(["cu8", "ci8", "ci16_le", "cf32_le"]), default="cu8", show_default=True
        ),
        click.option("--level", "level_dbfs", type=NUMBER, help="Level of the signal, dBFS  [default: -12 or less]"),
        click.option(
            "--snr", "snr_db", type=NUMBER, help="Signal to noise in 25 kHz (VHF) or 300 Hz (MF/HF), dB  [default: 40]"
        ),
        click.option("--cn0", "cn0_db_hz", type=NUMBER, help="Carrier to noise density instead, dB-Hz."),
        click.option(
            "--at", "at_s", type=Number(0), default=0.4, show_default=True, help="Where the keying begins, seconds."
        ),
        click.option(
            "--duration", "duration_s", type=Number(above=0), help="Length of the recording  [default: 0.4 s more]"
        ),
        click.option(
            "--rise",
            "rise_s",
            type=Number(0),
            default=0.002,
            show_default=True,
            help="10 % to 90 %, seconds.",
        ),
        click.option(
            "--onto", type=click.Path(path_type=Path), help="Add the signal to this composed recording, as a new one."
        ),
        click.option("--start-utc", help="UTC of the first sample, like 2026-05-12T08:00:00Z."),
        click.option(
            "--play", is_flag=True, help="WAV: play it, too, into the generator's modulation input; not what is gated."
        ),
        click.option("--device", help="Sound device to play it on; the usual one if not named."),
        click.option(
            "--seed",
            type=click.IntRange(0),
            default=1,
            show_default=True,
            help="For the noise; the same seed, the same file.",
        ),
    )
    for option in reversed(options):
        function = option(function)
    return function


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """Where a signal goes; the fields are the options of `recording_options`."""

    output: Path
    rate_hz: float | None
    centre_hz: float | None
    datatype: str
    level_dbfs: float | None
    snr_db: float | None
    cn0_db_hz: float | None
    at_s: float
    duration_s: float | None
    rise_s: float
    onto: Path | None
    start_utc: str | None
    play: bool
    device: str | None
    seed: int

    def __post_init__(self) -> None:
        if not self.output.name or self.output.is_dir():
            raise click.UsageError(f"{self.output} is a folder; name the file to be made in it with --output")
        if self.start_utc is not None:
            _checked_moment(self.start_utc)
        if self.play and not self.is_sound:
            raise click.UsageError("--play is for sound; name the output like call.wav")

    @property
    def is_sound(self) -> bool:
        return self.output.suffix.lower() == ".wav"

    def named(self, caution: bool) -> Path:
        """The output's name, with the caution in it where there is one."""
        name = self.output.name
        for ending in (".sigmf-meta", ".sigmf-data", ".wav", ".WAV"):
            name = name.removesuffix(ending)
        if caution and CAUTION_IN_NAME not in name:
            name += CAUTION_IN_NAME
        return self.output.with_name(name + (".wav" if self.is_sound else ".sigmf-meta"))


def _checked_moment(text: str) -> None:
    from sdrcheck.recordings.utc import utc_moment

    try:
        utc_moment(text)
    except ValueError:
        raise click.UsageError(f"{text!r} is no time; write --start-utc like 2026-05-12T08:00:00Z") from None


class Canvas:
    """The samples that signals are put on: fresh noise, or a recording made before."""

    def __init__(
        self, order: Order, frequency_hz: float, *, usual_rate_hz: float, noise_bandwidth_hz: float, keyed_s: float
    ) -> None:
        import numpy as np

        from sdrcheck.compositions.level import noise

        self.order, self.frequency_hz = order, frequency_hz
        self.annotations: list[Annotation] = []
        self.start_utc = order.start_utc
        self.caution = False
        """What it was put onto carries the caution already."""
        if order.onto is not None:
            self._take_recording(order.onto)
            self.level_dbfs = LEVEL_DBFS if order.level_dbfs is None else order.level_dbfs
            return
        self.datatype = order.datatype
        self.rate_hz = order.rate_hz or usual_rate_hz
        beside = round(min(50e3, 0.2 * self.rate_hz) / 100) * 100
        self.centre_hz = order.centre_hz if order.centre_hz is not None else frequency_hz - beside
        self.level_dbfs, density = self._levels(noise_bandwidth_hz)
        duration_s = order.duration_s if order.duration_s is not None else order.at_s + keyed_s + TAIL_S
        count = round(duration_s * self.rate_hz)
        if count > MOST_SAMPLES:
            raise CompositionError(
                f"{duration_s:g} s at {self.rate_hz:g} samples a second is more than is made at once; shorten it or "
                "give a lower --rate"
            )
        self.samples = noise(count, self.rate_hz, density, np.random.default_rng(order.seed))

    def _levels(self, noise_bandwidth_hz: float) -> tuple[float, float]:
        """Level of the signal and density of the noise, dBFS and dBFS per hertz, so that the noise does not clip."""
        order = self.order
        if order.cn0_db_hz is not None and order.snr_db is not None:
            raise click.UsageError("give --snr or --cn0, not both")
        snr_db = 40.0 if order.snr_db is None else order.snr_db
        cn0 = snr_db + 10 * math.log10(noise_bandwidth_hz) if order.cn0_db_hz is None else order.cn0_db_hz
        whole = 10 * math.log10(self.rate_hz)
        safe = min(LEVEL_DBFS, LOUDEST_NOISE_DBFS - whole + cn0)
        level = safe if order.level_dbfs is None else order.level_dbfs
        if level - cn0 + whole > LOUDEST_NOISE_DBFS + 6:
            raise CompositionError(
                f"with a level of {level:g} dBFS the noise would be at {level - cn0 + whole:.1f} dBFS and clip; "
                f"give --level {LOUDEST_NOISE_DBFS - whole + cn0:.0f} or less"
            )
        return level, level - cn0

    def _take_recording(self, path: Path) -> None:
        import numpy as np

        from sdrcheck.filters.iq import complex_samples
        from sdrcheck.recordings.recording import open_recording

        for name, given in (("--rate", self.order.rate_hz), ("--centre", self.order.centre_hz)):
            if given is not None:
                raise click.UsageError(f"{name} does not go with --onto: the recording has its own")
        for name, given in (("--snr", self.order.snr_db), ("--cn0", self.order.cn0_db_hz)):
            if given is not None:
                raise click.UsageError(f"{name} does not go with --onto: the noise is already there; use --level")
        recording = open_recording(path)
        if not recording.facts.synthetic or recording.datatype.startswith("r"):
            raise RecordingError(f"{path} is not a composed recording of IQ; signals are never put into real ones")
        self.datatype, self.rate_hz, self.centre_hz = recording.datatype, recording.sample_rate_hz, recording.centre_hz
        self.annotations += recording.annotations
        self.start_utc = self.start_utc or recording.start_utc
        self.caution = CAUTION in recording.facts.remarks
        blocks = [complex_samples(raw, recording.datatype).astype(np.complex128) for raw, _ in recording.blocks()]
        self.samples = np.concatenate(blocks)

    def put(self, iq: NDArray[np.complex128], label: str, half_width_hz: float) -> None:
        """Add one keying, unit amplitude about its carrier, and a note on where it is."""
        from sdrcheck.compositions.level import Keying, placed
        from sdrcheck.recordings.recording import Annotation

        order = self.order
        if abs(self.frequency_hz - self.centre_hz) + half_width_hz > self.rate_hz / 2:
            raise CompositionError(
                f"the signal at {self.frequency_hz / 1e6:.4f} MHz, {half_width_hz / 500:g} kHz wide, lies outside the "
                f"span of {self.rate_hz / 1e3:g} kS/s about {self.centre_hz / 1e6:.4f} MHz; choose another --centre "
                "or a higher --rate"
            )
        keying = Keying(iq, order.at_s, self.frequency_hz, self.level_dbfs, order.rise_s, order.rise_s)
        self.samples = placed([keying], self.samples, self.rate_hz, self.centre_hz)
        self.annotations.append(
            Annotation(
                first=round(order.at_s * self.rate_hz),
                count=iq.size,
                low_hz=self.frequency_hz - half_width_hz,
                high_hz=self.frequency_hz + half_width_hz,
                label=label,
                comment="synthetic",
            )
        )

    def write(self, caution: bool) -> Path:
        """Write the recording, marked as synthetic, with the caution where needed; returns its description's path."""
        from sdrcheck.recordings import sigmf
        from sdrcheck.recordings.facts import ReceptionFacts

        caution = caution or self.caution
        path = self.order.named(caution)
        description = "Synthetic: made by sdrcheck compose, not received. Identities and texts are invented."
        return sigmf.write(
            path,
            self.samples,
            self.datatype,
            self.rate_hz,
            self.centre_hz,
            start_utc=self.start_utc,
            facts=ReceptionFacts(synthetic=True, remarks=(CAUTION,) if caution else ()),
            description=description,
            annotations=self.annotations,
        )


def put_sound(order: Order, sound: NDArray[np.float64], caution: bool) -> Path:
    """Write a sound file, tell so, and play it where asked to; what carries the caution is never played."""
    from sdrcheck.compositions.sound import SOUND_RATE_HZ
    from sdrcheck.recordings.wav import write_sound

    if order.play and caution:
        raise click.UsageError(
            "a receiver could take this for a real call, so it is not played here; leave --play out, and play the file "
            "yourself when the closed cable has been checked"
        )
    path = order.named(caution)
    write_sound(path, sound, SOUND_RATE_HZ)
    say_written(path, sound.size / SOUND_RATE_HZ)
    if order.play:
        _play(sound, order.device)
    return path


def _play(sound: NDArray[np.float64], device: str | None) -> None:
    from contextlib import closing

    import numpy as np

    from sdrcheck.cli.listen import device_named
    from sdrcheck.watching.loudspeaker import Loudspeaker

    click.echo(f"caution: {INTO_THE_GENERATOR}", err=True)
    with closing(Loudspeaker(device_named(device), level=1.0)) as loudspeaker:
        loudspeaker.play_whole(sound.astype(np.float32))
        if loudspeaker.underflows:
            click.echo(f"the sound was interrupted {loudspeaker.underflows} times; play it again", err=True)
        else:
            click.echo("played whole", err=True)


def say_written(path: Path, seconds: float) -> None:
    """Tell what was written."""
    click.echo(f"wrote {path}, {seconds:.3f} s")
