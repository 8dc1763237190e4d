"""The booth's verdict on one lamp, told by rhythm and not by colour.

====================  ==============================================
go                    steadily on
marginal              slow and even: one second on, one off
hold                  fast: five flashes in two seconds
cannot tell           two short flashes every three seconds
no verdict            one short flash every three seconds
====================  ==============================================

"No verdict" is also shown when the link is down or no verdict has come for five minutes, so that the lamp
never keeps up an old "go".
"""

from node import pace

FRESH_MS = 300000
STEP_MS = 100
PATTERNS = {
    "go": "1",
    "marginal": "11111111110000000000",
    "hold": "1100",
    "cannot tell": "101" + "0" * 27,
    None: "1" + "0" * 29,
}


def verdict_in(payload):
    """The verdict a message tells, as a word or as a JSON object with ``verdict``; None if it tells none."""
    try:
        text = str(payload, "utf-8").strip()
        if text.startswith("{"):
            import json

            text = json.loads(text).get("verdict")
    except (ValueError, UnicodeError):
        return None
    return text if isinstance(text, str) and text in PATTERNS else None


class Lamp:
    def __init__(self, pin, running_ms):
        self._pin, self._running_ms = pin, running_ms
        self._verdict, self._heard_ms = None, 0
        self._step = 0
        self.linked = False

    def tell(self, payload):
        self._verdict, self._heard_ms = verdict_in(payload), self._running_ms()

    def verdict(self):
        """The verdict shown now; None for "no verdict"."""
        if not self.linked or self._running_ms() - self._heard_ms > FRESH_MS:
            return None
        return self._verdict

    def step(self):
        """One beat, every :data:`STEP_MS`."""
        pattern = PATTERNS[self.verdict()]
        self._step = (self._step + 1) % len(pattern)
        self._pin.value(int(pattern[self._step]))

    async def run(self):
        while True:
            self.step()
            await pace.sleep_ms(STEP_MS)
