"""One push button: a short press starts or ends a coat, a long one marks a moment."""

from node import pace

STEP_MS, LONG_MS = 20, 800
_STEADY = 2  # steps a contact must rest, so that its bounce is one press


class Button:
    """Calls ``pressed("short" | "long")``; a long press is told while still held, for a gloved thumb."""

    def __init__(self, pin, pressed, active=0):
        self._pin, self._pressed, self._active = pin, pressed, active
        self._down = False
        self._changed = self._held_ms = 0

    async def run(self):
        while True:
            self.step()
            await pace.sleep_ms(STEP_MS)

    def step(self):
        """One look at the pin, every :data:`STEP_MS`."""
        down = self._pin.value() == self._active
        self._changed = self._changed + 1 if down != self._down else 0
        if self._changed >= _STEADY:
            self._changed = 0
            self._down = down
            if not down and self._held_ms < LONG_MS:
                self._pressed("short")
            self._held_ms = 0
        elif self._down:
            before, self._held_ms = self._held_ms, self._held_ms + STEP_MS
            if before < LONG_MS <= self._held_ms:
                self._pressed("long")
