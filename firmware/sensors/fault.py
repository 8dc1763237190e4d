"""What a driver raises instead of a number."""

KINDS = ("missing", "crc", "range", "stuck", "timeout")


class SensorFault(Exception):
    """A sensor gave no value that can be believed.

    ``kind`` is one of :data:`KINDS`: it does not answer; its check sum is wrong; its value cannot be, or it says
    itself that it is faulty; it repeats itself as no live sensor does; it does not finish in time. ``text`` says
    what was seen.
    """

    def __init__(self, kind, text):
        super().__init__(text)
        self.kind = kind
        self.text = text
