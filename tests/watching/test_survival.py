"""What a watch survives: a pulled dongle, a vanishing server, garbage, losses, a full disk, kill -9, a set clock.

Each costs what was on the air meanwhile and nothing kept before, and is told in one plain sentence.
"""

from __future__ import annotations

import errno
import itertools
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sdrcheck.bench import Settings, collect, run
from sdrcheck.channels import plan
from sdrcheck.compositions.call import CallOrder, call_bits
from sdrcheck.compositions.level import Keying, noise, placed
from sdrcheck.compositions.waveform import vhf_call
from sdrcheck.decoders.dsc.fields import CallType
from sdrcheck.errors import SourceLost
from sdrcheck.findings.inspection import Inspection, Transmission
from sdrcheck.recordings import sigmf
from sdrcheck.recordings.recording import open_recording
from sdrcheck.recordings.seal import sha512_of
from sdrcheck.recordings.sigmf import write
from sdrcheck.sources.catalogue import open_source
from sdrcheck.sources.recording import RecordingSource
from sdrcheck.sources.source import IqBlock, IqSource, SourceFacts, Tuning
from sdrcheck.sources.synthetic import Synthetic
from sdrcheck.watching import journal, watch
from sdrcheck.watching.ear import Ear
from sdrcheck.watching.policy import Policy
from sdrcheck.watching.serve import Server
from sdrcheck.watching.watch import Watch, Watched
from tests.sources.conftest import compile_stand_in

resource = pytest.importorskip("resource", reason="limits on the size of a file need POSIX")

RATE_HZ, CENTRE_HZ = 240_000.0, 156.475e6
OWN = "211999990"  # invented, like every identity here
PERIOD_S = 3.0
CALL_AT_S = 1.7
BOOTSTRAP = "import sys; sys.modules['pyrtlsdrlib'] = None; from sdrcheck.cli.main import main; main()"
WANTED = Tuning(centre_hz=CENTRE_HZ, sample_rate_hz=RATE_HZ)


def quay_iq() -> np.ndarray:
    """Three seconds of an invented quay, with one test call."""
    order = CallOrder(type=CallType.TEST_CALL, self_id=OWN, to="002119990")
    wave = vhf_call(call_bits(order.information()), RATE_HZ)
    quiet = noise(int(PERIOD_S * RATE_HZ), RATE_HZ, -12 - 40 - 10 * np.log10(25_000), np.random.default_rng(70))
    return placed([Keying(wave, CALL_AT_S, 156.525e6, -12.0)], quiet, RATE_HZ, CENTRE_HZ)


@pytest.fixture(scope="module")
def quay(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(tmp_path_factory.mktemp("quay") / "quay", quay_iq(), "cu8", RATE_HZ, CENTRE_HZ)


def settings() -> Settings:
    return Settings(channels=plan.find("70"))


def watching(folder: Path, **options: object) -> Watch:
    return Watch(folder, settings(), Policy(own=frozenset({OWN}), before_s=0.5), **options)  # type: ignore[arg-type]


def kept(folder: Path) -> list[Transmission]:
    """Everything kept, with proof that it can still be read: seals fit, inspections are whole."""
    found = []
    for name in journal.kept_names(folder):
        recording = open_recording(folder / name)
        if recording.stated_sha512 is not None:
            assert recording.stated_sha512 == sha512_of(folder / f"{name}.sigmf-data")
        path = folder / (name + journal.INSPECTION)
        if path.exists():
            found += Inspection.from_json(path.read_bytes()).transmissions
    return found


def sentences(folder: Path, event: str) -> list[str]:
    return [line.sentence for line in journal.lines(folder) if line.event == event]


# -- in a process of its own ------------------------------------------------------------------------------------------

Start = Callable[..., subprocess.Popen[str]]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Start `sdrcheck watch …` on channel 70; whatever still runs at the end is ended."""
    running: list[subprocess.Popen[str]] = []

    def begin(*words: str, **environment: str) -> subprocess.Popen[str]:
        always = ("watch", "--channel", "70", "--into", str(tmp_path / "watch"), "--own", OWN, "--before", "0.5")
        process = subprocess.Popen(
            [sys.executable, "-u", "-c", BOOTSTRAP, *always, *words],
            env=os.environ | environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        running.append(process)
        return process

    yield begin
    for process in running:
        process.kill()
        process.communicate()


def wait_for_line(process: subprocess.Popen[str], word: str) -> str:
    assert process.stdout is not None
    for line in process.stdout:
        if word in line:
            return line
    raise AssertionError(process.communicate()[1])


def wait_for_file(folder: Path, pattern: str) -> None:
    for _ in range(400):
        if list(folder.glob(pattern)):
            return
        time.sleep(0.05)
    raise AssertionError(f"no {pattern} came into {folder}")


def test_the_dongle_is_pulled_out_in_mid_call(
    start: Start, quay: Path, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """The stand-in sends one whole call, goes away in the middle of the second, and is there again."""
    gone_s = PERIOD_S + CALL_AT_S + 0.3
    process = start(
        *("--from", "dongle", "--centre", "156.475M", "--rate", "240k"),
        LD_LIBRARY_PATH=str(compile_stand_in(tmp_path_factory.mktemp("driver"))),
        STAND_IN_BYTES=str(quay.with_suffix(".sigmf-data")),
        STAND_IN_SERIALS="EXAMPLE7",
        STAND_IN_FAULT="unplug",
        STAND_IN_AT=str(int(gone_s * RATE_HZ / 8192)),
    )
    wait_for_line(process, " hole ")
    wait_for_line(process, " kept ")
    process.send_signal(signal.SIGINT)
    output, errors = process.communicate(timeout=20)
    assert process.returncode == 0, errors
    assert "Stopped." in output
    assert errors.count("Never send a distress alert on the air") == 1
    folder = tmp_path / "watch"
    (trouble,) = sentences(folder, "trouble")
    assert trouble == (
        "dongle EXAMPLE7 was lost (it was pulled out, or the driver gave up); plug it in anew; the watch waits for it."
    )
    found = kept(folder)
    assert [len(one.calls) for one in found][:3] == [1, 1, 1]  # one whole, one as far as it came, one after the return
    assert found[0].calls[0].error_check == "ok"
    assert "It was still on the air when the samples end: its end is missing." in found[1].remarks
    assert found[2].calls[0].error_check == "ok"


def test_kill_without_warning(start: Start, quay: Path, tmp_path: Path) -> None:
    folder = tmp_path / "watch"
    process = start("--from", str(quay), "--memory", "5")
    wait_for_line(process, " kept ")
    (name,) = journal.kept_names(folder)
    for _ in range(100):
        if (folder / f"{name}.sigmf-data").stat().st_size > RATE_HZ:
            break
        time.sleep(0.02)
    process.send_signal(signal.SIGKILL)
    process.wait()
    recording = open_recording(folder / name)
    assert recording.sample_count > 0.5 * RATE_HZ
    assert sum(raw.size for raw, _ in recording.blocks()) == 2 * recording.sample_count
    assert [line.event for line in journal.lines(folder)] == ["started", "kept"]
    again = start("--from", str(quay), "--speed", "0")
    assert again.communicate(timeout=30)[0].count(" kept ") == 1
    assert [line.event for line in journal.lines(folder)] == ["started", "kept", "started", "kept", "ended"]
    assert len(journal.kept_names(folder)) == 2


def test_the_disk_takes_no_more(start: Start, quay: Path, tmp_path: Path) -> None:
    """A file may not grow beyond a limit, which the program learns as it would learn of a full disk."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_001, before[1]))
    try:
        process = start("--from", str(quay), "--speed", "0")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    output, errors = process.communicate(timeout=30)
    assert process.returncode == 0, errors
    folder = tmp_path / "watch"
    (trouble,) = sentences(folder, "trouble")
    assert trouble.endswith("Its recording is cut short, the disk refused (File too large).")
    (name,) = journal.kept_names(folder)
    recording = open_recording(folder / name)
    assert recording.sample_count == 150_000
    assert recording.facts.ended == "the disk refused: File too large"
    assert kept(folder)[0].calls[0].error_check == "ok"  # what was found does not need the recording
    assert output.splitlines()[-1].endswith("ended   The source ended.")


# -- sources that misbehave -------------------------------------------------------------------------------------------


def test_a_server_that_vanishes_and_returns(quay: Path, tmp_path: Path) -> None:
    server = Server(open_recording(quay), port=0)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    word = f"net:127.0.0.1:{server.port}"
    one = watching(tmp_path, waits_s=(0.05,))
    lines: list[Watched] = []
    try:
        for line in one.run(open_source(word, WANTED), lambda: open_source(word, WANTED)):
            lines.append(line)
            said = [told.line.event for told in lines]
            if said == ["started", "kept"]:
                server.hang_up()
            elif "hole" in said and said[-1] == "kept":
                one.stop()
    finally:
        server.close()
        thread.join(3)
    assert [event for event in said if event != "kept"] == ["started", "trouble", "hole", "ended"]
    assert "was lost (it closed the connection)" in sentences(tmp_path, "trouble")[0]
    assert len(kept(tmp_path)) >= 2
    assert "1 hole, " in journal.daily_summary(tmp_path)


@pytest.fixture
def server_of() -> Iterator[Callable[[Callable[[socket.socket], None]], str]]:
    """A server of one's own: what it does with its connections, one after the other, is up to the test."""
    listeners = []

    def begin(*behaviours: Callable[[socket.socket], None]) -> str:
        listener = socket.create_server(("127.0.0.1", 0))
        listeners.append(listener)

        def serve() -> None:
            with suppress(OSError):
                for behaviour in behaviours:
                    connection, _ = listener.accept()
                    with connection, suppress(OSError):
                        behaviour(connection)

        threading.Thread(target=serve, daemon=True).start()
        return f"net:127.0.0.1:{listener.getsockname()[1]}"

    yield begin
    for listener in listeners:
        listener.close()


GREETING = b"RTL0\x00\x00\x00\x05\x00\x00\x00\x1d"


def paced(connection: socket.socket, data: bytes, speed: float = 1.0) -> None:
    """Send bytes as a dongle would, or at another speed."""
    started = time.monotonic()
    step = int(0.05 * RATE_HZ) * 2
    for place in range(0, len(data), step):
        due = started + place / 2 / RATE_HZ / speed
        time.sleep(max(due - time.monotonic(), 0))
        connection.sendall(data[place : place + step])


def test_garbage_is_listened_to_and_nothing_is_made_of_it(
    server_of: Callable[..., str], quay: Path, tmp_path: Path
) -> None:
    """First random bytes instead of samples, then something that is no dongle server, then the quay."""
    garbage = np.random.default_rng(9).integers(0, 256, int(2.5 * RATE_HZ) * 2, dtype=np.uint8).tobytes()
    whole = quay.with_suffix(".sigmf-data").read_bytes()
    word = server_of(
        lambda connection: (connection.sendall(GREETING), paced(connection, garbage)),
        lambda connection: connection.sendall(b"SSH-2.0-harbour\r\n"),
        lambda connection: (connection.sendall(GREETING), paced(connection, whole + whole)),
    )
    one = watching(tmp_path, waits_s=(0.02,))
    for line in one.run(open_source(word, WANTED), lambda: open_source(word, WANTED)):
        if line.line.event == "kept":
            one.stop()
    lost, not_back = sentences(tmp_path, "trouble")
    assert "was lost (" in lost
    assert not_back.startswith("Not back yet: ")
    assert "answers with 'SSH-' instead of a dongle server's greeting" in not_back
    (found,) = kept(tmp_path)
    assert found.calls[0].error_check == "ok"


def test_a_server_that_is_too_slow(server_of: Callable[..., str], quay: Path, tmp_path: Path) -> None:
    """At 0.8 of the speed a fifth of the samples is missing; every stretch in doubt loses its verdicts."""
    whole = quay.with_suffix(".sigmf-data").read_bytes() * 3

    def slow(connection: socket.socket) -> None:
        connection.sendall(GREETING)
        paced(connection, whole, 0.8)

    word = server_of(slow)
    list(watching(tmp_path).run(open_source(word, WANTED)))
    lost = [line for line in journal.lines(tmp_path) if line.lost_samples]
    assert lost
    assert "somewhere in the" in lost[0].sentence
    doubtful = [one for one in kept(tmp_path) if any("nothing of it is judged" in remark for remark in one.remarks)]
    assert doubtful
    assert all(reading.verdict is None for one in doubtful for reading in one.readings)


class Holed:
    """A recording out of which samples go missing, found by the clock a little later or known at once."""

    def __init__(self, path: Path, at_s: float, lost_s: float, told_after_s: float) -> None:
        self._inside = RecordingSource(path)
        self._at, self._lost = int(at_s * RATE_HZ), int(lost_s * RATE_HZ)
        self._told = self._at + int(told_after_s * RATE_HZ)

    @property
    def facts(self) -> SourceFacts:
        return replace(self._inside.facts, told_late_s=1.0)

    def blocks(self) -> Iterator[IqBlock]:
        """Blocks of 10 ms; those of the hole do not come, and only from `told` on does the counter know it."""
        raw = np.concatenate([block.raw for block in self._inside.blocks()])
        size = int(0.01 * RATE_HZ)
        known = False
        for place in range(0, raw.size // 2, size):
            if self._at <= place < self._at + self._lost:
                continue
            part = raw[2 * place : 2 * (place + size)]
            past = place >= self._at + self._lost
            telling = past and not known and place - self._lost >= self._told
            known = known or telling
            first = place if known or not past else place - self._lost
            within = self._told - self._at
            yield IqBlock(
                part, first, "cu8", lost_before=self._lost if telling else 0, lost_within=within if telling else 0
            )

    def close(self) -> None:
        self._inside.close()


def test_a_loss_inside_a_call_shows_in_its_readings(quay: Path) -> None:
    """Known at once: what is measured is the longest whole part, and it says so."""
    (found,) = collect(run(Holed(quay, CALL_AT_S + 0.2, 0.02, 0.0), settings())).transmissions
    (whole,) = collect(run(RecordingSource(quay), settings())).transmissions
    assert any(remark.startswith("Samples are missing (20 ms in 1 place)") for remark in found.remarks)
    offset, undisturbed = found.reading("carrier offset"), whole.reading("carrier offset")
    assert offset is not None
    assert undisturbed is not None
    assert abs(offset.value - undisturbed.value) <= offset.uncertainty
    assert offset.terms[0].standard > undisturbed.terms[0].standard
    assert found.calls[0].error_check != "ok" or found.calls[0].remarks


def test_a_loss_that_comes_out_later_takes_the_verdicts_back(quay: Path, tmp_path: Path) -> None:
    source = Holed(quay, CALL_AT_S + 0.2, 0.02, 0.9)
    lines = list(watching(tmp_path).run(source))
    assert [one.line.event for one in lines if one.line.event not in ("started", "ended")] == [
        "kept",
        "trouble",
        "doubt",
    ]
    (found,) = kept(tmp_path)
    assert any("perhaps in the middle of this: nothing of it is judged" in remark for remark in found.remarks)
    assert all(reading.verdict is None for reading in found.readings)
    assert any(reading.verdict for reading in lines[1].transmission.readings)  # type: ignore[union-attr]
    (name,) = journal.kept_names(tmp_path)
    recording = open_recording(tmp_path / name)
    assert recording.facts.lost_samples == 0.02 * RATE_HZ  # it goes on to where the loss came out, and tells of it
    (again,) = collect(run(RecordingSource(tmp_path / name), settings())).transmissions
    assert all(reading.verdict is None for reading in again.readings)


# -- the computer -----------------------------------------------------------------------------------------------------


def test_the_clock_of_the_computer_is_set(quay: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten minutes forward in the middle of a watch: recordings count their time by samples from the start."""
    real = time.time
    ahead = [0.0]
    monkeypatch.setattr(watch.time, "time", lambda: real() + ahead[0])

    class Stepping(RecordingSource):
        def blocks(self) -> Iterator[IqBlock]:
            for block in super().blocks():
                if block.first_sample > RATE_HZ:
                    ahead[0] = 600.0
                yield block

    list(watching(tmp_path).run(Stepping(quay)))
    (told,) = sentences(tmp_path, "clock")
    assert told.startswith("The computer's clock was set by +600.0 s; recordings count their time from before")
    assert len(kept(tmp_path)) == 1


def test_midnight_brings_the_summary_of_the_day(quay: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(watch, "utc_now", _before_midnight(calls=4))
    list(watching(tmp_path).run(RecordingSource(quay)))
    (summary,) = sentences(tmp_path, "summary")
    assert summary.startswith("2026-03-14: ")


def _before_midnight(calls: int) -> Callable[[], object]:
    from datetime import UTC, datetime

    asked = [0]

    def now() -> datetime:
        asked[0] += 1
        return datetime(2026, 3, 14 if asked[0] <= calls else 15, 23, 59, 59, tzinfo=UTC)

    return now


@pytest.mark.parametrize(
    ("problem", "told"),
    [
        (SourceLost("the sound device takes no more sound; plug it in anew"), "the sound device takes no more sound; "),
        (
            ZeroDivisionError("division by zero"),
            "internal error, please report it: ZeroDivisionError: division by zero",
        ),
    ],
)
def test_the_loudspeaker_vanishes_and_the_watch_goes_on(
    quay: Path, tmp_path: Path, problem: Exception, told: str
) -> None:
    class Gone:
        speed = 1.0

        def play(self, sound: np.ndarray) -> None:
            raise problem

    class Silent:
        def feed(self, block: IqBlock, speed: float) -> np.ndarray:
            return np.zeros(0, np.float32)

    said: list[str] = []
    ear = Ear(Silent(), Gone(), said.append)  # type: ignore[arg-type]
    lines = list(watching(tmp_path, hear=ear.take).run(RecordingSource(quay)))
    assert len(said) == 1
    assert said[0].startswith(told)
    assert [one.line.event for one in lines] == ["started", "kept", "ended"]


def test_a_stuck_key_does_not_fill_the_disk(tmp_path: Path) -> None:
    rate = 60_000
    times = np.arange(10 * rate) / rate
    noise_iq = np.random.default_rng(5).normal(0, 0.001, (times.size, 2)).view(np.complex128)[:, 0]
    source = Synthetic(
        0.3 * (times > 1) * np.exp(2j * np.pi * 10_000 * times) + noise_iq, rate, 156.615e6, "cu8", block_samples=3000
    )
    policy = Policy(longest_s=3.0, before_s=0.5)
    lines = list(Watch(tmp_path, Settings(), policy, memory_s=5.0).run(source))
    (told,) = (one.line.sentence for one in lines if one.line.event == "kept")
    assert told.endswith("Only its first 3 s are kept.")
    (name,) = journal.kept_names(tmp_path)
    assert open_recording(tmp_path / name).sample_count == pytest.approx(3 * rate, rel=0.01)


def test_everything_is_recorded_meanwhile_where_asked(quay: Path, tmp_path: Path) -> None:
    one = watching(tmp_path / "watch", record=tmp_path / "whole")
    with closing(RecordingSource(quay)) as source:
        list(one.run(source))
    whole = open_recording(tmp_path / "whole")
    assert whole.sample_count == int(PERIOD_S * RATE_HZ)
    assert sha512_of(tmp_path / "whole.sigmf-data") == sha512_of(quay.with_suffix(".sigmf-data"))


def test_the_recording_of_everything_goes_on_beside_the_first_after_a_loss(quay: Path, tmp_path: Path) -> None:
    class PulledOut(RecordingSource):
        def blocks(self) -> Iterator[IqBlock]:
            yield from itertools.islice(super().blocks(), 2)
            raise SourceLost("dongle X was lost")

    with_the_rest = [RecordingSource(quay)]
    one = watching(tmp_path / "watch", record=tmp_path / "whole", waits_s=(0.01,))
    with pytest.raises(IndexError):  # once it is back, and then there is no more
        list(one.run(PulledOut(quay), with_the_rest.pop))
    first, second = open_recording(tmp_path / "whole"), open_recording(tmp_path / "whole-2")
    assert 0 < first.sample_count < second.sample_count == int(PERIOD_S * RATE_HZ)
    assert first.facts.ended == "the source ended"


def test_a_disk_that_refuses_the_recording_of_everything_is_told(
    quay: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    append = sigmf.Writer.append

    def full(writer: sigmf.Writer, *words: Any, **more: Any) -> None:
        if writer.meta.name.startswith("whole") and writer.sample_count > RATE_HZ / 2:
            raise OSError(errno.ENOSPC, "No space left on device")
        append(writer, *words, **more)

    monkeypatch.setattr(sigmf.Writer, "append", full)
    with closing(RecordingSource(quay, speed=4)) as source:
        list(watching(tmp_path / "watch", record=tmp_path / "whole").run(source))
    (trouble,) = sentences(tmp_path / "watch", "trouble")
    assert trouble.startswith("The recording of everything is cut short, the disk refused (No space left on device)")
    assert open_recording(tmp_path / "whole").sample_count > RATE_HZ / 2
    assert len(kept(tmp_path / "watch")) > 0


def test_a_source_is_closed_whatever_happens(quay: Path, tmp_path: Path) -> None:
    closed: list[IqSource] = []

    class Noted(RecordingSource):
        def close(self) -> None:
            closed.append(self)
            super().close()

    one = watching(tmp_path).run(Noted(quay))
    next(one)
    next(one)
    one.close()  # type: ignore[attr-defined]
    assert closed
