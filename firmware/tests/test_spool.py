"""Promises of the spool, on a real LittleFS in RAM."""

import os

import flash
from node.spool import Spool

FOLDER = "/flash/spool"


def payload(number):
    return b"record %d %s" % (number, b"x" * (number % 7))


def held(spool):
    return [(i, spool.read(i)) for i in range(spool.first, spool.next)]


def written(count, **options):
    flash.fresh()
    spool = Spool(FOLDER, **options)
    for number in range(1, count + 1):
        assert spool.append(payload(number)) == number
    return spool


def raises(kind, call):
    try:
        call()
    except kind as error:
        return str(error)
    raise AssertionError("nothing was raised")


def test_what_went_in_comes_out_in_order_and_after_a_restart():
    spool = written(50, segment_bytes=200)
    expected = [(n, payload(n)) for n in range(1, 51)]
    assert held(spool) == expected
    again = Spool(FOLDER, segment_bytes=200)
    assert held(again) == expected
    assert again.append(payload(51)) == 51
    assert held(again) == expected + [(51, payload(51))]
    assert again.damaged == 0


def test_records_can_be_read_in_any_order():
    spool = written(50, segment_bytes=200)
    for n in (50, 1, 49, 2, 25, 24, 26, 1, 50):
        assert spool.read(n) == payload(n)


def test_what_is_released_is_gone_and_the_rest_stays():
    spool = written(50, segment_bytes=200)
    spool.release(20)
    assert spool.first == 21 and len(spool) == 30
    assert spool.read(20) is None
    assert held(spool) == [(n, payload(n)) for n in range(21, 51)]
    assert len(os.listdir(FOLDER)) < 9


def test_the_numbers_go_on_after_everything_was_released_and_the_node_restarted():
    spool = written(30, segment_bytes=200)
    spool.release(30)
    assert len(spool) == 0
    again = Spool(FOLDER, segment_bytes=200)
    assert again.next == 31
    again.release(30)
    assert again.append(b"new") == 31
    assert held(again) == [(31, b"new")]


def test_a_release_beyond_the_end_takes_no_future_record():
    spool = written(3)
    spool.release(99)
    assert spool.append(b"fourth") == 4
    assert held(spool) == [(4, b"fourth")]


def test_a_full_ring_drops_the_oldest_and_counts_it():
    spool = written(100, segment_bytes=200, max_bytes=1000)
    assert spool.dropped > 0
    assert spool.first == spool.dropped + 1
    assert held(spool) == [(n, payload(n)) for n in range(spool.first, 101)]
    assert len(os.listdir(FOLDER)) <= 5


def test_released_records_are_not_counted_as_dropped():
    spool = written(20, segment_bytes=200, max_bytes=1000)
    for n in range(21, 200):
        spool.release(n - 5)
        spool.append(payload(n))
    assert spool.dropped == 0
    assert held(spool) == [(n, payload(n)) for n in range(195, 200)]


def test_a_full_disk_drops_the_oldest_and_counts_it():
    flash.fresh(blocks=12)
    spool = Spool(FOLDER, max_bytes=10000000)
    record = b"r" * 900
    for _ in range(60):
        spool.append(record)
    assert spool.dropped > 0
    assert len(spool) + spool.dropped == 60
    assert [data for _, data in held(spool)] == [record] * len(spool)


def test_a_record_too_large_is_refused_with_its_size():
    spool = written(0)
    assert "5000 bytes" in raises(ValueError, lambda: spool.append(bytes(5000)))


def test_a_file_cut_at_any_byte_keeps_every_whole_record_and_goes_on():
    spool = written(12)
    spool.close()
    name = FOLDER + "/" + os.listdir(FOLDER)[0]
    with open(name, "rb") as file:
        whole = file.read()
    ends = []
    for n in range(1, 13):
        ends.append((ends[-1] if ends else 0) + len(payload(n)) + 11)
    assert ends[-1] == len(whole)
    for cut in range(len(whole) + 1):
        for other in os.listdir(FOLDER):
            os.remove(FOLDER + "/" + other)
        with open(name, "wb") as file:
            file.write(whole[:cut])
        spool = Spool(FOLDER)
        left = len([end for end in ends if end <= cut])
        assert spool.next == left + 1, (cut, spool.next, left)
        assert held(spool) == [(n, payload(n)) for n in range(1, left + 1)], cut
        assert spool.append(b"after") == left + 1
        spool.close()
        again = Spool(FOLDER)
        assert held(again)[-1] == (left + 1, b"after"), cut
        assert len(again) == left + 1
        assert spool.damaged == 0 and again.damaged == 0
        again.close()


def cut_power_at_every_write(record_bytes, **options):
    chip = flash.fresh(blocks=16)
    spool = Spool(FOLDER, **options)
    spool.append(b"before")
    spool.close()
    start, before = chip.copy(), chip.writes

    def record(number):
        return b"%d " % number + bytes(record_bytes)

    def work(spool, done):
        for n in range(2, 22):
            spool.append(record(n))
            done.append(n)
            spool.release(n - 5)

    work(spool, [])
    writes = chip.writes - before
    for cut in range(1, writes + 1):
        chip = start.copy()
        flash.mount(chip)
        spool = Spool(FOLDER, **options)
        done = []
        chip.power_for(cut)
        try:
            work(spool, done)
        except OSError:
            pass
        chip.power_on()
        flash.mount(chip)
        again = Spool(FOLDER, **options)
        newest = done[-1] if done else 1
        # The record being written may or may not have landed; nothing else is open.
        assert again.next in (newest + 1, newest + 2), (cut, again.next, newest)
        for n in range(max(2, newest - 4), newest + 1):
            assert again.read(n) == record(n), (cut, n)
        number = again.append(b"after")
        assert again.read(number) == b"after"
        again.close()
    return writes


def test_power_cut_at_any_flash_write_loses_no_small_record_that_was_acknowledged():
    assert cut_power_at_every_write(10, segment_bytes=100, max_bytes=3000) >= 20


def test_power_cut_at_any_flash_write_loses_no_large_record_that_was_acknowledged():
    assert cut_power_at_every_write(300, segment_bytes=2000, max_bytes=20000) >= 40


def test_a_spoilt_record_is_stepped_over_and_its_number_is_not_given_again():
    spool = written(10)
    name = FOLDER + "/" + os.listdir(FOLDER)[0]
    with open(name, "rb") as file:
        whole = bytearray(file.read())
    for spoilt in (1, 5, 10):
        with open(name, "wb") as file:
            copy = bytearray(whole)
            copy[copy.find(payload(spoilt)[:9])] ^= 0x10
            file.write(copy)
        spool = Spool(FOLDER)
        assert spool.next == 11, (spoilt, spool.next)
        assert [i for i, data in held(spool) if data is None] == [spoilt]


def test_an_unreadable_record_at_the_front_is_given_up_and_counted():
    spool = written(3)
    name = FOLDER + "/" + os.listdir(FOLDER)[0]
    with open(name, "r+b") as file:
        file.seek(9)
        file.write(b"\x00")
    spool = Spool(FOLDER)
    spool.skip_unreadable()
    assert spool.first == 2 and spool.damaged == 1


def test_the_newest_record_is_known_after_a_restart():
    written(0)
    assert Spool(FOLDER).last() is None
    written(50, segment_bytes=200)
    assert Spool(FOLDER, segment_bytes=200).last() == payload(50)
