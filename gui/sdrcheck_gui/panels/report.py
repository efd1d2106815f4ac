"""The report, written and looked at: its pages as pictures, its file in the system's own viewer."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from sdrcheck_gui import visit_work
from sdrcheck_gui.jobs import Job, Jobs
from sdrcheck_gui.panels.text import Words, give_room
from sdrcheck_gui.qt import QtCore, QtGui, QtWidgets

if TYPE_CHECKING:
    from sdrcheck.evidence.case import CheckCase


class ReportPage(QtWidgets.QDialog):
    """Writes the report of the visit, or of the chosen check's fault, and shows every page."""

    def __init__(self, parent: QtWidgets.QWidget, path: Path, one: CheckCase | None, jobs: Jobs) -> None:
        from sdrcheck.evidence.renderers.typst import PAPERS

        super().__init__(parent)
        self.setAttribute(QtCore.Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setWindowTitle("Report")
        self._path, self._one, self._jobs = path, one, jobs
        self._job: Job | None = None
        self._sheets: list[_Sheet] = []
        self.written: Path | None = None
        self.what = QtWidgets.QComboBox()
        self.what.addItem("the whole visit", None)
        if one is not None and one.state.begun:
            self.what.addItem(f"fault report: {one.check.title}", one.check.id)
        self.paper = QtWidgets.QComboBox()
        self.paper.addItems(list(PAPERS))
        self.others = QtWidgets.QCheckBox("show o&ther stations")
        self.others.setToolTip("Do not mask other stations' identities and positions: only where it is needed")
        self.what.setAccessibleName("what to report")
        self.paper.setAccessibleName("paper")
        again = QtWidgets.QPushButton("&Write")
        again.clicked.connect(self.write)
        self.view_button = QtWidgets.QPushButton("&Open the file")
        self.view_button.setToolTip("Open the PDF in the system's own viewer")
        self.view_button.clicked.connect(
            lambda: QtGui.QDesktopServices.openUrl(QtCore.QUrl.fromLocalFile(str(self.written)))
        )
        self.view_button.setEnabled(False)
        self.said = Words()
        self._pages = QtWidgets.QWidget()
        self._column = QtWidgets.QVBoxLayout(self._pages)
        self.paper_roll = QtWidgets.QScrollArea()
        self.paper_roll.setWidget(self._pages)
        self.paper_roll.setWidgetResizable(True)
        self.paper_roll.setAccessibleName("pages of the report")
        close = QtWidgets.QPushButton("Close")
        close.clicked.connect(self.close)
        top = QtWidgets.QHBoxLayout()
        for widget in (self.what, self.paper, self.others, again, self.view_button, close):
            top.addWidget(widget)
        column = QtWidgets.QVBoxLayout(self)
        column.addLayout(top)
        column.addWidget(self.said)
        column.addWidget(self.paper_roll, 1)
        give_room(self, 130, 60)

    def write(self) -> None:
        """Write the report anew and show it."""
        path, paper, check_id = self._path, self.paper.currentText(), self.what.currentData()
        masked = not self.others.isChecked()
        self.said.say("Writing the report …")
        self._job = self._jobs.start(
            "Writing the report",
            lambda job: visit_work.write_report(job, path, paper, masked, check_id),
            self._show_written,
            self._fail,
        )

    @property
    def pages(self) -> int:
        """How many pages are shown."""
        return len(self._sheets)

    def _show_written(self, written: visit_work.Written) -> None:
        if not _alive(self):
            return
        self.written = written.path
        self.said.say(f"{written.path}, {len(written.pages)} pages. It certifies nothing; you sign for it.")
        self.view_button.setEnabled(True)
        while (item := self._column.takeAt(0)) is not None:
            if (widget := item.widget()) is not None:
                widget.deleteLater()
        self._sheets = []
        for number, page in enumerate(written.pages, 1):
            sheet = _Sheet(page, f"page {number} of {len(written.pages)}")
            self._sheets.append(sheet)
            self._column.addWidget(sheet)

    def _fail(self, sentence: str) -> None:
        if _alive(self):
            self.said.say(f"⚠ {sentence}")


class _Sheet(QtWidgets.QWidget):
    """One page, as wide as its place and no wider than it was made."""

    def __init__(self, page: bytes, name: str) -> None:
        super().__init__()
        self._picture = QtGui.QPixmap()
        self._picture.loadFromData(page, "PNG")
        self.setAccessibleName(name)
        policy = QtWidgets.QSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Preferred)
        policy.setHeightForWidth(True)
        self.setSizePolicy(policy)

    def heightForWidth(self, width: int) -> int:
        return round(min(width, self._picture.width()) * self._picture.height() / max(self._picture.width(), 1))

    def sizeHint(self) -> QtCore.QSize:
        return self._picture.size()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        painter = QtGui.QPainter(self)
        painter.setRenderHint(QtGui.QPainter.RenderHint.SmoothPixmapTransform)
        width = min(self.width(), self._picture.width())
        painter.drawPixmap((self.width() - width) // 2, 0, width, self.heightForWidth(width), self._picture)


def _alive(widget: QtWidgets.QWidget) -> bool:
    """The user may have closed it meanwhile."""
    import shiboken6

    return shiboken6.isValid(widget)
