"""Promises of the numbers and the errors that outlive a reboot."""

import os

import flash
from node.faultlog import FaultLog
from node.memory import Memory


def test_what_was_updated_is_there_after_a_restart():
    flash.fresh()
    Memory("/flash").update(boot=3, offset=70, synced=True)
    again = Memory("/flash")
    assert (again["boot"], again["offset"], again["synced"], again["dropped"]) == (3, 70, True, 0)


def test_a_file_cut_at_any_byte_leaves_the_state_before_or_after():
    flash.fresh()
    memory = Memory("/flash")
    memory.update(boot=1)
    memory.update(boot=2)
    files = {}
    for name in ("/flash/memory.a", "/flash/memory.b"):
        with open(name, "rb") as file:
            files[name] = file.read()
    newest = files["/flash/memory.a"]
    assert b'"boot": 2' in newest
    for cut in range(len(newest) + 1):
        for name, content in files.items():
            with open(name, "wb") as file:
                file.write(content if name.endswith("b") else content[:cut])
        # The line end is the one byte that nothing depends on.
        assert Memory("/flash")["boot"] == (2 if cut >= len(newest) - 1 else 1), cut
        Memory("/flash").update(boot=9)
        assert Memory("/flash")["boot"] == 9


def test_power_cut_at_any_flash_write_leaves_the_state_before_or_after():
    chip = flash.fresh()
    Memory("/flash").update(boot=1)
    start, before = chip.copy(), chip.writes
    Memory("/flash").update(boot=2)
    for cut in range(1, chip.writes - before + 1):
        copy = start.copy()
        flash.mount(copy)
        copy.power_for(cut)
        try:
            Memory("/flash").update(boot=2)
        except OSError:
            pass
        copy.power_on()
        flash.mount(copy)
        assert Memory("/flash")["boot"] in (1, 2)


def test_an_exception_is_told_with_its_place_until_it_is_reported():
    flash.fresh()
    log = FaultLog("/flash")
    try:
        {}["nothing"]
    except KeyError as error:
        log.add("sampler", error)
    lines = FaultLog("/flash").unreported()
    assert len(lines) == 1
    assert lines[0].startswith("sampler: KeyError: nothing") and "test_memory.py" in lines[0]
    log.reported()
    assert log.unreported() == []


def test_the_log_is_bounded_and_counts_what_it_leaves_out():
    flash.fresh()
    log = FaultLog("/flash", max_bytes=1000)
    for n in range(200):
        log.note("error %d" % n)
    assert os.stat("/flash/faults.log")[6] <= 1000
    assert log.unlogged > 0
    assert log.unreported() == ["error 0", "error 1", "error 2"]


def test_a_dead_flash_does_not_raise():
    log = FaultLog("/not/there")
    log.note("lost")
    assert log.unlogged == 1
    log.reported()
