"""Promises of the courier, with a pretended collector and a spool on a real LittleFS."""

import flash
from node.courier import ROUND, WINDOW, Courier
from node.memory import Memory
from node.spool import Spool


class Shop:
    """A node's spool and courier, and a broker and collector that may each be deaf."""

    def __init__(self, synced=True, backlog_per_s=1000):
        flash.fresh()
        self.now = 0
        self.memory = Memory("/flash")
        if synced:
            self.memory.update(synced=True)
        self.backlog_per_s = backlog_per_s
        self.reboot()

    def reboot(self):
        self.spool = Spool("/flash/spool")
        self.courier = Courier(self.spool, self.memory, self.backlog_per_s)
        self.pid = 0

    def sample(self, count=1):
        for _ in range(count):
            self.spool.append(b"s")

    def pump(self, ms=0, puback=True, step=1):
        """Let time pass; the indices that were sent."""
        out = []
        end = self.now + ms
        while True:
            index = self.courier.next(self.now)
            if index is not None:
                self.pid += 1
                self.courier.sent(index, self.pid, self.now)
                if puback:
                    self.courier.puback(self.pid)
                out.append(index)
            elif self.now < end:
                self.now += step
            else:
                return out


def test_live_samples_go_first_and_the_backlog_follows_at_its_rate():
    shop = Shop(backlog_per_s=10)
    shop.sample(30)
    shop.courier.connected(0)
    assert shop.pump(450) == [1, 2, 3, 4, 5]
    shop.sample(2)
    assert shop.pump() == [31, 32]
    assert shop.pump(1000) == list(range(6, 16))


def test_nothing_leaves_the_spool_on_the_broker_s_word():
    shop = Shop()
    shop.sample(5)
    shop.courier.connected(0)
    assert shop.pump(100) == [1, 2, 3, 4, 5]
    assert len(shop.spool) == 5
    assert shop.courier.stored(4, shop.now)
    assert len(shop.spool) == 1 and shop.spool.first == 5


def test_at_most_a_window_is_under_way_at_once():
    shop = Shop()
    shop.sample(50)
    shop.courier.connected(0)
    assert len(shop.pump(100, puback=False)) == WINDOW
    assert shop.courier.puback(1)
    assert not shop.courier.puback(1)
    assert len(shop.pump(100, puback=False)) == 1


def test_a_broker_that_owes_an_acknowledgement_is_overdue():
    shop = Shop()
    shop.sample()
    shop.courier.connected(0)
    shop.pump(10, puback=False)
    assert not shop.courier.overdue(4000)
    assert shop.courier.overdue(6000)


def test_what_the_broker_did_not_acknowledge_goes_out_after_reconnecting():
    shop = Shop()
    shop.sample(20)
    shop.courier.connected(0)
    assert shop.pump(100, puback=False) == list(range(1, WINDOW + 1))
    shop.courier.disconnected()
    shop.courier.connected(shop.now)
    assert shop.pump(100) == list(range(1, 21))


def test_what_the_broker_acknowledged_is_not_sent_at_once_again():
    shop = Shop()
    shop.sample(20)
    shop.courier.connected(0)
    shop.pump(100)
    shop.courier.disconnected()
    shop.sample(3)
    shop.courier.connected(shop.now)
    assert shop.pump(100) == [21, 22, 23]


def test_a_number_that_stands_still_makes_the_lowest_go_again_ever_more_rarely():
    shop = Shop()
    shop.sample(200)
    shop.courier.connected(0)
    assert shop.pump(1000) == list(range(1, 201))
    hours = shop.pump(3 * 3600 * 1000, step=100)
    assert hours[:ROUND] == list(range(1, ROUND + 1))
    assert set(hours) == set(range(1, ROUND + 1))
    # Once in about a minute, and never more than the round.
    assert len(hours) <= ROUND * 3 * 60 * 1.1


def test_after_a_repeated_round_was_stored_the_next_follows_without_a_wait():
    shop = Shop()
    shop.sample(200)
    shop.courier.connected(0)
    shop.pump(1000)
    sent = []
    # The broker lost all 200. The collector now answers each round.
    for _ in range(4):
        again = shop.pump(6000 if not sent else 200)
        sent += again
        shop.courier.stored(again[-1], shop.now)
    assert sent == list(range(1, 201))
    assert len(shop.spool) == 0


def test_a_number_never_issued_is_not_believed():
    shop = Shop()
    shop.sample(5)
    shop.courier.connected(0)
    shop.pump(100)
    assert not shop.courier.stored(6, shop.now)
    assert len(shop.spool) == 5


def test_a_lower_number_than_before_takes_nothing_back():
    shop = Shop()
    shop.sample(5)
    shop.courier.connected(0)
    shop.pump(100)
    shop.courier.stored(4, shop.now)
    assert shop.courier.stored(2, shop.now)
    assert shop.spool.first == 5


def test_a_fresh_node_waits_for_the_retained_number_and_goes_on_above_it():
    shop = Shop(synced=False)
    shop.sample(3)
    shop.courier.connected(0)
    assert shop.pump(1000) == []
    shop.courier.stored(5000, shop.now)
    assert len(shop.spool) == 3
    assert shop.pump(100) == [1, 2, 3]
    assert [shop.courier.seq(i) for i in (1, 2, 3)] == [5001, 5002, 5003]
    shop.courier.stored(5002, shop.now)
    assert shop.spool.first == 3


def test_a_fresh_node_nobody_knows_asks_with_one_record_and_then_sends_all():
    shop = Shop(synced=False)
    shop.sample(3)
    shop.courier.connected(0)
    assert shop.pump(4000) == [1]
    shop.courier.stored(1, shop.now)
    assert shop.spool.first == 2 and shop.courier.seq(2) == 2
    assert shop.pump(100) == [2, 3]


def test_a_wiped_node_is_not_taken_in_by_an_old_acknowledgement_that_comes_late():
    shop = Shop(synced=False)
    shop.sample(300)
    shop.courier.connected(0)
    assert shop.pump(4000) == [1]
    # The collector comes back only now, and remembers 250 of an earlier life.
    shop.courier.stored(250, shop.now)
    assert len(shop.spool) == 300
    assert shop.courier.seq(1) == 251


def test_the_question_is_repeated_while_nobody_answers_but_ever_more_rarely():
    shop = Shop(synced=False)
    shop.sample(3)
    shop.courier.connected(0)
    asked = shop.pump(3600 * 1000, step=100)
    assert set(asked) == {1}
    assert 50 < len(asked) < 70


def test_a_settled_number_survives_a_reboot():
    shop = Shop(synced=False)
    shop.sample(3)
    shop.courier.connected(0)
    shop.courier.stored(5000, 100)
    shop.memory = Memory("/flash")
    shop.reboot()
    shop.courier.connected(0)
    assert shop.pump(100) == [1, 2, 3]
    assert shop.courier.seq(3) == 5003
    # An acknowledgement of the earlier life covers none of these.
    shop.courier.stored(5000, shop.now)
    assert len(shop.spool) == 3


def test_after_a_reboot_all_that_is_held_goes_out():
    shop = Shop()
    shop.sample(10)
    shop.courier.connected(0)
    shop.pump(100)
    shop.courier.stored(4, shop.now)
    shop.reboot()
    shop.courier.connected(0)
    shop.courier.stored(4, 0)
    assert shop.pump(100) == [5, 6, 7, 8, 9, 10]


def test_an_unreadable_record_at_the_front_holds_up_nothing():
    shop = Shop()
    shop.sample(5)
    shop.spool.close()
    with open("/flash/spool/0000000001.seg", "r+b") as file:
        file.seek(7)
        file.write(b"\x00")
    shop.reboot()
    shop.courier.connected(0)
    shop.pump(100)
    shop.pump(6000)
    assert shop.spool.first == 2 and shop.spool.damaged == 1
