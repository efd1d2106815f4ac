"""An X server of our own with the window on it, worked with real mouse and key events.

`screen` starts Xvfb, `shown` the window in a process of its own; that process writes where its parts lie on the screen
into a file, so that a test knows where to click. Run as a script it is that process.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

SIZE = (1366, 768)
NEEDED = {"Xvfb": "xvfb", "xdotool": "xdotool"}
PATIENCE_S = 40.0


@contextmanager
def screen(size: tuple[int, int] = SIZE) -> Iterator[str]:
    """Run an X server without a screen; gives its DISPLAY. Skips the test where programs are missing, naming them."""
    missing = [package for program, package in NEEDED.items() if shutil.which(program) is None]
    if missing:
        pytest.skip(f"a real X server needs: apt install {' '.join(missing)}")
    reading, writing = os.pipe()
    command = ["Xvfb", "-displayfd", str(writing), "-screen", "0", f"{size[0]}x{size[1]}x24", "-nolisten", "tcp"]
    server = subprocess.Popen(command, pass_fds=[writing], stderr=subprocess.DEVNULL)
    os.close(writing)
    try:
        number = os.read(reading, 16).decode().strip()
        if not number:
            pytest.skip("Xvfb does not start here")
        yield f":{number}"
    finally:
        os.close(reading)
        server.terminate()
        server.wait()


@dataclass
class Shown:
    """The window on the X server, seen and worked from outside."""

    display: str
    process: subprocess.Popen[bytes]
    file: Path

    def state(self) -> dict[str, Any]:
        """What the window last said of itself."""
        try:
            return dict(json.loads(self.file.read_text()))
        except (OSError, json.JSONDecodeError):
            return {}

    def until(self, ready: Callable[[dict[str, Any]], object]) -> dict[str, Any]:
        """Wait until the window's state is as wanted; gives that state."""
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            now = self.state()
            if now and ready(now):
                return now
            assert self.process.poll() is None, "the window is gone"
            time.sleep(0.05)
        raise AssertionError(f"it never came to that; the last state was {self.state()}")

    def do(self, *words: str | int) -> None:
        """Let xdotool do something."""
        environment = os.environ | {"DISPLAY": self.display}
        subprocess.run(["xdotool", *map(str, words)], env=environment, check=True, capture_output=True)

    def click(self, place: Sequence[int]) -> None:
        self.do("mousemove", *place, "click", 1)

    def key(self, *names: str) -> None:
        for name in names:
            self.do("key", name)

    def picture(self, name: str) -> Path:
        """Take a picture of the whole X screen, as the server has it."""
        path = self.file.parent / name
        (self.file.parent / "wanted").write_text(name)
        deadline = time.monotonic() + PATIENCE_S
        while not path.exists() and time.monotonic() < deadline:
            time.sleep(0.05)
        return path


@contextmanager
def shown(display: str, folder: Path, *arguments: str) -> Iterator[Shown]:
    """Run the window there, with settings of its own."""
    file = folder / "state.json"
    environment = os.environ | {
        "DISPLAY": display,
        "QT_QPA_PLATFORM": "xcb",
        "XDG_CONFIG_HOME": str(folder / "config"),
        "XDG_DATA_HOME": str(folder / "data"),
    }
    command = [sys.executable, "-m", "tests.gui.real_screen", str(file), "--keep-in", str(folder / "kept"), *arguments]
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
    found = Shown(display, process, file)
    try:
        found.until(lambda state: state["visible"])
        found.do("search", "--sync", "--onlyvisible", "--name", "^sdrcheck$", "windowfocus")
        yield found
    finally:
        if process.poll() is None:
            process.terminate()
        process.wait(20)


def _tell(window: Any, file: Path, pictures: Path) -> None:
    """Write down where the parts are and what they say; take a picture of the screen where one is wanted."""
    from sdrcheck_gui.qt import QtGui, QtWidgets

    def middle(widget: Any, place: Any = None) -> list[int]:
        point = widget.mapToGlobal(widget.rect().center() if place is None else place)
        return [point.x(), point.y()]

    lanes = window.tape.lanes
    band = window.band._graphics
    state = {
        "visible": window.isVisible(),
        "status": window.status.text(),
        "sheet": "start" if window.sheets.currentWidget() is window.start else "work",
        "blocks": {k.label: middle(lanes, lanes.block_of(k).center().toPoint()) for k in window.keyings},
        "chosen": window.chosen.label if window.chosen else None,
        "marked": [k.label for k in window.keyings if k.marked],
        "heading": window.rulers.heading.text(),
        "words": window.decode.words.toPlainText(),
        "hover": window.band.below_pointer.text(),
        "following": window.band.following,
        "time": window.band.plot.viewRange()[0],
        "band": middle(band),
        "power": window.start.power.text(),
        "power_at": middle(window.start.power),
        "dialogs": [one.windowTitle() for one in window.findChildren(QtWidgets.QDialog) if one.isVisible()],
        "points": window.font().pointSizeF(),
    }
    part = file.with_suffix(".part")
    part.write_text(json.dumps(state))
    part.replace(file)
    wanted = pictures / "wanted"
    if wanted.exists():
        name = wanted.read_text()
        wanted.unlink()
        QtGui.QGuiApplication.primaryScreen().grabWindow(0).save(str(pictures / f"part-{name}"))
        (pictures / f"part-{name}").replace(pictures / name)


def _run() -> None:
    from sdrcheck.cli.main import main
    from sdrcheck_gui import application
    from sdrcheck_gui.qt import QtCore
    from sdrcheck_gui.window import Window

    file = Path(sys.argv[1])

    class Watched(Window):
        def __init__(self, folder: Path) -> None:
            super().__init__(folder)
            self._telling = QtCore.QTimer(self)
            self._telling.timeout.connect(lambda: _tell(self, file, file.parent))
            self._telling.start(50)

    application.Window = Watched  # type: ignore[misc]
    main(["window", *sys.argv[2:]])


if __name__ == "__main__":
    _run()
