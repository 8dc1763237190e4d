"""SenML packs (RFC 8428) as text, formatted from integers.

A board's float holds 24 bits, which would put a time of today off by up to a minute, so no number here is
ever a float: values are in thousandths of their unit, times in milliseconds.
"""

UNITS = {
    "air_temperature": "Cel",
    "relative_humidity": "%RH",
    "surface_temperature": "Cel",
    "air_pressure": "Pa",
    "voc_ppm": "ppm",
    "voc_index": None,
    "booth_pressure": "Pa",
    "face_velocity": "m/s",
    "node_battery": "%EL",
}


def unit_of(quantity):
    """Unit of a quantity; a second one of its kind, such as ``surface_temperature.panel``, has the same."""
    return UNITS.get(quantity.split(".")[0])


def thousandths(number):
    """``25080`` as ``25.080``, ``-5`` as ``-0.005``."""
    sign = "-" if number < 0 else ""
    number = abs(number)
    return "%s%d.%03d" % (sign, number // 1000, number % 1000)


def quoted(text):
    """A JSON string; control characters become spaces."""
    text = "".join([c if c >= " " else " " for c in text])
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def pack(node, values, words, time_ms=None, age_ms=None, seq=None, oldest_seq=None):
    """One sample as a SenML pack, in bytes.

    ``values`` holds (quantity, thousandths), ``words`` (name, text). ``time_ms`` counts from 1970; without
    it ``age_ms`` is sent as a time relative to now (RFC 8428 section 4.5.3).
    """
    base = '"bn":' + quoted(node + ":")
    if time_ms is not None:
        base += ',"bt":' + thousandths(time_ms)
    elif age_ms:
        base += ',"bt":' + thousandths(-age_ms)
    records = []
    for name, number in values:
        unit = unit_of(name)
        unit = ',"u":' + quoted(unit) if unit else ""
        records.append('"n":%s%s,"v":%s' % (quoted(name), unit, thousandths(number)))
    for name, text in words:
        records.append('"n":%s,"vs":%s' % (quoted(name), quoted(text)))
    for name, number in (("seq", seq), ("oldest_seq", oldest_seq)):
        if number is not None:
            records.append('"n":"%s","v":%d' % (name, number))
    return ("[{" + base + "," + "},{".join(records) + "}]").encode()
