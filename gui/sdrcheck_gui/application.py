"""Starts Qt, shows the window, and ends cleanly in any state."""

from __future__ import annotations

import signal
import sys
from pathlib import Path

from sdrcheck.bench import Settings
from sdrcheck.sources.source import Tuning
from sdrcheck_gui.qt import QtCore, QtWidgets
from sdrcheck_gui.window import Window


def application() -> QtWidgets.QApplication:
    """The one Qt application of this process."""
    running = QtWidgets.QApplication.instance()
    if isinstance(running, QtWidgets.QApplication):
        return running
    started = QtWidgets.QApplication(sys.argv[:1])
    started.setApplicationName("sdrcheck")
    started.setStyle("Fusion")
    return started


def show(source: str | None, tuning: Tuning, settings: Settings, visit: Path | None, keep_in: Path) -> int:
    """Show the window until it is closed; returns the exit status."""
    qt = application()
    window = Window(keep_in)
    window.show()
    if visit is not None:
        window.open_visit(visit)
    if source is not None:
        QtCore.QTimer.singleShot(0, lambda: window.open(source, tuning, settings))
    signal.signal(signal.SIGINT, lambda *_: qt.quit())  # Ctrl-C in the terminal; the timer lets Python see it
    status = qt.exec()
    window.stop()
    return status
