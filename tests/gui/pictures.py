"""Makes the pictures of the window again, on a real X server: `python -m tests.gui.pictures [FOLDER]`.

Each is the X screen as it stood, with few colours so that it stays small. Ship, people and recordings are invented.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.conftest import REPOSITORY
from tests.gui.real_screen import screen

FOLDER = REPOSITORY / "gui" / "pictures"
CAPTURES = REPOSITORY / "captures"
LARGEST_BYTES = 150_000
COLOURS = 128


def scenes() -> dict[str, Callable[[], None]]:
    return {"keying-light.png": keying_light, "visit-dark.png": visit_dark, "hands-free.png": hands_free}


def keying_light() -> None:
    """A call with its readings, its sentences and its symbols."""
    window = _window(dark=False)
    _play(window, CAPTURES / "test-call-answered-CLOSED-CABLE-ONLY.sigmf-meta")
    window.choose(next(keying.number for keying in window.keyings))
    _rest(0.5)


def visit_dark() -> None:
    """A check of a visit beside the keying that it asks for."""
    window = _window(dark=True)
    _play(window, CAPTURES / "two-channels.sigmf-meta")
    window.choose(next(keying.number for keying in window.keyings if keying.label == "test call"))
    _visit(window, "vhf-1/ch70-call")


def hands_free() -> None:
    """What stands on the screen three metres away."""
    from sdrcheck.visits.hands_free import Announcement, Sound

    window = _window(dark=True)
    _visit(window, None)
    from sdrcheck_gui.handsfree import HandsFreeScreen

    plan = window.visit.case.plan
    checks = plan.spoken("vhf-1")
    page = HandsFreeScreen(checks, window._look, window.listening.speaker)
    page.resize(1366, 768)
    page.move(0, 0)
    page.show()
    page.run.state.filed[checks[0].id] = 0
    page._announce(Announcement(f"{checks[0].title}: filed.", "Thank you.", Sound.HEARD, checks[0], None, 0, 1.0))
    page._announce(Announcement(f"{checks[1].title}\n{checks[1].say}", checks[1].say, check=checks[1]))
    _rest(0.5)
    window.kept_alive = page


def _window(*, dark: bool):  # type: ignore[no-untyped-def]
    from sdrcheck_gui.application import application
    from sdrcheck_gui.window import Window

    application()
    window = Window(Path(tempfile.mkdtemp()))
    window._looked_ready = True
    window.move(0, 0)
    window.show()
    if dark:
        window.turn_dark()
    return window


def _rest(seconds: float) -> None:
    from sdrcheck_gui.qt import QtWidgets

    until = time.monotonic() + seconds
    while time.monotonic() < until:
        QtWidgets.QApplication.processEvents()
        time.sleep(0.01)


def _play(window, recording: Path) -> None:  # type: ignore[no-untyped-def]
    from sdrcheck.cli.options import Judging
    from sdrcheck.receiver.reference import FrequencyReference
    from sdrcheck.sources.source import Tuning

    settings = Judging(reference=FrequencyReference(0.4, 0.3, "a counter"), tone_source="electrical")
    window.open(os.path.relpath(recording, REPOSITORY), Tuning(), settings)
    until = time.monotonic() + 60
    while "ended" not in window.status.text() and time.monotonic() < until:
        _rest(0.1)
    _rest(1.0)


def _visit(window, check: str | None) -> None:  # type: ignore[no-untyped-def]
    os.chdir(tempfile.mkdtemp())
    shutil.copytree(CAPTURES / "visit", "invented-example")
    window.open_visit(Path("invented-example"))
    until = time.monotonic() + 20
    while window.visit.case is None and time.monotonic() < until:
        _rest(0.1)
    if check is not None:
        window.visit._wanted = check
        window.visit._show_plan(window.visit.case)
    _rest(1.0)


def _take(name: str, folder: Path) -> None:
    """In the process on the X server: set a scene and take its picture."""
    from PIL import Image

    from sdrcheck_gui.qt import QtGui

    scenes()[name]()
    whole = folder / f"whole-{name}"
    QtGui.QGuiApplication.primaryScreen().grabWindow(0).save(str(whole))
    with Image.open(whole) as picture:
        small = picture.convert("RGB").quantize(COLOURS, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
        small.save(folder / name, optimize=True)
    whole.unlink()
    os._exit(0)


def main(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name in scenes():
        with screen() as display, tempfile.TemporaryDirectory() as home:
            places = {"XDG_CONFIG_HOME": home, "XDG_DATA_HOME": home, "TMPDIR": home}
            environment = os.environ | {"DISPLAY": display, "QT_QPA_PLATFORM": "xcb"} | places
            command = [sys.executable, "-m", "tests.gui.pictures", "--take", name, str(folder)]
            subprocess.run(command, env=environment, cwd=REPOSITORY, check=True)
        size = (folder / name).stat().st_size
        print(f"{folder / name}: {size} bytes" + (", too large" if size > LARGEST_BYTES else ""))


if __name__ == "__main__":
    if sys.argv[1:2] == ["--take"]:
        _take(sys.argv[2], Path(sys.argv[3]))
    else:
        main(Path(sys.argv[1]) if sys.argv[1:] else FOLDER)
