"""What a report is made of: plain blocks that any renderer can show. Words and numbers come ready-made."""

from __future__ import annotations

import msgspec

from sdrcheck.evidence.pictures import Picture


class Ruler(msgspec.Struct, frozen=True, kw_only=True):
    """A reading against its limit as a small drawing: the span as a bar, the value as a tick, U as a whisker."""

    low: float | None
    high: float | None
    value: float
    uncertainty: float


class Cell(msgspec.Struct, frozen=True):
    """One cell of a table."""

    text: str = ""
    strong: bool = False
    whole: bool = False
    """It is not broken over lines."""
    ruler: Ruler | None = None


class Column(msgspec.Struct, frozen=True):
    """One column: its title, and its share of the width (0 takes what it needs)."""

    title: str
    share: float = 1.0
    right: bool = False


class Heading(msgspec.Struct, frozen=True, tag_field="block", tag="heading"):
    """A heading; level 1 begins a part of the report."""

    level: int
    text: str


class Paragraph(msgspec.Struct, frozen=True, tag_field="block", tag="paragraph"):
    """Running text."""

    text: str
    style: str = "normal"
    """normal, small, strong, label or caution."""


class Listing(msgspec.Struct, frozen=True, tag_field="block", tag="listing"):
    """Points, numbered or not, each perhaps with a lead in bold."""

    items: tuple[str, ...]
    leads: tuple[str, ...] = ()
    """As many as items, or none."""
    numbered: bool = False
    small: bool = False


class Facts(msgspec.Struct, frozen=True, tag_field="block", tag="facts"):
    """Names and values, side by side in columns."""

    rows: tuple[tuple[str, str], ...]
    columns: int = 2


class Table(msgspec.Struct, frozen=True, tag_field="block", tag="table"):
    """A table whose heading is repeated on each page."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    small: bool = False


class Verbatim(msgspec.Struct, frozen=True, tag_field="block", tag="verbatim"):
    """Text as it came, in a fixed-width font, line for line."""

    lines: str


class SymbolCell(msgspec.Struct, frozen=True):
    """One symbol of a call, both copies; empty where a copy's own check failed."""

    first: str
    second: str
    accepted: str
    sound: bool
    combined: bool


class Symbols(msgspec.Struct, frozen=True, tag_field="block", tag="symbols"):
    """The symbol grid of a call."""

    cells: tuple[SymbolCell, ...]
    title: str = ""


class Pictures(msgspec.Struct, frozen=True, tag_field="block", tag="pictures"):
    """Pictures, two beside each other."""

    pictures: tuple[Picture, ...]


class Signatures(msgspec.Struct, frozen=True, tag_field="block", tag="signatures"):
    """Lines to sign on."""

    names: tuple[str, ...]


Block = Heading | Paragraph | Listing | Facts | Table | Verbatim | Symbols | Pictures | Signatures


class Section(msgspec.Struct, frozen=True):
    """A part of the report."""

    name: str
    blocks: tuple[Block, ...]
    new_page: bool = False


class Report(msgspec.Struct, frozen=True, kw_only=True):
    """A whole report, before it is rendered."""

    title: str
    subject: str
    running: str
    """What stands at the head of each page."""
    foot: str
    author: str
    date: str
    invented: bool
    sections: tuple[Section, ...]
