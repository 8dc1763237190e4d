"""Sets a record as PDF: A4 or US letter, text as text, drawings as vectors, its font inside."""

from __future__ import annotations

import io
from datetime import datetime
from importlib import resources
from typing import Final

from fpdf import FPDF
from fpdf.enums import MethodReturnValue, TableBordersLayout, VAlign, XPos, YPos
from fpdf.fonts import FontFace

from collector.report.blocks import (
    COLUMN_MM,
    PAGES_MM,
    Block,
    Bullets,
    Caution,
    Document,
    Facts,
    Figure,
    Heading,
    Paragraph,
    Photo,
    Table,
    printable,
)
from collector.report.drawing import Area, Box, Drawing, Label, Line

FAMILY: Final = "Fira Sans"
FONT_PACKAGE: Final = "fontpkg_fira_sans"
FACES: Final = {"": "FiraSans-Regular.ttf", "B": "FiraSans-SemiBold.ttf", "I": "FiraSans-Italic.ttf"}
"""Under the SIL Open Font License, which lets a document carry them."""

INK: Final = (29, 39, 51)
FAINT: Final = (91, 102, 115)
RULE: Final = (201, 208, 216)
HEAD_FILL: Final = (238, 241, 244)
CAUTION_FILL: Final = (255, 241, 214)
CAUTION_EDGE: Final = (176, 98, 0)

TOP_MM, BOTTOM_MM = 18.0, 20.0
LINE: Final = 1.42
"""Line height over type size."""

PHOTO_MM: Final = 90.0
NEVER_ALONE_MM: Final = 34.0
"""Room a heading needs under it, or it goes to the next page."""


def write(document: Document, made_at: datetime) -> bytes:
    """The record as a PDF file.

    Parameters
    ----------
    document : Document
    made_at : datetime
        Aware; the file's date.
    """
    page = _Page(document)
    page.set_title(f"{document.title}: {document.subtitle}")
    page.set_author(document.shop)
    page.set_creator("tackfree")
    page.set_lang("en")
    page.set_creation_date(made_at)
    page.add_page()
    page.opening()
    for i, block in enumerate(document.blocks):
        page.set_block(block, document.blocks[i + 1] if i + 1 < len(document.blocks) else None)
    return bytes(page.output())


class _Page(FPDF):
    def __init__(self, document: Document) -> None:
        width, height = PAGES_MM[document.paper]
        super().__init__(orientation="portrait", unit="mm", format=(width, height))
        self.document = document
        side = (width - COLUMN_MM) / 2
        self.set_margins(side, TOP_MM, side)
        self.set_auto_page_break(True, BOTTOM_MM)
        self.c_margin = 0.0
        files = resources.files(FONT_PACKAGE) / "files"
        for style, name in FACES.items():
            with resources.as_file(files / name) as path:
                self.add_font(FAMILY, style, path)
        self.set_font(FAMILY, size=9.5)

    # Called by fpdf2 on every page.
    def header(self) -> None:
        if self.page_no() == 1:
            return
        self.type(8, FAINT)
        self.set_y(9.0)
        self.cell(COLUMN_MM / 2, 4, self.document.subtitle, align="L")
        self.cell(COLUMN_MM / 2, 4, self.document.shop, align="R")
        self.set_y(TOP_MM)

    def footer(self) -> None:
        self.set_draw_color(*RULE)
        self.set_line_width(0.2)
        self.set_y(-14.0)
        self.line(self.l_margin, self.y, self.l_margin + COLUMN_MM, self.y)
        self.type(7.5, FAINT)
        self.set_y(-12.5)
        self.cell(COLUMN_MM - 30, 4, self.document.foot, align="L")
        self.cell(30, 4, f"Page {self.page_no()} of {{nb}}", align="R")

    def opening(self) -> None:
        """Shop, title and what piece it is of."""
        document = self.document
        self.type(9, FAINT)
        self.cell(COLUMN_MM / 2, 5, document.shop, align="L")
        self.cell(COLUMN_MM / 2, 5, document.made, align="R", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.ln(3)
        self.type(11, FAINT)
        self.cell(COLUMN_MM, 6, document.title, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.type(21, INK, "B")
        self.multi_cell(COLUMN_MM, 9.5, document.subtitle, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.ln(1.5)
        self.set_draw_color(*INK)
        self.set_line_width(0.5)
        self.line(self.l_margin, self.y, self.l_margin + COLUMN_MM, self.y)
        self.ln(4)

    def normalize_text(self, text: str) -> str:
        """Called by fpdf2 on every text it sets."""
        return super().normalize_text(printable(text))

    def set_block(self, block: Block, following: Block | None) -> None:
        """One block, with its space after it."""
        if isinstance(block, Heading):
            self.heading(block, following)
        elif isinstance(block, Paragraph):
            self.text_block(block.text, 8.2 if block.small else 9.5, FAINT if block.small else INK)
            self.ln(2.2)
        elif isinstance(block, Caution):
            self.caution(block.text)
        elif isinstance(block, Bullets):
            for item in block.items:
                self.bullet(item)
            self.ln(1.2)
        elif isinstance(block, Facts):
            self.facts(block)
        elif isinstance(block, Table):
            self.grid(block)
        elif isinstance(block, Figure):
            self.figure(block)
        else:
            self.photo(block)

    def heading(self, block: Heading, following: Block | None) -> None:
        size = 13.0 if block.level == 2 else 10.5
        need = NEVER_ALONE_MM
        if isinstance(following, Figure):
            need = following.drawing.height + 26.0
        elif isinstance(following, Photo):
            need = PHOTO_MM + 26.0
        if self.will_page_break(need):
            self.add_page()
        else:
            self.ln(3.5 if block.level == 2 else 2.0)
        self.type(size, INK, "B")
        self.multi_cell(COLUMN_MM, size * 0.46, block.text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.ln(1.6)

    def text_block(self, text: str, size: float, colour: tuple[int, int, int]) -> None:
        self.type(size, colour)
        self.multi_cell(COLUMN_MM, _line_mm(size), text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def lines(self, width: float, step: float, text: str) -> int:
        """Lines a text takes in the type that is set."""
        found = self.multi_cell(width, step, text, dry_run=True, output=MethodReturnValue.LINES)
        assert isinstance(found, list)
        return len(found)

    def bullet(self, item: str) -> None:
        self.type(9.5, INK)
        step = _line_mm(9.5)
        if self.will_page_break(step * self.lines(COLUMN_MM - 5, step, item)):
            self.add_page()
        self.cell(5, step, "•")
        self.multi_cell(COLUMN_MM - 5, step, item, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.ln(0.7)

    def caution(self, text: str) -> None:
        self.type(9.5, INK, "B")
        step = _line_mm(9.5)
        high = step * self.lines(COLUMN_MM - 10, step, text) + 5.0
        if self.will_page_break(high):
            self.add_page()
        self.set_fill_color(*CAUTION_FILL)
        self.rect(self.l_margin, self.y, COLUMN_MM, high, style="F")
        self.set_fill_color(*CAUTION_EDGE)
        self.rect(self.l_margin, self.y, 1.6, high, style="F")
        top = self.y
        self.set_xy(self.l_margin + 6, top + 2.5)
        self.multi_cell(COLUMN_MM - 10, step, text, align="L")
        self.set_xy(self.l_margin, top + high)
        self.ln(3)

    def facts(self, block: Facts) -> None:
        self.type(9, INK)
        self.set_fill_color(255)
        with self.table(
            width=COLUMN_MM,
            col_widths=(30, 70),
            align="LEFT",
            text_align="LEFT",
            v_align=VAlign.T,
            borders_layout=TableBordersLayout.NONE,
            first_row_as_headings=False,
            line_height=_line_mm(9),
            padding=(0.35, 2, 0.35, 0),
        ) as table:
            for name, value in block.rows:
                row = table.row()
                row.cell(name, style=FontFace(color=FAINT))
                row.cell(value)
        self.ln(2.5)

    def grid(self, block: Table) -> None:
        self.type(8.4, INK)
        self.set_draw_color(*RULE)
        self.set_fill_color(255)  # cells are filled with whatever was left behind
        self.set_line_width(0.2)
        with self.table(
            width=COLUMN_MM,
            col_widths=tuple(block.widths),
            align="LEFT",
            text_align="LEFT",
            v_align=VAlign.T,
            borders_layout=TableBordersLayout.HORIZONTAL_LINES,
            headings_style=FontFace(emphasis="BOLD", color=INK, fill_color=HEAD_FILL),
            line_height=_line_mm(8.4),
            padding=(0.9, 1.6, 0.9, 1.2),
        ) as table:
            for cells in (block.head, *block.rows):
                row = table.row()
                for cell in cells:
                    row.cell(cell)
        self.ln(3)

    def figure(self, block: Figure) -> None:
        self.type(8.2, FAINT)
        step = _line_mm(8.2)
        lines = self.lines(COLUMN_MM, step, block.caption) if block.caption else 0
        if self.will_page_break(block.drawing.height + 1 + step * lines):
            self.add_page()
        self.draw(block.drawing, self.l_margin, self.y)
        self.set_xy(self.l_margin, self.y + block.drawing.height + 1)
        if block.caption:
            self.text_block(block.caption, 8.2, FAINT)
        self.ln(2.5)

    def photo(self, block: Photo) -> None:
        if self.will_page_break(PHOTO_MM + 8):
            self.add_page()
        top = self.y
        self.image(io.BytesIO(block.image), x=self.l_margin, y=top, w=COLUMN_MM, h=PHOTO_MM, keep_aspect_ratio=True,
                   alt_text=block.caption)  # fmt: skip
        self.set_xy(self.l_margin, top + PHOTO_MM + 1)
        self.text_block(block.caption, 8.2, FAINT)
        self.ln(2.5)

    def draw(self, drawing: Drawing, left: float, top: float) -> None:
        """A drawing's shapes, its corner at a place on the page. [mm]"""
        # Labels sit at the foot of a page without turning it.
        self.set_auto_page_break(False)
        for shape in drawing.shapes:
            if isinstance(shape, Box):
                self._box(shape, left, top)
            elif isinstance(shape, Line):
                self._pen(shape.stroke, shape.line_mm, shape.dash)
                self.polyline([(left + x, top + y) for x, y in shape.points])
            elif isinstance(shape, Area):
                self.set_fill_color(*_rgb(shape.fill))
                self.polygon([(left + x, top + y) for x, y in shape.points], style="F")
            else:
                self._label(shape, left, top)
        self.set_dash_pattern()
        self.set_auto_page_break(True, BOTTOM_MM)
        self.set_xy(left, top)

    def _box(self, shape: Box, left: float, top: float) -> None:
        style = ("D" if shape.stroke else "") + ("F" if shape.fill else "")
        if not style:
            return
        if shape.stroke:
            self._pen(shape.stroke, shape.line_mm, shape.dash)
        if shape.fill:
            self.set_fill_color(*_rgb(shape.fill))
        self.rect(left + shape.x, top + shape.y, shape.width, shape.height, style=style)

    def _label(self, shape: Label, left: float, top: float) -> None:
        self.type(shape.size_pt, _rgb(shape.colour), "B" if shape.bold else "")
        wide = self.get_string_width(shape.text)
        back = {"start": 0.0, "middle": wide / 2, "end": wide}[shape.anchor]
        self.text(left + shape.x - back, top + shape.y, shape.text)

    def _pen(self, colour: str, line_mm: float, dash: tuple[float, float] | None) -> None:
        self.set_draw_color(*_rgb(colour))
        self.set_line_width(line_mm)
        if dash is None:
            self.set_dash_pattern()
        else:
            self.set_dash_pattern(dash[0], dash[1])

    def type(self, size: float, colour: tuple[int, int, int], style: str = "") -> None:
        """Sets size [pt], colour and weight of the letters that follow."""
        self.set_font(FAMILY, style, size)
        self.set_text_color(*colour)


def _line_mm(size_pt: float) -> float:
    return size_pt * LINE * 25.4 / 72.0


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)
