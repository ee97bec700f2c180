"""The inbox: bounded, in order, waits and wakes, and loses nothing between threads."""

from __future__ import annotations

import contextlib
import threading
import time

import pytest

from service.receive.inbox import Inbox
from tests.parts import wait_until

BYTES = 1000


def made(most: int, most_bytes: int = BYTES) -> Inbox[int]:
    """An inbox of numbers of which each weighs what it says."""
    return Inbox(most, most_bytes=most_bytes, weigh=lambda number: number)


def take(inbox: Inbox[int], most: int = 100) -> list[int]:
    return inbox.take(most, most_bytes=BYTES, age_s=0.0, wait_s=0.0)


def test_items_come_out_in_the_order_in_which_they_went_in() -> None:
    inbox: Inbox[int] = made(10)
    assert all(inbox.put(n) for n in range(5))
    assert len(inbox) == 5
    assert take(inbox, 3) == [0, 1, 2]
    assert take(inbox, 3) == [3, 4]
    assert take(inbox, 3) == []


def test_a_full_inbox_makes_its_filler_wait_until_there_is_room() -> None:
    inbox: Inbox[int] = made(3)
    done: list[int] = []

    def fill() -> None:
        for n in range(5):
            assert inbox.put(n)
            done.append(n)

    filler = threading.Thread(target=fill)
    filler.start()
    wait_until(lambda: inbox.waited == 1, "the filler found it full")
    assert done == [0, 1, 2]
    assert len(inbox) == 3
    assert take(inbox, 1) == [0]
    wait_until(lambda: done == [0, 1, 2, 3], "the filler went on")
    wait_until(lambda: inbox.waited == 2, "and waits again")
    assert take(inbox) == [1, 2, 3]
    filler.join(10)
    assert take(inbox) == [4]


def test_closing_wakes_a_filler_that_waits_and_lets_nothing_more_in() -> None:
    inbox: Inbox[int] = made(1)
    inbox.put(1)
    answers: list[bool] = []
    filler = threading.Thread(target=lambda: answers.append(inbox.put(2)))
    filler.start()
    wait_until(lambda: inbox.waited, "the filler waits")
    inbox.close()
    filler.join(10)
    assert answers == [False]
    assert inbox.put(3) is False
    assert take(inbox) == [1]  # what is inside can still be taken
    assert take(inbox) == []


def test_closing_wakes_a_taker_that_waits() -> None:
    inbox: Inbox[int] = made(5)
    taken: list[list[int]] = []
    taker = threading.Thread(target=lambda: taken.append(inbox.take(5, most_bytes=BYTES, age_s=60, wait_s=60)))
    taker.start()
    inbox.close()
    taker.join(10)
    assert taken == [[]]


def test_a_taker_waits_for_the_first_item_and_is_woken_by_it() -> None:
    inbox: Inbox[int] = made(5)
    taken: list[list[int]] = []
    taker = threading.Thread(target=lambda: taken.append(inbox.take(5, most_bytes=BYTES, age_s=0, wait_s=60)))
    taker.start()
    inbox.put(7)
    taker.join(10)
    assert taken == [[7]]


def test_an_empty_inbox_answers_after_the_wait() -> None:
    started_s = time.monotonic()
    assert made(5).take(5, most_bytes=BYTES, age_s=60, wait_s=0.05) == []
    assert 0.04 < time.monotonic() - started_s < 10


def test_a_batch_fills_until_its_age_and_leaves_at_once_when_it_is_full() -> None:
    inbox = made(100, most_bytes=10**6)
    inbox.put(0)
    started_s = time.monotonic()
    assert inbox.take(50, most_bytes=10**6, age_s=0.1, wait_s=1) == [0]
    assert time.monotonic() - started_s >= 0.09
    for n in range(50):
        inbox.put(n)
    started_s = time.monotonic()
    assert len(inbox.take(50, most_bytes=10**6, age_s=60, wait_s=60)) == 50
    assert time.monotonic() - started_s < 30


def test_closing_ends_the_wait_of_a_batch_that_fills() -> None:
    inbox: Inbox[int] = made(100)
    inbox.put(1)
    taken: list[list[int]] = []
    taker = threading.Thread(target=lambda: taken.append(inbox.take(50, most_bytes=10**6, age_s=60, wait_s=60)))
    taker.start()
    inbox.close()
    taker.join(10)
    assert taken == [[1]]


@pytest.mark.parametrize("most", [1, 7, 1000])
def test_between_threads_nothing_is_lost_or_doubled_and_each_filler_keeps_its_order(most: int) -> None:
    inbox: Inbox[tuple[int, int]] = Inbox(most, most_bytes=BYTES, weigh=lambda _: 0)
    fillers = [threading.Thread(target=lambda who=who: [inbox.put((who, n)) for n in range(300)]) for who in range(3)]
    for filler in fillers:
        filler.start()
    found: list[tuple[int, int]] = []
    end_s = time.monotonic() + 60
    while len(found) < 900 and time.monotonic() < end_s:
        found += inbox.take(40, most_bytes=BYTES, age_s=0.001, wait_s=0.2)
        assert len(inbox) <= most + len(fillers)
    for filler in fillers:
        filler.join(10)
    for who in range(3):
        assert [n for name, n in found if name == who] == list(range(300))
    assert len(inbox) == 0


def test_bytes_bound_it_as_items_do() -> None:
    inbox = made(100, most_bytes=10)
    assert inbox.put(6)
    assert inbox.put(5)  # an item is never cut: it may go over by one
    answers: list[bool] = []
    filler = threading.Thread(target=lambda: answers.append(inbox.put(1)))
    filler.start()
    wait_until(lambda: inbox.waited, "the filler waits")
    assert take(inbox, 1) == [6]
    filler.join(10)
    assert answers == [True]
    assert take(inbox) == [5, 1]


def test_bytes_are_counted_whole_when_several_fill_it() -> None:
    """The two meet while each weighs its item: neither may add to what the inbox held before the other."""
    both = threading.Barrier(2)

    def weigh(_: int) -> int:
        if filling:
            with contextlib.suppress(threading.BrokenBarrierError):
                both.wait(5)
        return 6

    filling = True
    inbox: Inbox[int] = Inbox(100, most_bytes=12, weigh=weigh)
    fillers = [threading.Thread(target=inbox.put, args=(n,)) for n in range(2)]
    for filler in fillers:
        filler.start()
    for filler in fillers:
        filler.join(20)
    filling = False
    assert inbox.waiting_bytes == 12
    assert inbox.put(3, wait_s=0.0) is False, "it is full by its bytes"
    assert len(inbox.take(10, most_bytes=100, age_s=0, wait_s=0)) == 2
    assert inbox.waiting_bytes == 0


def test_a_batch_ends_with_the_item_that_brings_it_to_its_bytes() -> None:
    inbox = made(100)
    for number in (30, 30, 50, 7, 200, 1):
        inbox.put(number)

    def batch() -> list[int]:
        return inbox.take(100, most_bytes=100, age_s=0, wait_s=0)

    assert [batch(), batch(), batch(), batch()] == [[30, 30, 50], [7, 200], [1], []]


def test_an_item_heavier_than_a_whole_batch_still_goes_through() -> None:
    inbox = made(100, most_bytes=10)
    inbox.put(500)
    assert inbox.take(100, most_bytes=10, age_s=60, wait_s=0) == [500]
