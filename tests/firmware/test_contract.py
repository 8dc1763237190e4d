"""What the node's encoder writes, the collector's decoder reads: same numbers, times, units and words."""

from __future__ import annotations

import ast
import json
import random
from pathlib import Path

import pytest

from collector import wire
from tests.firmware.running import FIRMWARE, micropython

NOW_MS = 1_795_000_000_123
TOPIC = "tackfree/booth-1/n1/readings"

ENCODE = """
import json, sys
sys.path[:0] = ["."]
from node import senml
for line in open(sys.argv[1]):
    case = json.loads(line)
    print(senml.pack("n1", case["values"], case["words"], case.get("time_ms"), case.get("age_ms"), case.get("seq"),
                     case.get("oldest_seq")).decode())
"""


def encoded(folder: Path, cases: list[dict[str, object]]) -> list[bytes]:
    """Each case as the node's encoder writes it, under MicroPython."""
    script, data = folder / "encode.py", folder / "cases.txt"
    script.write_text(ENCODE)
    data.write_text("".join(json.dumps(case) + "\n" for case in cases))
    ended = micropython(script, data)
    assert ended.returncode == 0, ended.stderr
    lines = ended.stdout.splitlines()
    assert len(lines) == len(cases)
    return [line.encode() for line in lines]


def test_a_thousand_samples_come_through_with_every_digit(tmp_path: Path) -> None:
    chance = random.Random(8428)
    cases: list[dict[str, object]] = []
    for seq in range(1, 1001):
        values = [
            (q.name, chance.randint(int(q.low * 1000), min(int(q.high * 1000), 2**31 - 1)))
            for q in chance.sample(list(wire.QUANTITIES.values()), 4)
        ]
        time_ms = NOW_MS - chance.randint(0, 10**11)
        cases.append({"values": values, "words": [], "time_ms": time_ms, "seq": seq, "oldest_seq": 1})
    for case, payload in zip(cases, encoded(tmp_path, cases), strict=True):
        pack = wire.decode_pack(TOPIC, payload, NOW_MS)
        assert pack.rejected == ()
        assert pack.seq == case["seq"] and pack.oldest_seq == 1
        assert [(r.quantity, r.value, r.time_ms) for r in pack.readings] == [
            (name, number / 1000, case["time_ms"])
            for name, number in case["values"]  # type: ignore[attr-defined]
        ]


def test_every_unit_is_the_one_the_collector_knows(tmp_path: Path) -> None:
    values = [(q.name, max(0, int(q.low * 1000))) for q in wire.QUANTITIES.values()]
    (payload,) = encoded(tmp_path, [{"values": values, "words": [], "time_ms": NOW_MS}])
    pack = wire.decode_pack(TOPIC, payload, NOW_MS)
    assert pack.rejected == ()
    assert {r.quantity: r.unit for r in pack.readings} == {q.name: q.unit for q in wire.QUANTITIES.values()}


def test_faults_and_presses_arrive_as_words(tmp_path: Path) -> None:
    words = [("air_temperature", "fault: crc"), ("button", "long"), ("odd", 'a "b" \\ c\n')]
    (payload,) = encoded(tmp_path, [{"values": [], "words": words, "time_ms": NOW_MS, "seq": 5}])
    pack = wire.decode_pack("tackfree/booth-1/n1/events", payload, NOW_MS)
    assert [(r.quantity, r.text) for r in pack.remarks] == [*words[:2], ("odd", 'a "b" \\ c ')]


def test_a_sample_without_a_clock_is_dated_by_its_age(tmp_path: Path) -> None:
    values = [("air_temperature", 21000)]
    payloads = encoded(tmp_path, [{"values": values, "words": [], "age_ms": age} for age in (61_500, 0)])
    times = [wire.decode_pack(TOPIC, payload, NOW_MS).readings[0].time_ms for payload in payloads]
    assert times == [NOW_MS - 61_500, NOW_MS]


@pytest.mark.parametrize("file", sorted(FIRMWARE.glob("node/*.py")))
def test_no_float_is_ever_computed_with(file: Path) -> None:
    # Boards compute in 24 bits, this machine in 53, so a run here proves nothing: instead there is no float.
    for part in ast.walk(ast.parse(file.read_text())):
        where = f"{file.name}:{getattr(part, 'lineno', 0)}"
        assert not (isinstance(part, ast.Constant) and isinstance(part.value, (float, complex))), where
        operator = getattr(part, "op", None)
        assert not isinstance(operator, ast.Div), f"{where}: / gives a float; expected //"
        if isinstance(part, ast.Call):
            called = ast.unparse(part.func)
            assert called not in ("float", "round", "time.time", "asyncio.sleep", "random.random"), where
        if isinstance(part, ast.Name):
            assert part.id != "float", where
        if isinstance(part, ast.ImportFrom | ast.Import):
            assert "math" not in ast.unparse(part), where
