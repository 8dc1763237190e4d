"""The retained list of open alerts of each booth."""

from __future__ import annotations

import json
from datetime import UTC, datetime

from collector.alerts.board import Board
from collector.records.alerts import Alert

NOW = datetime(2026, 3, 5, 14, 0, tzinfo=UTC)


def alert(number, booth="b", **changed):
    told = {"kind": "vapour", "subject": f"s{number}", "level": "danger", "what": "Vapour", "why": "It is so.",
            "what_to_do": "Stop.", "since": NOW, "raised_at": NOW}  # fmt: skip
    return Alert(**{**told, "booth": booth, "id": number, **changed})


class Wire:
    def __init__(self):
        self.sent = []
        self.board = Board(lambda topic, payload: self.sent.append((topic, json.loads(payload))))

    def shown(self, *alerts, booths=("b",)):
        self.sent.clear()
        self.board.show(alerts, booths)
        return self.sent


def test_a_booth_with_nothing_to_tell_has_an_empty_list():
    assert Wire().shown(booths=("a", "b")) == [("tackfree/a/alerts", []), ("tackfree/b/alerts", [])]


def test_a_list_is_sent_when_it_changes_and_emptied_when_all_is_over():
    wire = Wire()
    ((topic, (told,)),) = wire.shown(alert(1))
    assert topic == "tackfree/b/alerts"
    assert told == {
        "id": 1, "kind": "vapour", "subject": "s1", "booth": "b", "level": "danger", "what": "Vapour",
        "why": "It is so.", "what_to_do": "Stop.", "caution": "", "since": "2026-03-05T14:00:00+00:00",
        "raised_at": "2026-03-05T14:00:00+00:00", "cleared_at": None, "acknowledged_at": None, "snoozed_until": None,
    }  # fmt: skip
    assert wire.shown(alert(1)) == []
    assert len(wire.shown(alert(1, acknowledged_at=NOW))) == 1
    assert wire.shown() == [("tackfree/b/alerts", [])]


def test_each_booth_has_its_own_and_a_booth_that_is_gone_is_emptied():
    wire = Wire()
    assert [(topic, len(told)) for topic, told in wire.shown(alert(1), alert(2, "c"))] == [
        ("tackfree/b/alerts", 1),
        ("tackfree/c/alerts", 1),
    ]
    assert wire.shown(alert(1)) == [("tackfree/c/alerts", [])]


def test_a_booth_whose_name_no_topic_can_hold_keeps_no_other_from_its_list():
    assert Wire().shown(alert(1, "Back room/2"), alert(2)) == [("tackfree/b/alerts", [*Wire().shown(alert(2))[0][1]])]
