"""Starts Qt, shows the window, and ends cleanly in any state."""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Callable
from pathlib import Path

from sdrcheck.cli.options import Judging
from sdrcheck.sources.source import Tuning
from sdrcheck_gui.qt import QtCore, QtWidgets
from sdrcheck_gui.window import Window

_LOOK_MS = 100
_XCB_PACKAGES = "libxcb-cursor0 libxkbcommon-x11-0 libxcb-icccm4 libxcb-keysyms1 libxcb-shape0"


def application() -> QtWidgets.QApplication:
    """The one Qt application of this process."""
    running = QtWidgets.QApplication.instance()
    if isinstance(running, QtWidgets.QApplication):
        return running
    before = QtCore.qInstallMessageHandler(_say_why_not)
    started = QtWidgets.QApplication(sys.argv[:1])
    QtCore.qInstallMessageHandler(before)
    started.setApplicationName("sdrcheck")
    started.setStyle("Fusion")
    return started


def _say_why_not(kind: QtCore.QtMsgType, _: QtCore.QMessageLogContext, message: str) -> None:
    """End with one plain sentence where Qt finds no screen; by itself it would only abort."""
    if kind == QtCore.QtMsgType.QtFatalMsg:
        print(f"sdrcheck: {no_screen(dict(os.environ), missing_library())}", file=sys.stderr, flush=True)
        os._exit(1)


def no_screen(environment: dict[str, str], missing: str) -> str:
    """Why there is no window, and what to do about it."""
    instead = "without one, `sdrcheck inspect` and `sdrcheck watch` do the same in a terminal"
    wanted = environment.get("QT_QPA_PLATFORM")
    if wanted and wanted not in ("xcb", "wayland"):
        return f"Qt cannot draw on {wanted!r}, as QT_QPA_PLATFORM asks; unset it, and the window takes the screen"
    if missing:
        return f"the window needs a library of the system that is not there ({missing}); apt install {_XCB_PACKAGES}"
    shown = environment.get("WAYLAND_DISPLAY") or environment.get("DISPLAY")
    if shown:
        return f"the window cannot reach the screen {shown!r}; look at DISPLAY and WAYLAND_DISPLAY; {instead}"
    return f"the window needs a screen, and neither DISPLAY nor WAYLAND_DISPLAY names one; {instead}"


def missing_library() -> str:
    """The library that keeps Qt from an X screen; empty where none does."""
    plugins = QtCore.QLibraryInfo.path(QtCore.QLibraryInfo.LibraryPath.PluginsPath)
    try:
        ctypes.CDLL(str(Path(plugins) / "platforms" / "libqxcb.so"))
    except OSError as problem:
        return str(problem).partition(":")[0]
    return ""


def show(
    source: str | None,
    tuning: Tuning,
    judging: Judging,
    visit: Path | None,
    keep_in: Path,
    told_to_end: Callable[[], bool],
) -> int:
    """Show the window until it is closed, or somebody in the terminal wants it to end; returns the exit status."""
    qt = application()
    window = Window(keep_in)
    if source is not None:
        window.open(source, tuning, judging)  # before it is shown: the first picture is the band
    if visit is not None:
        window.open_visit(visit)
    window.show()
    looking = QtCore.QTimer()
    looking.timeout.connect(lambda: told_to_end() and qt.quit())
    looking.start(_LOOK_MS)
    status = qt.exec()
    window.stop()
    window.wait()
    return status
