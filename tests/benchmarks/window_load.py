"""What the window costs, live: frames drawn, share of a core, memory, and how soon a call stands on the screen.

    python -m tests.benchmarks.window_load [--minutes 5] [--rate 2.4e6]

A recording with a test call on channel 70 and a tone on 72 every six seconds is served at real rate over loopback by a
process of its own. Band, tape and listening on channel 72 run at 1366×768, drawn offscreen; the sound goes nowhere.
Prints how long a fresh process takes to its first picture, a line a minute, and a summary.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import re
import resource
import subprocess
import sys
import tempfile
import time
from bisect import bisect_left
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np

from sdrcheck.bench import SourceFault, SpectrumFrame, TransmissionEnded
from sdrcheck.cli.options import Judging
from sdrcheck.sources.intake import Intake
from sdrcheck.sources.source import Tuning
from sdrcheck.watching.demodulation import Sound

STARTS = 5


class Nowhere:
    """A loudspeaker that nobody hears."""

    speed = 1.0

    def __init__(self, device: str | None = None, level: float = 0.5) -> None:
        self.level = level

    def play(self, sound: Sound) -> None:
        """Let it go."""

    def close(self) -> None:
        """Nothing to let go of."""


class Arrivals:
    """When each sample came in from the network, beside the engine's own counting."""

    def __init__(self) -> None:
        self.ends: list[int] = []
        self.times: list[float] = []
        put = Intake.put

        def noted(intake: Intake, data: bytes, **more: object) -> None:
            put(intake, data, **more)  # type: ignore[arg-type]
            self.ends.append(intake._next_sample)
            self.times.append(time.monotonic())

        Intake.put = noted  # type: ignore[method-assign, assignment]

    def at(self, sample: float) -> float:
        return self.times[min(bisect_left(self.ends, sample), len(self.times) - 1)]


def resident_mb() -> float:
    """Memory of this process that lies in RAM, in MB."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def watch(port: str, centre_hz: float, minutes: float, rate_hz: float) -> None:
    from sdrcheck_gui.application import application
    from sdrcheck_gui.qt import QtCore
    from sdrcheck_gui.window import Window

    qt = application()
    arrivals = Arrivals()
    window = Window(Path(tempfile.mkdtemp()), opener=Nowhere)  # type: ignore[arg-type]
    window._looked_ready = True
    paints: list[float] = []
    frames: list[float] = []
    delays: list[float] = []
    lost = 0
    known: set[int] = set()

    class Eye(QtCore.QObject):
        def eventFilter(self, watched: QtCore.QObject, event: QtCore.QEvent) -> bool:
            if event.type() == QtCore.QEvent.Type.Paint:
                if watched is window.tape.lanes:
                    look_for_calls()
                else:
                    paints.append(time.monotonic())
            return False

    def look_for_calls() -> None:
        for keying in list(window.keyings):
            if keying.transmission is None or not keying.transmission.calls or keying.number in known:
                continue
            if window.chosen is not keying or "Test call" not in window.decode.words.toPlainText():
                continue
            known.add(keying.number)
            call_end_s = keying.transmission.start_s + keying.transmission.duration_s
            delays.append(time.monotonic() - arrivals.at(call_end_s * rate_hz))

    take = window._take

    def taken(event: object) -> None:
        nonlocal lost
        if isinstance(event, SourceFault):
            lost += event.lost_samples
        take(event)
        if isinstance(event, TransmissionEnded) and event.transmission.calls:
            window.choose(event.number)

    window._take = taken  # type: ignore[method-assign]
    shown = window.band.show_frames

    def counted(some: list[SpectrumFrame]) -> None:
        frames.append(time.monotonic())
        shown(some)

    window.band.show_frames = counted  # type: ignore[method-assign]
    eye = Eye()
    window.band._graphics.viewport().installEventFilter(eye)
    window.tape.lanes.installEventFilter(eye)
    window.resize(1366, 768)
    window.show()
    window.listen.on.click()
    window.open(f"net:127.0.0.1:{port}", Tuning(centre_hz, rate_hz), Judging())
    print("minute   frames/s   core   lost samples   memory MB   calls   call on screen after, median and most s")
    marks = {"time": time.monotonic(), "used": time.process_time(), "began": time.monotonic()}
    rows: list[tuple[float, float, float, list[float]]] = []

    def minute() -> None:
        now, used = time.monotonic(), time.process_time()
        if window.listen.which.currentIndex() == 0:  # from the first minute on: a fixed channel to hear
            window.listen.which.setCurrentIndex(window.listen.which.findText("72"))
            window.listen._tune()
        seconds = now - marks["time"]
        drawn = sum(moment >= marks["time"] for moment in paints) / seconds
        core = (used - marks["used"]) / seconds
        said = f"{np.median(delays):.2f}  {max(delays):.2f}" if delays else "none"
        memory = resident_mb()
        print(
            f"{(now - marks['began']) / 60:6.1f}   {drawn:8.1f}   {core:4.0%}   {lost:12}   {memory:9.0f}   "
            f"{len(delays):5}   {said}",
            flush=True,
        )
        rows.append((drawn, core, memory, list(delays)))
        marks["time"], marks["used"] = now, used
        paints.clear()
        delays.clear()
        if now - marks["began"] >= minutes * 60:
            qt.quit()

    timer = QtCore.QTimer()
    timer.timeout.connect(minute)
    QtCore.QTimer.singleShot(2000, minute)  # the first line ends what belongs to the start
    timer.start(round(min(60.0, minutes * 60) * 1000))
    qt.exec()
    window.close()
    summary(rows[1:])


def summary(rows: list[tuple[float, float, float, list[float]]]) -> None:
    delays = [delay for row in rows for delay in row[3]]
    filled = [row[2] for row in rows[2:]] or [rows[-1][2]]  # the rolling memory is full after two minutes
    print(f"frames a second, least of a minute     {min(row[0] for row in rows):8.1f}   wanted 25")
    print(f"share of a core, most of a minute      {max(row[1] for row in rows):8.0%}   wanted below 90 %")
    print(f"memory once the last minutes are full  {filled[0]:8.0f} to {filled[-1]:.0f} MB")
    if delays:
        print(f"a call on the screen after, median     {np.median(delays):8.2f} s")
        print(f"                            95 of 100  {np.percentile(delays, 95):8.2f} s   wanted 0.5")


def first_picture(source: Path | None) -> tuple[float, float]:
    """Start a fresh process; gives the time to its first picture and the processor time it took, in seconds."""
    began, used = time.time(), _children_cpu_s()
    command = [sys.executable, "-m", "tests.benchmarks.window_load", "--picture", repr(began)]
    ended = subprocess.run(command + ([str(source)] if source else []), capture_output=True, text=True, check=True)
    return float(ended.stdout.split()[-1]), _children_cpu_s() - used


def _children_cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def share_of_a_core() -> float:
    """What part of a core this computer gives to a loop that wants a whole one: 1 where nobody else is at work."""
    began, used = time.monotonic(), time.process_time()
    while time.process_time() - used < 1.0:
        sum(range(10_000))
    return 1.0 / (time.monotonic() - began)


def show_picture(began: float, source: str | None) -> None:
    """In a fresh process: open the window and say how long it took until it could be used."""
    from sdrcheck_gui.application import application
    from sdrcheck_gui.qt import QtWidgets
    from sdrcheck_gui.window import Window

    out = os.dup(1)  # sound drivers are kept from writing to standard output while they are looked at
    qt = application()
    window = Window(Path(tempfile.mkdtemp()))
    if source is not None:
        window.open(source, Tuning(), Judging())
    window.show()
    while (source is not None and window.band._latest is None) or not window.isVisible():
        QtWidgets.QApplication.processEvents()
        time.sleep(0.001)
    window.grab()
    os.write(out, f"{time.time() - began}\n".encode())
    del qt
    os._exit(0)


def main(minutes: float, rate_hz: float, folder: Path) -> None:
    from tests.benchmarks import live_load  # not at the top: what it imports is no part of a start

    # in a process of its own, as its memory is not ours
    maker = multiprocessing.get_context("spawn").Process(target=live_load.make, args=(folder / "quay", rate_hz))
    maker.start()
    maker.join()
    print(f"this computer gives a busy loop {share_of_a_core():.0%} of a core; far below 100 %, times say little")
    for what, source in (("start page", None), ("band with a recording", folder / "quay.sigmf-meta")):
        times = np.array([first_picture(source) for _ in range(STARTS)])
        clock, cpu = np.median(times, axis=0)
        print(f"from nothing to the {what}: median {clock:.2f} s ({cpu:.2f} s of processor time); wanted 2")
    command = [sys.executable, "-m", "sdrcheck", "serve", str(folder / "quay"), "--port", "0"]
    server = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    try:
        assert server.stderr is not None
        said = server.stderr.readline()
        port = re.search(r"port (\d+)", said)
        assert port, said
        watch(port[1], live_load.CENTRE_HZ, minutes, rate_hz)
    finally:
        server.kill()


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=5)
    parser.add_argument("--rate", type=float, default=2.4e6)
    parser.add_argument("--picture", type=float)
    parser.add_argument("source", nargs="?")
    given = parser.parse_args()
    if given.picture is not None:
        show_picture(given.picture, given.source)
    else:
        with tempfile.TemporaryDirectory() as name:
            main(given.minutes, given.rate, Path(name))
