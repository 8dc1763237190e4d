"""Records on flash until they are released: a ring of append-only segment files that outlives power cuts.

A segment is named after the index of its first record and takes up to ``segment_bytes``, by default just
under one flash block. Each record carries its index and a CRC and is flushed before :meth:`Spool.append`
returns, so what was handed out for sending is on flash, and an index never stands for two records. Nothing
is ever rewritten: a segment is deleted once all of it is released, the newest never, for its name and last
record say where the numbers go on.

On flash: 0xA5, payload length (2 bytes), index (4), payload, CRC-32 of all before it (4); little-endian.
"""

import os
import struct
from binascii import crc32

_MARK = 0xA5
_HEAD, _HEAD_BYTES = "<BHI", 7
_EXTRA = _HEAD_BYTES + 4


class Spool:
    """A queue of byte strings numbered from 1.

    ``first`` is the lowest index held, ``next`` the one the next record will get, ``dropped`` the records
    lost because the spool was full, ``damaged`` those found unreadable, both since this object was made.
    """

    def __init__(self, folder, max_bytes=512 * 1024, segment_bytes=4000):
        self._folder = folder
        self._segment_bytes = segment_bytes
        self._max_segments = max(2, max_bytes // segment_bytes)
        self._reader = self._reading = None  # the file being read, and its first index
        self._at = 0  # where in it
        self._last = None
        self._file = None
        self._size = 0
        self.dropped = self.damaged = 0
        try:
            os.mkdir(folder)
        except OSError:
            pass
        self._segments = sorted(
            [int(name[:-4]) for name in os.listdir(folder) if name.endswith(".seg") and name[:-4].isdigit()]
        )
        self.next = 1
        if self._segments:
            self.next = self._recover(self._segments[-1])
        self.first = self._segments[0] if self._segments else 1

    def __len__(self):
        return self.next - self.first

    def append(self, payload):
        """Store one record durably; returns its index. A full ring or disk drops the oldest segment."""
        if len(payload) + _EXTRA > self._segment_bytes:
            raise ValueError("record: %d bytes; at most %d" % (len(payload), self._segment_bytes - _EXTRA))
        index = self.next
        raw = struct.pack(_HEAD, _MARK, len(payload), index) + payload
        raw += struct.pack("<I", crc32(raw))
        while True:
            try:
                self._write(index, raw)
                break
            except OSError:
                # The disk is full, perhaps with half a record in the file, which therefore gets no more.
                self._close()
                if len(self._segments) < 2:
                    raise
                self._drop_oldest()
        self.next = index + 1
        self._last = (index, payload)
        return index

    def read(self, index):
        """Payload of a record, or None if it is not held any more or was damaged."""
        if not self.first <= index < self.next:
            return None
        if self._last and self._last[0] == index:
            return self._last[1]
        segment = 0
        for start in self._segments:
            if start > index:
                break
            segment = start
        if self._reading != segment:
            self._open(segment)
        for again in (False, True):
            # Records are mostly asked for in order, so the search goes on where it ended.
            while True:
                found = self._step()
                if found is None:
                    break
                if found[0] == index:
                    return found[1]
                if found[0] > index:
                    break
            if not again:
                self._open(segment)
        return None

    def skip_unreadable(self):
        """Give up the lowest records as far as they cannot be read, or they would hold up all others."""
        while self.first < self.next and self.read(self.first) is None:
            self.damaged += 1
            self.release(self.first)

    def last(self):
        """Payload of the newest record on flash, or None."""
        for segment in reversed(self._segments):
            self._open(segment)
            newest = None
            while True:
                found = self._step()
                if found is None:
                    break
                newest = found[1]
            if newest is not None:
                return newest
        return None

    def release(self, index):
        """The records up to ``index`` are stored elsewhere and need not be kept."""
        self.first = max(self.first, min(index + 1, self.next))
        while len(self._segments) > 1 and self._segments[1] <= self.first:
            self._remove_oldest()

    def close(self):
        """Close the files; for tests and orderly ends, a power cut does as well."""
        self._close()
        self._stop_reading()

    def _path(self, segment):
        return "%s/%010d.seg" % (self._folder, segment)

    def _write(self, index, raw):
        if self._file is None or self._size + len(raw) > self._segment_bytes:
            self._close()
            while len(self._segments) >= self._max_segments:
                self._drop_oldest()
            # A file of this name can only hold the torn beginning of this very record.
            self._file = open(self._path(index), "wb")
            self._size = 0
            if index not in self._segments:
                self._segments.append(index)
        self._file.write(raw)
        self._file.flush()
        self._size += len(raw)
        if self._reading == self._segments[-1]:
            self._stop_reading()  # an open file need not see what is added

    def _close(self):
        file, self._file = self._file, None
        _close_quietly(file)

    def _drop_oldest(self):
        self.dropped += max(0, self._segments[1] - self.first)
        self.first = max(self.first, self._segments[1])
        self._remove_oldest()

    def _remove_oldest(self):
        segment = self._segments.pop(0)
        if self._reading == segment:
            self._stop_reading()
        try:
            os.remove(self._path(segment))
        except OSError:
            pass  # gone already, or found again at the next start and released again

    def _open(self, segment):
        self._stop_reading()
        try:
            self._reader = open(self._path(segment), "rb")
        except OSError:
            pass
        self._reading, self._at = segment, 0

    def _stop_reading(self):
        reader, self._reader, self._reading = self._reader, None, None
        _close_quietly(reader)

    def _step(self):
        """(index, payload) of the next whole record of the file being read; damage is stepped over."""
        reader = self._reader
        while reader:
            reader.seek(self._at)
            head = reader.read(_HEAD_BYTES)
            if len(head) < _HEAD_BYTES:
                return None
            mark, length, index = struct.unpack(_HEAD, head)
            if mark == _MARK and length + _EXTRA <= self._segment_bytes:
                rest = reader.read(length + 4)
                if len(rest) == length + 4:
                    payload = rest[:length]
                    if struct.unpack("<I", rest[length:])[0] == crc32(payload, crc32(head)):
                        self._at += length + _EXTRA
                        return index, payload
            self._at += 1
        return None

    def _recover(self, segment):
        """The index that follows the newest segment's records; a clean end is written on from."""
        self._open(segment)
        index, whole_to = segment, 0
        while True:
            found = self._step()
            if found is None:
                break
            index, whole_to = found[0] + 1, self._at
        size = os.stat(self._path(segment))[6]
        if size == whole_to > 0:
            self._file = open(self._path(segment), "ab")
            self._size = whole_to
        elif size - whole_to >= _EXTRA:
            self._reader.seek(whole_to)
            mark, length, number = struct.unpack(_HEAD, self._reader.read(_HEAD_BYTES))
            if mark == _MARK and number == index and size - whole_to >= length + _EXTRA:
                # Complete but spoilt later: it may have been sent, so its number is not given again.
                self.damaged += 1
                index += 1
        self._stop_reading()
        return index


def _close_quietly(file):
    try:
        if file:
            file.close()
    except OSError:
        pass
