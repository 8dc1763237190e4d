"""What a record is made of on paper: headings, sentences, tables, drawings. HTML and PDF set the same blocks."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from collector.report.drawing import Drawing

A4: Final = "a4"
LETTER: Final = "letter"
PAGES_MM: Final = {A4: (210.0, 297.0), LETTER: (215.9, 279.4)}
"""Width and height of the paper. [mm]"""

MARGIN_MM: Final = 18.0
COLUMN_MM: Final = 174.0
"""Width of what is set, the same on both papers. [mm]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading: level 2 for a chapter, 3 for a coat."""

    text: str
    level: int = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """Sentences; ``small`` for where a number comes from."""

    text: str
    small: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """A caution that nothing clears."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bullets:
    """Short points."""

    items: Sequence[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Names with what they are: two columns without a head."""

    rows: Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table; ``widths`` are parts of the column's width."""

    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    widths: Sequence[int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A drawing with its caption; ``alt`` says in words what it shows."""

    drawing: Drawing
    caption: str
    alt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A photo with its caption."""

    image: bytes
    caption: str


def printable(text: str) -> str:
    """A text without control characters, which neither HTML nor PDF can set; line breaks stay."""
    return "".join(
        letter for letter in text if letter == "\n" or unicodedata.category(letter) not in ("Cc", "Cs", "Cn")
    )


Block = Heading | Paragraph | Caution | Bullets | Facts | Table | Figure | Photo


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A record, ready to be set.

    Attributes
    ----------
    title, subtitle : str
    shop : str
        Whose record it is.
    foot : str
        At the bottom of each page.
    made : str
        When, in the shop's time.
    paper : str
        ``a4`` or ``letter``.
    blocks : sequence of Block
    """

    title: str
    subtitle: str
    shop: str
    foot: str
    made: str
    paper: str
    blocks: Sequence[Block]
