"""Surface temperature without touching: MLX90614 by Melexis, infrared, on I2C (SMBus, at most 100 kHz).

Data sheet 3901090614, sections 8.4.2 (packet error code) and 8.4.5 (RAM): two words of 0.02 K a count, the chip's
own temperature and the object's, each with the packet error code over the whole exchange.
"""

from sensors import common
from sensors.crc import crc8_pec
from sensors.fault import SensorFault

_OWN, _OBJECT = 0x06, 0x07
_FAULTY = 0x8000  # set in a temperature that the chip knows to be wrong
_ZERO_CELSIUS_MILLI = 273150
_NAME = "MLX90614"


class MLX90614:
    """``await read()`` gives surface temperature [thousandths of a Cel].

    Parameters: ``emissivity_milli`` is the surface's, in thousandths; the chip is taken to be at its delivered
    setting of 1. The surroundings that the surface mirrors are taken to be as warm as the chip. The offset is
    added last.
    """

    quantities = ("surface_temperature",)

    def __init__(
        self,
        i2c,
        address=0x5A,
        emissivity_milli=950,
        surface_temperature_offset_milli=0,
        stuck_after=240,
    ):
        if not 100 <= emissivity_milli <= 1000:
            raise ValueError("emissivity_milli: %r; expected 100 to 1000" % (emissivity_milli,))
        self._i2c, self._address = i2c, address
        self._emissivity = emissivity_milli
        self._offset = surface_temperature_offset_milli
        self._stuck = common.StuckWatch(stuck_after)

    async def read(self):
        own, seen = self._word(_OWN), self._word(_OBJECT)
        self._stuck.check((own, seen), _NAME)
        surface = surface_milli(seen, own, self._emissivity) + self._offset
        return {"surface_temperature": common.within(surface, -40000, 125000, _NAME + " surface temperature")}

    def _word(self, register):
        answer = common.read_register(self._i2c, self._address, register, 3, _NAME)
        exchange = bytes([self._address << 1, register, self._address << 1 | 1]) + answer[:2]
        if crc8_pec(exchange) != answer[2]:
            raise SensorFault("crc", "MLX90614: packet error code wrong for register 0x%02x" % register)
        word = answer[0] | answer[1] << 8
        if word & _FAULTY:
            raise SensorFault("range", "MLX90614: the chip marks its reading as an error")
        return word


def surface_milli(seen, own, emissivity_milli):
    """Temperature of a grey surface from the black-body reading, both readings in counts of 0.02 K.

    What arrives is e T^4 + (1 - e) T_own^4, so T^4 is solved for; in integers, since T^4 needs more digits than
    a board's floats have. [thousandths of a Cel]
    """
    if emissivity_milli == 1000:
        return 20 * seen - _ZERO_CELSIUS_MILLI
    seen, own = 20 * seen, 20 * own
    fourth_power = (1000 * seen**4 - (1000 - emissivity_milli) * own**4) // emissivity_milli
    if fourth_power <= 0:
        raise SensorFault("range", "MLX90614: no surface of emissivity %d/1000 looks so cold" % emissivity_milli)
    return _root(_root(fourth_power)) - _ZERO_CELSIUS_MILLI


def _root(number):
    """Integer square root, by Newton's method from above."""
    guess = 1 << (len(bin(number)) - 1) // 2
    while True:
        better = (guess + number // guess) // 2
        if better >= guess:
            return guess
        guess = better
