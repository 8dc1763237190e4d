"""What the board's pins lead to in a simulation: I2C buses, 1-Wire lines, analogue inputs, levels, the network.

``machine``, ``onewire`` and ``network`` beside this file offer the firmware what a board offers and look here for
what is connected. This folder is on the path only in a simulation.
"""

ENODEV, EIO, ETIMEDOUT = 19, 5, 110

no_answer = ENODEV  # how an ESP32 numbers it; an RP2040 says EIO
i2c = {}  # number of the bus: {address: device}
held = set()  # numbers of the I2C buses that something holds down
onewire = {}  # pin: list of devices
analogue = {}  # pin: object with microvolts()
pins = {}  # number: Level


def reset():
    """Nothing connected, as at the start."""
    global no_answer
    no_answer = ENODEV
    for kept in (i2c, held, onewire, analogue, pins):
        kept.clear()
    access_point.__init__()
    machine_state.__init__()


def connect(device, bus=0):
    """Put a device on an I2C bus, on its own address."""
    i2c.setdefault(bus, {})[device.address] = device
    return device


def connect_onewire(device, pin):
    onewire.setdefault(pin, []).append(device)
    return device


def connect_analogue(source, pin):
    analogue[pin] = source
    return source


def level(pin):
    """The level at a pin, kept over new Pin objects: ``value`` reads, ``drive`` is the world pulling at it."""
    if pin not in pins:
        pins[pin] = Level()
    return pins[pin]


class Level:
    def __init__(self):
        self.value = 0
        self.handlers = []

    def drive(self, value):
        before, self.value = self.value, 1 if value else 0
        if before != self.value:
            for handler, pin in self.handlers:
                handler(pin)


class AccessPoint:
    """The network within reach: ``present`` or not, its password, and how long joining takes."""

    def __init__(self):
        self.present = True
        self.password = None
        self.join_ms = 0


class MachineState:
    """What the firmware did to its board: watchdogs made, times fed, resets asked for."""

    def __init__(self):
        self.watchdog_ms = None
        self.fed = 0
        self.resets = 0
        self.reset_cause = 1
        self.on_reset = None


access_point = AccessPoint()
machine_state = MachineState()
