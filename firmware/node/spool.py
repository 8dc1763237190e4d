"""Records on flash until they are released: a ring of append-only segment files, safe against power cuts.

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
        self._buffer = bytearray(segment_bytes)
        self._loaded = None  # first index of the segment in the buffer
        self._filled = self._at = 0
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
        if self._loaded != segment:
            self._load(segment)
        for again in (False, True):
            # Records are mostly asked for in order, so the search goes on where it ended.
            while True:
                found = self._step()
                if found is None:
                    break
                number, start, end = found
                if number == index:
                    return bytes(self._buffer[start:end])
                if number > index:
                    break
            if not again:
                self._load(segment)
        return None

    def skip_unreadable(self):
        """Give up the lowest records as far as they cannot be read, or they would hold up all others."""
        while self.first < self.next and self.read(self.first) is None:
            self.damaged += 1
            self.release(self.first)

    def last(self):
        """Payload of the newest record on flash, or None."""
        for segment in reversed(self._segments):
            self._load(segment)
            found = None
            while True:
                step = self._step()
                if step is None:
                    break
                found = step
            if found:
                return bytes(self._buffer[found[1] : found[2]])
        return None

    def release(self, index):
        """The records up to ``index`` are stored elsewhere and need not be kept."""
        self.first = max(self.first, min(index + 1, self.next))
        while len(self._segments) > 1 and self._segments[1] <= self.first:
            self._remove_oldest()

    def close(self):
        """Close the file; for tests and orderly ends, a power cut does as well."""
        self._close()

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
        if self._loaded == self._segments[-1]:
            self._loaded = None

    def _close(self):
        file, self._file, self._loaded = self._file, None, None
        if file:
            try:
                file.close()
            except OSError:
                pass

    def _drop_oldest(self):
        self.dropped += max(0, self._segments[1] - self.first)
        self.first = max(self.first, self._segments[1])
        self._remove_oldest()

    def _remove_oldest(self):
        segment = self._segments.pop(0)
        if self._loaded == segment:
            self._loaded = None
        try:
            os.remove(self._path(segment))
        except OSError:
            pass  # gone already, or found again at the next start and released again

    def _load(self, segment):
        self._at = self._filled = 0
        self._loaded = segment
        try:
            with open(self._path(segment), "rb") as file:
                self._filled = file.readinto(self._buffer) or 0
        except OSError:
            pass

    def _step(self):
        """(index, start, end) of the next whole record's payload in the buffer; damage is stepped over."""
        buffer, filled = self._buffer, self._filled
        while self._at + _EXTRA <= filled:
            at = self._at
            if buffer[at] == _MARK:
                _, length, index = struct.unpack_from(_HEAD, buffer, at)
                end = at + _HEAD_BYTES + length
                if end + 4 <= filled:
                    check = struct.unpack_from("<I", buffer, end)[0]
                    if crc32(memoryview(buffer)[at:end]) == check:
                        self._at = end + 4
                        return index, at + _HEAD_BYTES, end
            self._at = at + 1
        return None

    def _recover(self, segment):
        """The index that follows the newest segment's records; a clean end is written on from."""
        self._load(segment)
        index, whole_to = segment, 0
        while True:
            found = self._step()
            if found is None:
                break
            index, whole_to = found[0] + 1, self._at
        rest = self._filled - whole_to
        if not rest and whole_to:
            self._file = open(self._path(segment), "ab")
            self._size = whole_to
        if rest >= _EXTRA and self._buffer[whole_to] == _MARK:
            _, length, number = struct.unpack_from(_HEAD, self._buffer, whole_to)
            if number == index and rest >= length + _EXTRA:
                # Complete but spoilt later: it may have been sent, so its number is not given again.
                self.damaged += 1
                index += 1
        return index
