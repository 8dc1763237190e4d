"""Unexpected exceptions on flash: the first few kilobytes until they are reported, then one older set.

The first errors tell the most, so when the file is full later ones are only counted.
"""

import io
import os
import sys


class FaultLog:
    def __init__(self, folder, max_bytes=4096):
        self._path = folder + "/faults.log"
        self._old = folder + "/faults.old"
        self._max_bytes = max_bytes
        self.unlogged = 0

    def add(self, where, error):
        """Note an exception and where it came from. Never raises: this is the last resort."""
        try:
            text = io.StringIO()
            sys.print_exception(error, text)
            lines = [line.strip() for line in text.getvalue().split("\n") if line.strip()]
            self.note(where + ": " + " < ".join(reversed(lines[-3:])))
        except Exception:
            self.unlogged += 1

    def note(self, text):
        text = text.replace("\n", " ")[:400]
        try:
            size = os.stat(self._path)[6]
        except OSError:
            size = 0
        if size + len(text.encode()) >= self._max_bytes:
            self.unlogged += 1
            return
        try:
            with open(self._path, "a") as file:
                file.write(text + "\n")
        except OSError:
            self.unlogged += 1

    def unreported(self, most=3):
        """Up to ``most`` lines not yet reported, oldest first."""
        try:
            with open(self._path) as file:
                lines = []
                while len(lines) < most:
                    line = file.readline()
                    if not line:
                        break
                    lines.append(line[:-1])
                return lines
        except (OSError, UnicodeError):
            return []

    def reported(self):
        """What is in the file has reached the broker; it is kept as the older set."""
        self.unlogged = 0
        try:
            os.rename(self._path, self._old)
        except OSError:
            pass
