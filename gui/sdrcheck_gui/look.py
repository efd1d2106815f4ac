"""Colours and pens for light and dark, drawn from the Okabe–Ito set, which colour-blind people can tell apart.

Colour never carries a meaning alone: every verdict stands there in words too, and proven ones are drawn solid.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sdrcheck_gui.qt import QtCore, QtGui, pg

_OUT_OF_PAPER = 40
"""So many of 256 steps lead from the paper into the scale of strengths."""
_BLUE, _SKY, _ORANGE, _VERMILION, _PURPLE = "#0072B2", "#56B4E9", "#E69F00", "#D55E00", "#CC79A7"

_ON_LIGHT = {"pass": _BLUE, "pass, not proven": _BLUE, "fail, not proven": "#8F5E00", "fail": "#B84A00"}
_ON_DARK = {"pass": _SKY, "pass, not proven": _SKY, "fail, not proven": _ORANGE, "fail": "#F0722A"}


@dataclass(frozen=True, slots=True)
class Look:
    """One scheme of colours."""

    dark: bool
    paper: str
    ink: str
    faint: str
    panel: str
    limit: str
    accent: str
    warning: str

    def verdict_colour(self, verdict: str | None) -> QtGui.QColor:
        """The colour that goes with a verdict's words."""
        names = {
            "pass": _SKY if self.dark else _BLUE,
            "pass, not proven": _SKY if self.dark else _BLUE,
            "fail, not proven": _ORANGE,
            "fail": _VERMILION,
        }
        return QtGui.QColor(names.get(verdict or "", self.ink))

    def verdict_ink(self, verdict: str | None) -> QtGui.QColor:
        """The same for words: the hues of the set, dark or light enough to be read."""
        return QtGui.QColor((_ON_DARK if self.dark else _ON_LIGHT).get(verdict or "", self.ink))

    @property
    def strength(self) -> pg.ColorMap:
        """Signal strength: perceptually uniform, out of the paper and strong like ink."""
        table = pg.colormap.get("CET-L16" if self.dark else "CET-L17").getLookupTable(nPts=256, alpha=False)
        paper = QtGui.QColor(self.paper)
        share = np.clip(np.arange(256) / _OUT_OF_PAPER, 0, 1)[:, None]
        mixed = (1 - share) * (paper.red(), paper.green(), paper.blue()) + share * table
        return pg.ColorMap(None, mixed.round().astype(np.uint8))


LIGHT = Look(
    dark=False,
    paper="#FFFFFF",
    ink="#1A1A1A",
    faint="#666666",
    panel="#F4F4F2",
    limit="#C9DDEB",
    accent="#A8437F",
    warning="#B84A00",
)
DARK = Look(
    dark=True,
    paper="#14171A",
    ink="#ECECEC",
    faint="#9A9FA5",
    panel="#1D2125",
    limit="#2B4A5F",
    accent=_PURPLE,
    warning=_ORANGE,
)


def current() -> Look:
    """The look that the system asks for, by its word or by its palette."""
    scheme = QtGui.QGuiApplication.styleHints().colorScheme()
    if scheme == QtCore.Qt.ColorScheme.Unknown:
        return DARK if QtGui.QGuiApplication.palette().window().color().lightness() < 128 else LIGHT
    return DARK if scheme == QtCore.Qt.ColorScheme.Dark else LIGHT


def palette(look: Look) -> QtGui.QPalette:
    """The colours of everything that Qt draws itself."""
    role = QtGui.QPalette.ColorRole
    made = QtGui.QPalette(QtGui.QColor(look.panel))
    for place, colour in (
        (role.Window, look.panel),
        (role.WindowText, look.ink),
        (role.Base, look.paper),
        (role.AlternateBase, look.panel),
        (role.Text, look.ink),
        (role.Button, look.panel),
        (role.ButtonText, look.ink),
        (role.ToolTipBase, look.paper),
        (role.ToolTipText, look.ink),
        (role.PlaceholderText, look.faint),
        (role.Highlight, _BLUE),
        (role.HighlightedText, "#FFFFFF"),
    ):
        made.setColor(place, QtGui.QColor(colour))
    for place in (role.WindowText, role.Text, role.ButtonText):
        made.setColor(QtGui.QPalette.ColorGroup.Disabled, place, QtGui.QColor(look.faint))
    return made
