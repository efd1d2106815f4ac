"""What takes longer: a line for each action that runs, how far it is, and a button that stops it."""

from __future__ import annotations

from sdrcheck_gui.jobs import Job, Jobs
from sdrcheck_gui.qt import QtCore, QtWidgets

_WORTH_SHOWING_S = 0.3


class _Line(QtWidgets.QWidget):
    def __init__(self, job: Job) -> None:
        super().__init__()
        self._job = job
        self._words = QtWidgets.QLabel()
        self._words.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self._words.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Preferred)
        self._bar = QtWidgets.QProgressBar()
        self._bar.setMaximumWidth(220)
        self._bar.setAccessibleName(f"progress of: {job.what}")
        self.stop = QtWidgets.QPushButton("Stop")
        self.stop.setToolTip(f"Stop: {job.what}; what is not finished is not filed")
        self.stop.clicked.connect(job.stop)
        row = QtWidgets.QHBoxLayout(self)
        row.setContentsMargins(6, 0, 6, 0)
        row.addWidget(self._words, 1)
        row.addWidget(self._bar)
        row.addWidget(self.stop)
        self.refresh()

    def refresh(self) -> None:
        job = self._job
        self._words.setText(f"{job.what}: {job.step} …" if job.step else f"{job.what} …")
        self._bar.setRange(0, 0 if job.part is None else 100)
        if job.part is not None:
            self._bar.setValue(round(100 * job.part))
        self.stop.setEnabled(not (job.stopping or job.held))
        self.stop.setText("Stopping …" if job.stopping else "Stop")


class DoingStrip(QtWidgets.QWidget):
    """Hidden while nothing takes long."""

    def __init__(self, jobs: Jobs) -> None:
        super().__init__()
        self._jobs = jobs
        self.lines: dict[Job, _Line] = {}
        self._column = QtWidgets.QVBoxLayout(self)
        self._column.setContentsMargins(0, 0, 0, 0)
        self._column.setSpacing(0)
        self.hide()

    def refresh(self) -> None:
        """Show what runs now."""
        running = self._jobs.running
        for job in [job for job in self.lines if job not in running]:
            line = self.lines.pop(job)
            line.hide()
            line.deleteLater()
        for job in running:
            if job.age_s < _WORTH_SHOWING_S:
                continue
            if job not in self.lines:
                self.lines[job] = _Line(job)
                self._column.addWidget(self.lines[job])
            self.lines[job].refresh()
        self.setVisible(bool(self.lines))
