"""The window under test: offscreen, its own settings, and whole sentences where Qt is missing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("PySide6.QtWidgets", reason="the window needs PySide6-Essentials and Qt's system libraries")
pytest.importorskip("pyqtgraph", reason="the window needs pyqtgraph")

from sdrcheck_gui.application import application
from sdrcheck_gui.window import Window


@pytest.fixture(scope="session")
def qapp() -> object:
    return application()


@pytest.fixture
def window(qtbot: object, tmp_path: Path) -> Iterator[Window]:
    made = Window(tmp_path / "kept")
    qtbot.addWidget(made)  # type: ignore[attr-defined]
    made.show()
    yield made
    made.stop()
