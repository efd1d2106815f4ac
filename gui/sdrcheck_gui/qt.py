"""Qt and pyqtgraph, imported once and in the right order: pyqtgraph takes the binding that is already there."""

# isort: off
import PySide6.QtCore as QtCore
import PySide6.QtGui as QtGui
import PySide6.QtWidgets as QtWidgets
import pyqtgraph as pg

__all__ = ["QtCore", "QtGui", "QtWidgets", "pg"]
