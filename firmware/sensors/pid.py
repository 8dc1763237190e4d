"""Solvent vapour by photo-ionisation: a module with an analogue output of 0 to 2.5 V, on an ADC pin.

The modules are linear: a voltage in clean air, a rise in proportion to vapour, counted as isobutylene. Both differ
from module to module and with the age of the lamp, so both come from calibration and have no default. What the
modules cannot see is in ``docs/node.md``.
"""

from node import pace
from sensors import common
from sensors.fault import SensorFault

_OUTPUT_TOP_UV = 2500000
_TOP_MARGIN_UV = 20000
_SAMPLES = 16
_NAME = "photo-ionisation module"


class PID:
    """``await read()`` gives solvent vapour as isobutylene [thousandths of a ppm].

    Parameters, in microvolts at the module's output: ``zero_uv`` in clean air, ``span_uv`` in span gas of
    ``span_ppm_milli`` thousandths of a ppm; ``noise_uv``, how far under zero still counts as zero;
    ``divider_milli``, the output's voltage over the pin's, in thousandths; ``full_scale_uv``, the pin's voltage
    at full count, used only where the board cannot read microvolts itself.
    """

    quantities = ("voc_ppm",)

    def __init__(
        self,
        adc,
        zero_uv,
        span_uv,
        span_ppm_milli,
        noise_uv=20000,
        divider_milli=1000,
        full_scale_uv=3300000,
        stuck_after=240,
    ):
        if not 0 <= zero_uv < span_uv <= _OUTPUT_TOP_UV:
            raise ValueError(
                "zero_uv, span_uv: %r, %r; expected 0 <= zero_uv < span_uv <= %d"
                % (zero_uv, span_uv, _OUTPUT_TOP_UV)
            )
        if span_ppm_milli <= 0:
            raise ValueError("span_ppm_milli: %r; expected thousandths of a ppm above 0" % (span_ppm_milli,))
        if hasattr(adc, "atten"):
            # An ESP32 starts with a range of 1 V.
            adc.atten(adc.ATTN_11DB)
        self._adc = adc
        self._zero, self._span, self._span_ppm_milli = zero_uv, span_uv, span_ppm_milli
        self._noise = noise_uv
        self._divider_milli, self._full_scale = divider_milli, full_scale_uv
        self._stuck = common.StuckWatch(stuck_after)

    async def read(self):
        total = 0
        for _ in range(_SAMPLES):
            total += self._pin_uv()
            await pace.sleep_ms(2)  # in all 32 ms: over one period of mains hum or more
        self._stuck.check(total, _NAME)
        output = common.rounded(total * self._divider_milli, 1000 * _SAMPLES)
        if output > _OUTPUT_TOP_UV + _TOP_MARGIN_UV:
            raise SensorFault("range", "%s: %d uV; it gives at most %d" % (_NAME, output, _OUTPUT_TOP_UV))
        if output < self._zero - self._noise:
            kind = "missing" if output < self._zero // 4 else "range"
            raise SensorFault(
                kind, "%s: %d uV, under its zero of %d; unplugged, dark, or to be zeroed" % (_NAME, output, self._zero)
            )
        # Noise about zero would give ppm under 0, which there is not.
        above = max(0, output - self._zero)
        ppm_milli = common.rounded(above * self._span_ppm_milli, self._span - self._zero)
        return {"voc_ppm": common.within(ppm_milli, 0, 20000000, _NAME)}

    def _pin_uv(self):
        try:
            if hasattr(self._adc, "read_uv"):
                return self._adc.read_uv()
            return self._adc.read_u16() * self._full_scale // 65535
        except OSError as error:
            raise common.bus_fault(error, _NAME)
