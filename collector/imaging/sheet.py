"""The printable page of square markers, as a PDF drawn to scale."""

from __future__ import annotations

from typing import Any, Final

import cv2
import numpy as np

from collector.imaging.scale import CARD_MARGIN, FAMILY, MARKER_SIZES_MM

PAPERS_MM: Final = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
CHECK_BAR_MM: Final = 100.0

_POINT_PER_MM: Final = 72.0 / 25.4
_WORDS: Final = (
    "Print at 100 %, not fitted to the page. The bar below is 100 mm long: measure it.",
    "If it is not, measure the black edge of the square you use and give that (--marker-mm).",
    "Cut out along the grey lines, keep the white border, and lay the square flat beside the",
    "crackle, at the same height, wholly in the photo and without glare on it.",
)
# lower left corner of each card: mm from the left and from the top of the page
_PLACES: Final[dict[int, tuple[float, float]]] = {
    80: (10, 62),
    60: (10, 190),
    40: (112, 190),
    30: (138, 62),
    20: (138, 118),
}


def marker_sheet(paper: str = "a4") -> bytes:
    """A page with every marker, a bar to check the printer with, and how to use them.

    Parameters
    ----------
    paper : str
        "a4" or "letter".

    Raises
    ------
    ValueError
        For any other paper.
    """
    if paper not in PAPERS_MM:
        raise ValueError(f"paper {paper!r}; expected one of {', '.join(PAPERS_MM)}")
    page_mm = PAPERS_MM[paper]
    drawn = [_text(10, 16, 15, "Square markers for crackle photos", page_mm)]
    drawn += [_text(10, 25 + 5 * i, 10, line, page_mm) for i, line in enumerate(_WORDS)]
    drawn.append(_box(10, 50, CHECK_BAR_MM, 1.0, 0.0, page_mm))
    drawn += [_box(10 + at - 0.15, 48, 0.3, 5.0, 0.0, page_mm) for at in (0.15, CHECK_BAR_MM - 0.15)]
    drawn.append(_text(10 + CHECK_BAR_MM + 3, 51.5, 9, f"{CHECK_BAR_MM:.0f} mm", page_mm))
    for side_mm in MARKER_SIZES_MM:
        drawn += _card(side_mm, *_PLACES[side_mm], page_mm)
    return _pdf("\n".join(drawn).encode("latin-1"), page_mm)


def _card(side_mm: int, left: float, top: float, page_mm: tuple[float, float]) -> list[str]:
    modules: Any = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(FAMILY), side_mm, 6)
    margin, module = CARD_MARGIN * side_mm, side_mm / 6.0
    card = side_mm + 2 * margin
    drawn = [
        f"0.7 G 0.3 w {_pt(left)} {_pt(page_mm[1] - top - card)} {_pt(card)} {_pt(card)} re S",
        # one black square with white modules on it: no hairlines between modules
        _box(left + margin, top + margin, side_mm, side_mm, 0.0, page_mm),
    ]
    for row, column in np.argwhere(np.asarray(modules) > 127):
        drawn.append(_box(left + margin + column * module, top + margin + row * module, module, module, 1.0, page_mm))
    drawn.append(_text(left + 1.0, top + card - 0.9, 6, f"{side_mm} mm", page_mm))
    return drawn


def _box(left: float, top: float, width: float, height: float, grey: float, page_mm: tuple[float, float]) -> str:
    return f"{grey:g} g {_pt(left)} {_pt(page_mm[1] - top - height)} {_pt(width)} {_pt(height)} re f"


def _text(left: float, base: float, size: float, words: str, page_mm: tuple[float, float]) -> str:
    escaped = words.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")
    return f"0 g BT /F1 {size:g} Tf {_pt(left)} {_pt(page_mm[1] - base)} Td ({escaped}) Tj ET"


def _pt(mm: float) -> str:
    return f"{mm * _POINT_PER_MM:.4f}"


def _pdf(content: bytes, page_mm: tuple[float, float]) -> bytes:
    """A one-page PDF 1.4 that asks viewers not to scale it."""
    width, height = _pt(page_mm[0]), _pt(page_mm[1])
    parts = [
        b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {width} {height}] /Contents 4 0 R "
        "/Resources << /Font << /F1 5 0 R >> >> >>".encode(),
        f"<< /Length {len(content)} >>\nstream\n".encode() + content + b"\nendstream",
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>",
    ]
    out, places = b"%PDF-1.4\n", []
    for number, part in enumerate(parts, 1):
        places.append(len(out))
        out += f"{number} 0 obj\n".encode() + part + b"\nendobj\n"
    table = b"".join(f"{place:010d} 00000 n \n".encode() for place in places)
    size = len(parts) + 1
    start = len(out)
    return (
        out + f"xref\n0 {size}\n0000000000 65535 f \n".encode() + table
        + f"trailer\n<< /Size {size} /Root 1 0 R >>\nstartxref\n{start}\n%%EOF\n".encode()
    )  # fmt: skip
