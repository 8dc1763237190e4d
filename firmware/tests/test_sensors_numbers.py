"""Conversions and check sums against numbers printed in data sheets. "Seen" says that the page was read for this;
"from memory" that it was not."""

from sensors import bme280, crc, diffpressure, ds18b20, mlx90614, pid, sgp40, sht4x


def test_word_check_is_that_of_the_sht4x_data_sheet():
    # SHT4x data sheet, section 4.4: CRC(0xBEEF) = 0x92. From memory.
    assert crc.crc8_words(b"\xbe\xef") == 0x92


def test_word_check_is_that_of_the_sgp40_data_sheet():
    # SGP40 data sheet 1.0, tables 9 and 10. Seen.
    assert crc.crc8_words(b"\x80\x00") == 0xA2
    assert crc.crc8_words(b"\x66\x66") == 0x93
    assert crc.crc8_words(b"\x00\x00") == 0x81
    assert crc.crc8_words(b"\xff\xff") == 0xAC


def test_packet_error_code_is_that_of_the_infrared_thermometer():
    # MLX90614 data sheet, SMBus read example: 0x3AD2 at register 7 of address 0x5A. From memory.
    assert crc.crc8_pec(b"\xb4\x07\xb5\xd2\x3a") == 0x30
    # Melexis application note 390119061402, erasing of the address register. Seen.
    assert crc.crc8_pec(b"\x00\x2e\x00\x00") == 0x6F


def test_onewire_check_is_that_of_the_application_note():
    # Dallas application note 27, the ROM of its example. From memory.
    assert crc.crc8_onewire(b"\x02\x1c\xb8\x01\x00\x00\x00") == 0xA2


def test_sht4x_scale_has_the_ends_of_its_formula():
    # SHT4x data sheet, section 4.6: -45 to 130 Cel, -6 to 119 %. From memory.
    assert (sht4x.air_milli(0), sht4x.air_milli(65535)) == (-45000, 130000)
    assert (sht4x.humidity_milli(0), sht4x.humidity_milli(65535)) == (-6000, 119000)
    # The default of the SGP40's table 10, on the same scale of temperature: 0x6666 is 25 Cel. Seen.
    assert sht4x.air_milli(0x6666) == 25000


def test_sgp40_is_told_humidity_and_temperature_on_its_own_scale():
    # SGP40 data sheet 1.0, table 10. Seen.
    assert sgp40.compensation_ticks(25000, 50000) == (0x8000, 0x6666)
    assert sgp40.compensation_ticks(-45000, 0) == (0, 0)
    assert sgp40.compensation_ticks(130000, 100000) == (0xFFFF, 0xFFFF)
    # Beyond the scale its ends are sent.
    assert sgp40.compensation_ticks(200000, -1000) == (0, 0xFFFF)


class _WorkedExample:
    # BMP280 data sheet, 3.12, whose temperature and pressure parts are the BME280's. From memory.
    t = (27504, 26435, -1000)
    p = (36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
    h = (75, 362, 0, 315, 50, 30)


def test_bme280_temperature_is_that_of_the_worked_example():
    air, fine = bme280.air_milli(_WorkedExample, 519888)
    assert fine == 128422
    # The example is in hundredths: 25.08 Cel.
    assert (air + 5) // 10 == 2508


def test_bme280_pressure_is_that_of_the_worked_example():
    # 100653.27 Pa, in floating point; the integer formula starts from a rounded temperature and may differ by
    # a few 256ths of a pascal.
    pressure = bme280.pressure_milli(_WorkedExample, 415148, 128422)
    assert abs(pressure - 100653270) <= 20


def test_bme280_humidity_agrees_with_the_data_sheets_other_formula():
    # The data sheet has the formula twice, in integers and in floating point (4.2.3 and its appendix), and no
    # worked number. From memory; they are to agree within a count of the integer one's steps.
    import simdevices

    for raw, fine in ((25000, 128422), (30000, 102400), (36000, 0), (28000, 200000)):
        by_float = simdevices.humidity(raw, fine)
        assert abs(bme280.humidity_milli(_WorkedExample, raw, fine) - 1000 * by_float) < 20, raw


def test_bme280_humidity_stays_between_0_and_100():
    assert bme280.humidity_milli(_WorkedExample, 0, 128422) == 0
    assert bme280.humidity_milli(_WorkedExample, 65535, 128422) == 100000


def test_bme280_trimming_is_unpacked_as_the_register_map_has_it():
    # H4 and H5 share a register, and both are signed 12-bit numbers (data sheet table 16). From memory.
    first = bytes(24) + b"\x00\x4b"
    trim = bme280.Trim(first, bytes([0x6A, 0x01, 0x00, 0x13, 0x2B, 0x03, 0x1E]))
    assert trim.h == (75, 362, 0, 0x13B, 0x032, 30)
    negative = bme280.Trim(first, bytes([0x6A, 0x01, 0x00, 0xFF, 0x1F, 0xF0, 0xE2]))
    assert negative.h == (75, 362, 0, -1, -255, -30)


def test_infrared_counts_are_fiftieths_of_a_kelvin():
    # Melexis application note 390119061402, section on RAM: 0x27AD is -70.01 Cel and 0x7FFF is 382.19 Cel. Seen.
    assert mlx90614.surface_milli(0x27AD, 0x27AD, 1000) == -70010
    assert mlx90614.surface_milli(0x7FFF, 0x7FFF, 1000) == 382190


def test_emissivity_does_nothing_where_surface_and_surroundings_are_equally_warm():
    # A limiting case: what is not emitted is mirrored, from as warm a place.
    for counts in (13000, 14657, 16500):
        assert abs(mlx90614.surface_milli(counts, counts, 900) - (20 * counts - 273150)) <= 1


def test_a_mirroring_surface_is_warmer_than_it_looks_in_cooler_surroundings():
    # T^4 = (T_seen^4 - 0.1 T_own^4) / 0.9 at 310 K seen and 295 K own: 311.538 K. Computed in CPython floats.
    assert abs(mlx90614.surface_milli(15500, 14750, 900) - (311538 - 273150)) <= 2


def test_contact_probe_reads_the_data_sheets_table():
    # DS18B20 data sheet, table 1. Seen. The finest step is 62.5 thousandths, so halves are rounded up.
    table = {
        0x07D0: 125000,
        0x0550: 85000,
        0x0191: 25063,
        0x00A2: 10125,
        0x0008: 500,
        0x0000: 0,
        0xFFF8: -500,
        0xFF5E: -10125,
        0xFE6F: -25062,
        0xFC90: -55000,
    }
    assert {raw: ds18b20.surface_milli(raw) for raw in table} == table


def test_contact_probe_leaves_out_the_bits_its_resolution_does_not_define():
    assert ds18b20.surface_milli(0x0197, 0) == 25000
    assert ds18b20.surface_milli(0x0197, 2) == 25375


def test_pressure_scale_runs_from_a_tenth_to_nine_tenths_of_the_counts():
    # HSC and SSC data sheets, transfer function A: 1638 counts at the low end, 14746 at the high. From memory.
    assert diffpressure.pressure_milli(1638, -250000, 250000) == -250000
    assert diffpressure.pressure_milli(14746, -250000, 250000) == 250000
    assert diffpressure.pressure_milli(8192, -250000, 250000) == 0


def test_the_membrane_sensors_own_temperature_has_the_ends_of_its_formula():
    # Honeywell technical note 008201: counts / 2047 * 200 - 50. From memory.
    assert (diffpressure.own_milli(0), diffpressure.own_milli(2047)) == (-50000, 150000)


def test_a_calibration_that_cannot_be_is_refused_by_name():
    wrong = (
        (lambda: pid.PID(None, 50000, 40000, 100000), "zero_uv"),
        (lambda: pid.PID(None, 50000, 250000, 0), "span_ppm_milli"),
        (lambda: mlx90614.MLX90614(None, emissivity_milli=95), "emissivity_milli"),
        (lambda: diffpressure.DiffPressure(None, 250000, -250000), "low_milli"),
        (lambda: sgp40.SGP40(None, ticks_per_point=0), "ticks_per_point"),
        (lambda: ds18b20.DS18B20(None, rom="28ff"), "rom"),
        (lambda: ds18b20.DS18B20(None, rom="2800000000000000"), "rom"),
    )
    named = []
    for make, name in wrong:
        try:
            make()
        except ValueError as error:
            named.append(name in error.args[0])
    assert named == [True] * len(wrong)
