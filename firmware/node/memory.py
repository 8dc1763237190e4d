"""The few numbers that outlive a reboot, in two files written in turn: a power cut costs at most the newest.

Each file is one line of JSON and its CRC; the higher generation that checks is the true one.
"""

import json
from binascii import crc32

# boot: how often the node has started. offset: sequence number less spool index. synced: whether the offset
# was settled with the collector. dropped: records lost because the spool was full. fixes: boot to the time
# since 1970 at which its running time was 0.
_FRESH = {"generation": 0, "boot": 0, "offset": 0, "synced": False, "dropped": 0, "fixes": {}}


class Memory:
    """``memory["boot"]`` reads; :meth:`update` writes and returns only when it is on flash."""

    def __init__(self, folder):
        self._paths = (folder + "/memory.a", folder + "/memory.b")
        self._fields = dict(_FRESH)
        for path in self._paths:
            fields = _load(path)
            if fields and fields["generation"] > self._fields["generation"]:
                self._fields.update(fields)

    def __getitem__(self, name):
        return self._fields[name]

    def update(self, **changes):
        """Change some fields, all or none of them."""
        fields = dict(self._fields)
        fields.update(changes)
        fields["generation"] += 1
        raw = json.dumps(fields)
        with open(self._paths[fields["generation"] % 2], "w") as file:
            file.write("%s\n%d\n" % (raw, crc32(raw.encode())))
        self._fields = fields


def _load(path):
    try:
        with open(path) as file:
            raw, check = file.readline()[:-1], file.readline()
        return json.loads(raw) if int(check) == crc32(raw.encode()) else None
    except (OSError, ValueError):
        return None
