"""A PDF as Poppler sees it: its words with their boxes, its pages as pictures."""

import re
import subprocess
from dataclasses import dataclass
from html import unescape
from pathlib import Path

import numpy as np
from PIL import Image

DPI = 150


@dataclass(frozen=True)
class Word:
    left: float
    top: float
    right: float
    bottom: float
    text: str


@dataclass(frozen=True)
class Page:
    width: float
    height: float
    words: list[Word]


def text_of(pdf: Path) -> str:
    return _run("pdftotext", "-layout", str(pdf), "-")


def flowing_text_of(pdf: Path) -> str:
    """All words with one blank between, however the lines were broken."""
    return " ".join(_run("pdftotext", "-raw", str(pdf), "-").split())


def pages_of(pdf: Path) -> list[Page]:
    pages = []
    for part in _run("pdftotext", "-bbox", str(pdf), "-").split("<page ")[1:]:
        width, height = re.search(r'width="([\d.]+)" height="([\d.]+)"', part).groups()
        words = [
            Word(*(float(v) for v in found[:4]), unescape(found[4]))
            for found in re.findall(
                r'<word xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">(.*?)</word>', part
            )
        ]
        pages.append(Page(float(width), float(height), words))
    return pages


def pictures_of(pdf: Path, folder: Path) -> list[np.ndarray]:
    _run("pdftoppm", "-r", str(DPI), "-png", str(pdf), str(folder / pdf.stem))
    return [np.asarray(Image.open(file).convert("RGB")) for file in sorted(folder.glob(f"{pdf.stem}-*.png"))]


def _run(*command: str) -> str:
    return subprocess.run(command, capture_output=True, check=True, text=True).stdout
