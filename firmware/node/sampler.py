"""Reads each sensor at its own period and makes one sample of all that are due together."""

from node import pace

FAULT_AGAIN_MS = 600000  # a fault that lasts is said again this often


def median(numbers):
    """The middle one; of an even count the mean of both, in integers."""
    numbers = sorted(numbers)
    middle = len(numbers) // 2
    if len(numbers) % 2:
        return numbers[middle]
    return (numbers[middle - 1] + numbers[middle]) // 2


class Station:
    """A sensor with how it is read: every ``period_ms``, as the median of ``median_of`` readings.

    ``names`` renames quantities, e.g. of a second sensor of the same kind.
    """

    def __init__(self, sensor, period_ms=10000, median_of=1, names=None):
        self.sensor = sensor
        self.period_ms = period_ms
        self.due_ms = 0
        self._median_of = median_of
        self._names = names or {}

    def names(self):
        """The quantities as they are sent."""
        return [self._names.get(q, q) for q in self.sensor.quantities]

    async def read(self):
        """Quantity to thousandths of its unit. A fault in any of the readings is a fault of the sample."""
        rows = []
        for _ in range(self._median_of):
            rows.append(await self.sensor.read())
        return {self._names.get(q, q): median([row[q] for row in rows]) for q in rows[0]}


class Sampler:
    """Calls ``keep(values, words)`` for every sample: (quantity, thousandths) and (quantity, text)."""

    def __init__(self, stations, keep, running_ms, on_error=None):
        self._stations = stations
        self._keep = keep
        self._running_ms = running_ms
        self._on_error = on_error
        self._said = {}  # quantity: when its fault was last said
        self.faults = {}  # quantity: kind of its present fault
        self.next_ms = running_ms()  # running time of the next sample; long past if this hangs

    async def run(self):
        while True:
            wait_ms = await self.once()
            self.next_ms = self._running_ms() + wait_ms
            await pace.sleep_ms(wait_ms)

    async def once(self):
        """Read what is due; returns the milliseconds to the next."""
        now = self._running_ms()
        due = [s for s in self._stations if s.due_ms <= now]
        values, words = [], []
        for station in due:
            # What was missed while something else took long is not made up for.
            station.due_ms += station.period_ms * max(1, -((station.due_ms - now) // station.period_ms))
            if station.due_ms <= now:
                station.due_ms = now + station.period_ms
            try:
                values += sorted((await station.read()).items())
                self._recovered(station, words)
            except Exception as error:
                kind = getattr(error, "kind", None)
                if kind is None:
                    # No fault of the sensor's but of the program. The other sensors go on all the same.
                    kind = "missing" if isinstance(error, OSError) else "error"
                    if self._on_error and kind == "error":
                        self._on_error(error)
                self._failed(station, kind, now, words)
        if values or words:
            self._keep(values, words)
        if not self._stations:
            return 60000
        return max(1, min([s.due_ms for s in self._stations]) - self._running_ms())

    def _failed(self, station, kind, now, words):
        for name in station.names():
            if self.faults.get(name) != kind or now - self._said[name] >= FAULT_AGAIN_MS:
                self._said[name] = now
                words.append((name, "fault: " + kind))
            self.faults[name] = kind

    def _recovered(self, station, words):
        for name in station.names():
            if self.faults.pop(name, None):
                words.append((name, "recovered"))
