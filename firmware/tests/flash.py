"""A flash chip in RAM with LittleFS on it, as boards have, whose power can be cut at any write."""

import os


class Flash:
    """A block device. After ``power_for(n)`` the n-th write or erase from now is cut short: half of it lands,
    and nothing works any more until :meth:`power_on`.

    Allocates nothing once made and returns error numbers instead of raising: files are also closed by the
    garbage collector, when neither is possible.
    """

    BLOCK = 4096

    def __init__(self, blocks=32):
        self._blocks = [bytearray(b"\xff" * self.BLOCK) for _ in range(blocks)]
        self._left = -1  # negative: power for ever
        self.writes = 0

    def power_for(self, writes):
        self._left = writes

    def power_on(self):
        self._left = -1

    def copy(self):
        other = Flash(0)
        other._blocks = [bytearray(block) for block in self._blocks]
        return other

    def readblocks(self, block, buffer, offset=0):
        if self._left == 0:
            return -5
        data = self._blocks[block]
        for i in range(len(buffer)):
            buffer[i] = data[offset + i]
        return 0

    def writeblocks(self, block, buffer, offset=-1):
        length = self._allowed(len(buffer))
        data = self._blocks[block]
        if offset < 0:
            offset = 0
        for i in range(length):
            data[offset + i] = buffer[i]
        return -5 if self._left == 0 else 0

    def ioctl(self, operation, argument):
        if operation == 4:
            return len(self._blocks)
        if operation == 5:
            return self.BLOCK
        if operation == 6:
            data = self._blocks[argument]
            for i in range(self._allowed(self.BLOCK)):
                data[i] = 0xFF
            return -5 if self._left == 0 else 0
        return 0

    def _allowed(self, length):
        self.writes += 1
        if self._left < 0:
            return length
        if self._left == 0:
            return 0
        self._left -= 1
        return length if self._left else length // 2


_mounted = []


def fresh(blocks=32, where="/flash"):
    """An empty file system at ``where``; returns its chip."""
    chip = Flash(blocks)
    os.VfsLfs2.mkfs(chip)
    mount(chip, where)
    return chip


def mount(chip, where="/flash"):
    if where in _mounted:
        os.umount(where)
    elif where not in _mounted:
        _mounted.append(where)
    os.mount(os.VfsLfs2(chip), where)
