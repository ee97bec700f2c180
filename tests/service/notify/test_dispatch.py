"""What is owed is sent: in order, once as far as anybody can know, and through every failure of its surroundings."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import pytest

from service.model import Accepted, Channel, OutboxRow, Refused
from service.notify.dispatch import Bounds, Dispatcher
from service.notify.retry import RetryPolicy
from tests.service.notify.made import Clock, MemoryOutbox, row, until

QUICK = Bounds(poll_s=0.01, outbox_pause_s=0.01, outbox_pause_most_s=0.05)
SLOW = Bounds(poll_s=60.0)  # nothing is found by looking again: only by a wake
SECOND_US = 1_000_000


class Hook:
    """A channel in memory: it answers by `answer`, and remembers what came and how many at once."""

    timeout_s = 1.0

    def __init__(self, answer: Callable[[OutboxRow], Any] | None = None, name: str = "mail") -> None:
        self.name = name
        self.answer = answer or (lambda _: Accepted("taken"))
        self.came: list[OutboxRow] = []
        self.at_once: Counter[tuple[str, str]] = Counter()
        self.most_at_once: Counter[tuple[str, str]] = Counter()
        self.lock = threading.Lock()

    def send(self, row: OutboxRow) -> Accepted | Refused:
        lane = (row.told.alarm_id, row.address)
        with self.lock:
            self.came.append(row)
            for counted in (lane, ("all", "")):
                self.at_once[counted] += 1
                self.most_at_once[counted] = max(self.most_at_once[counted], self.at_once[counted])
        try:
            return self.answer(row)
        finally:
            with self.lock:
                self.at_once[lane] -= 1
                self.at_once[("all", "")] -= 1

    def close(self) -> None:
        """Nothing to close."""

    @property
    def ids(self) -> list[int]:
        with self.lock:
            return [one.id for one in self.came]


@contextmanager
def running(
    outbox: MemoryOutbox,
    channels: Mapping[str, Channel],
    clock: Clock | None = None,
    *,
    bounds: Bounds = QUICK,
    workers: int = 4,
    policy: RetryPolicy | None = None,
) -> Iterator[Dispatcher]:
    made = Dispatcher(
        outbox,
        channels,
        clock or Clock(),
        policy=policy or RetryPolicy(),
        workers=workers,
        random=lambda: 0.0,
        bounds=bounds,
    )
    made.start()
    try:
        yield made
    finally:
        made.stop(5.0)


def test_a_due_row_is_sent_and_recorded_with_the_channels_detail() -> None:
    outbox, hook, clock = MemoryOutbox(), Hook(), Clock()
    outbox.add(row(1), row(2, alarm="b"))
    with running(outbox, {"mail": hook}, clock) as dispatcher:
        until(lambda: len(outbox.accepted_ids) == 2)
        until(lambda: dispatcher.state().sent == 2)
        state = dispatcher.state()
    assert sorted(hook.ids) == [1, 2]
    assert outbox.details[1] == (clock.now_us, "taken")
    assert (state.failed, state.given_up, state.in_flight, state.owed, state.oldest_owed_us) == (0, 0, 0, 0, None)
    assert outbox.threads == {"dispatcher"}  # the outbox is called from one thread only


def test_a_wake_sends_at_once_without_waiting_for_the_next_look() -> None:
    outbox, hook = MemoryOutbox(), Hook()
    with running(outbox, {"mail": hook}, bounds=SLOW) as dispatcher:
        until(lambda: outbox.asked)  # the first look found nothing; the next one by itself is a minute away
        outbox.add(row(1))
        dispatcher.wake()
        until(lambda: outbox.accepted_ids == [1])


def test_a_temporary_refusal_is_tried_again_after_seconds_and_then_recorded_as_sent() -> None:
    outbox, clock = MemoryOutbox(), Clock()
    answers = iter([Refused("busy"), Refused("busy", retry_after_s=300.0), Accepted("at last")])
    hook = Hook(lambda _: next(answers))
    outbox.add(row(1))
    with running(outbox, {"mail": hook}, clock) as dispatcher:
        until(lambda: len(outbox.errors) == 1)
        until(lambda: dispatcher.state().failed == 1)
        assert dispatcher.state().oldest_owed_us == row(1).queued_us
        looks = len(outbox.asked)
        until(lambda: len(outbox.asked) > looks + 2)
        assert hook.ids == [1]  # not yet due: looked for, and left alone
        clock.now_us += 3 * SECOND_US
        until(lambda: len(outbox.errors) == 2)
        clock.now_us += 301 * SECOND_US
        until(lambda: outbox.accepted_ids == [1])
    assert [after_us for _, _, after_us in outbox.errors] == [2.5 * SECOND_US, 300 * SECOND_US]
    assert {one.key for one in hook.came} == {row(1).key}


def test_the_waits_grow_with_the_attempts_and_the_last_one_gives_up() -> None:
    outbox, clock = MemoryOutbox(), Clock()
    policy = RetryPolicy(first_s=5, cap_s=60, give_up_after_s=300, least_attempts=3)
    outbox.add(row(1, queued_us=clock.now_us))
    with running(outbox, {"mail": Hook(lambda _: Refused("down"))}, clock, policy=policy) as dispatcher:
        waited_us: list[int] = []
        while not outbox.given_up:
            until(lambda: len(outbox.errors) > len(waited_us))
            waited_us.append(outbox.errors[len(waited_us)][2] or 0)
            clock.now_us += waited_us[-1]
        until(lambda: dispatcher.state().given_up == 1)
        assert dispatcher.state().last_error == "down"
    waits_s = [after_us / SECOND_US for _, _, after_us in outbox.errors if after_us is not None]
    assert waits_s[:6] == [2.5, 5, 10, 20, 30, 30]
    assert 300 <= sum(waits_s) <= 360
    assert outbox.given_up == {1: "down"}


@pytest.mark.parametrize(
    ("channel", "answer", "error"),
    [
        ("mail", Refused("550 no such user", permanent=True), "550 no such user"),
        ("pager", Accepted(), "channel 'pager' is not configured (known: mail): add [channels.pager]"),
    ],
)
def test_a_permanent_refusal_and_an_unknown_channel_are_given_up_at_once(
    channel: str, answer: Accepted | Refused, error: str
) -> None:
    outbox = MemoryOutbox()
    outbox.add(row(1, channel=channel))
    with running(outbox, {"mail": Hook(lambda _: answer)}):
        until(lambda: outbox.given_up)
    assert outbox.given_up == {1: error}


def raises(error: BaseException) -> Callable[[OutboxRow], Any]:
    def answer(_: OutboxRow) -> Any:
        raise error

    return answer


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (raises(ZeroDivisionError("by\ud800 zero")), "channel 'mail' failed: ZeroDivisionError: by? zero"),
        (raises(SystemExit("bye")), "channel 'mail' failed: SystemExit: bye"),
        (lambda _: None, "channel 'mail' gave None, expected Accepted or Refused"),
        (lambda _: Refused("x" * 9999), "x" * 500),
    ],
)
def test_a_broken_channel_is_a_temporary_failure_and_the_others_go_on(
    answer: Callable[[OutboxRow], Any], said: str
) -> None:
    outbox, good = MemoryOutbox(), Hook(name="hook")
    outbox.add(row(1), row(2, channel="hook"))
    with running(outbox, {"mail": Hook(answer), "hook": good}):
        until(lambda: outbox.errors and outbox.accepted_ids == [2])
        outbox.add(row(3, channel="hook"))
        until(lambda: outbox.accepted_ids == [2, 3])
    assert outbox.errors == [(1, said, 2.5 * SECOND_US)]


# ---------------------------------------------------------------- order


def test_rows_of_one_alarm_go_out_in_order_and_one_at_a_time_while_others_pass() -> None:
    outbox = MemoryOutbox()
    both = threading.Barrier(2, timeout=10)  # two alarms are being sent at the same moment, or this breaks

    def answer(one: OutboxRow) -> Accepted:
        if one.id in (1, 2):
            both.wait()
        return Accepted()

    hook = Hook(answer)
    outbox.add(*(row(id_, alarm="ab"[(id_ - 1) % 2], step=f"s{id_}") for id_ in range(1, 41)))
    with running(outbox, {"mail": hook}, workers=8):
        until(lambda: len(outbox.accepted_ids) == 40)
    for alarm in "ab":
        ids = [one.id for one in hook.came if one.told.alarm_id == alarm]
        assert ids == sorted(ids)
        assert hook.most_at_once[(alarm, row().address)] == 1


def test_a_failing_row_holds_back_the_later_ones_of_its_alarm_and_no_others() -> None:
    outbox, clock, up = MemoryOutbox(), Clock(), threading.Event()
    hook = Hook(lambda one: Accepted() if up.is_set() or one.id != 1 else Refused("busy"))
    outbox.add(row(1), row(2, step="cleared"), row(3, alarm="other"), row(4, address="b@alder-pike.example"))
    with running(outbox, {"mail": hook}, clock):
        until(lambda: {3, 4} <= set(outbox.accepted_ids) and outbox.errors)
        looks = len(outbox.asked)
        until(lambda: len(outbox.asked) > looks + 3)  # row 2 is due all that time
        assert 2 not in hook.ids
        up.set()
        clock.now_us += 10 * SECOND_US
        until(lambda: 2 in outbox.accepted_ids)
    assert [id_ for id_ in hook.ids if id_ in (1, 2)] == [1, 1, 2]


def test_giving_up_a_row_frees_its_alarms_later_ones() -> None:
    outbox = MemoryOutbox()
    hook = Hook(lambda one: Refused("no", permanent=True) if one.id == 1 else Accepted())
    outbox.add(row(1), row(2, step="cleared"))
    with running(outbox, {"mail": hook}):
        until(lambda: outbox.accepted_ids == [2])
    assert hook.ids == [1, 2]


def test_a_holder_that_was_removed_by_somebody_else_does_not_hold_for_ever() -> None:
    outbox, clock = MemoryOutbox(), Clock()
    hook = Hook(lambda one: Refused("busy") if one.id == 1 else Accepted())
    outbox.add(row(1), row(2, step="cleared"))
    with running(outbox, {"mail": hook}, clock):
        until(lambda: outbox.errors)
        with outbox.lock:
            del outbox.rows[1]
        clock.now_us += 10 * SECOND_US
        until(lambda: outbox.accepted_ids == [2])


# ---------------------------------------------------------------- bounds


def test_a_hanging_channel_takes_its_own_workers_only_and_is_shown_as_overdue() -> None:
    outbox, release = MemoryOutbox(), threading.Event()
    hanging = Hook(lambda _: Accepted() if release.wait(20) else Refused("late"))
    hanging.timeout_s = 0.01
    good = Hook(name="hook")
    bounds = Bounds(poll_s=0.01, batch_rows=3, overdue_grace_s=0.01)
    outbox.add(*(row(id_, alarm=f"m{id_}") for id_ in range(1, 31)))
    outbox.add(*(row(id_, alarm=f"h{id_}", channel="hook") for id_ in range(31, 41)))
    with running(outbox, {"mail": hanging, "hook": good}, workers=2, bounds=bounds) as dispatcher:
        until(lambda: len(outbox.accepted_ids) == 10)  # they stand behind thirty rows that cannot start
        until(lambda: dispatcher.state().overdue == 2)
        assert dispatcher.state().in_flight == 2
        assert dispatcher.state().owed == 30
        release.set()
        until(lambda: len(outbox.accepted_ids) == 40)
    assert hanging.most_at_once[("all", "")] == 2
    assert sorted(hanging.ids) == list(range(1, 31))  # nothing was taken twice while it was in flight


def test_never_more_rows_are_asked_for_than_the_bound() -> None:
    outbox, release = MemoryOutbox(), threading.Event()
    bounds = Bounds(poll_s=0.005, batch_rows=5, most_rows=12)
    outbox.add(*(row(id_, alarm=f"m{id_}") for id_ in range(1, 101)))
    with running(outbox, {"mail": Hook(lambda _: Accepted() if release.wait(20) else None)}, bounds=bounds, workers=1):
        until(lambda: len(outbox.asked) > 10)
        release.set()
        until(lambda: len(outbox.accepted_ids) == 100)
    assert max(outbox.asked) == 12


def test_at_least_one_worker_is_needed() -> None:
    with pytest.raises(ValueError, match="workers 0"):
        Dispatcher(MemoryOutbox(), {}, Clock(), policy=RetryPolicy(), workers=0, random=lambda: 0.0)


# ---------------------------------------------------------------- a failing outbox


def test_while_the_process_lives_a_row_that_cannot_be_recorded_is_not_sent_again() -> None:
    outbox, hook = MemoryOutbox(refuse={"accepted": 5}), Hook()
    outbox.add(row(1), row(2, step="cleared"))
    with running(outbox, {"mail": hook}) as dispatcher:
        until(lambda: dispatcher.state().unrecorded == 1)
        assert "database is locked" in dispatcher.state().last_error
        until(lambda: outbox.accepted_ids == [1, 2])
        until(lambda: dispatcher.state().sent == 2)
    assert hook.ids == [1, 2]  # five failed recordings, and each was sent once and in order


def test_an_unrecordable_row_does_not_stop_the_others_until_there_are_too_many() -> None:
    outbox, hook = MemoryOutbox(refuse={"accepted": 10**9}), Hook()
    outbox.add(*(row(id_, alarm=f"a{id_}") for id_ in range(1, 101)))
    bounds = Bounds(poll_s=0.01, outbox_pause_s=0.01, outbox_pause_most_s=0.02, most_unrecorded=4)
    with running(outbox, {"mail": hook}, bounds=bounds, workers=2) as dispatcher:
        until(lambda: dispatcher.state().unrecorded >= 4)
        until(lambda: dispatcher.state().in_flight == 0)
        count = len(hook.ids)
        assert 4 <= count <= 5
        with outbox.lock:
            outbox.refuse.clear()
        until(lambda: len(outbox.accepted_ids) == 100)
    assert sorted(hook.ids) == list(range(1, 101))


@pytest.mark.parametrize("method", ["due", "accepted", "failed"])
def test_a_failing_outbox_is_left_alone_for_a_while_and_longer_each_time(method: str) -> None:
    """No hot loop: neither wakes nor due rows make it call again before the pause is over."""
    outbox = MemoryOutbox(refuse={method: 10**9})
    outbox.add(row(1))
    hook = Hook(lambda _: Refused("no") if method == "failed" else Accepted())
    bounds = Bounds(poll_s=0.005, outbox_pause_s=0.05, outbox_pause_most_s=60)

    def called_at_s() -> list[float]:
        with outbox.lock:
            return [at_s for name, at_s in outbox.calls if name == method]

    with running(outbox, {"mail": hook}, bounds=bounds) as dispatcher:

        def nagged() -> bool:
            dispatcher.wake()
            return len(called_at_s()) >= 4

        until(nagged)
        with outbox.lock:
            outbox.refuse.clear()
        until(lambda: outbox.accepted_ids or outbox.errors)
    first, second, third, fourth = called_at_s()[:4]
    assert second - first >= 0.05
    assert third - second >= 0.1
    assert fourth - third >= 0.2


@pytest.mark.parametrize("crashes", [1, 3])
def test_an_idempotent_receiver_sees_each_notification_once_over_crashes_between_send_and_record(crashes: int) -> None:
    outbox, received = MemoryOutbox(), Counter[str]()

    def receive(one: OutboxRow) -> Accepted:
        received[one.key] += 1
        return Accepted()

    hook = Hook(receive)
    outbox.add(*(row(id_, alarm=f"a{id_ % 5}", step=f"s{id_}") for id_ in range(1, 21)))
    for _ in range(crashes):  # every recording fails until this process is gone
        with outbox.lock:
            outbox.refuse["accepted"] = 10**9
        with running(outbox, {"mail": hook}) as dispatcher:
            until(lambda: dispatcher.state().unrecorded == 5)
            assert dispatcher.stop(0.0) is False  # as if killed: nothing waits for the recording
    outbox.refuse.clear()
    with running(outbox, {"mail": hook}):
        until(lambda: len(outbox.accepted_ids) == 20)
    assert len(received) == 20  # nothing lost, and after dropping repeated keys nothing twice
    assert sorted(received.values()) == [1] * 15 + [1 + crashes] * 5  # and only what could not be recorded came again
    assert outbox.rows == {}


# ---------------------------------------------------------------- the end


def test_stop_waits_for_what_is_in_flight_and_records_it_but_starts_nothing_more() -> None:
    outbox, started, release = MemoryOutbox(), threading.Event(), threading.Event()

    def answer(_: OutboxRow) -> Accepted | Refused:
        started.set()
        return Accepted() if release.wait(20) else Refused("late")

    outbox.add(row(1), row(2, step="cleared"))
    with running(outbox, {"mail": Hook(answer)}) as dispatcher:
        assert started.wait(10)
        results: list[bool] = []
        stopping = threading.Thread(target=lambda: results.append(dispatcher.stop(10.0)))
        stopping.start()
        until(lambda: dispatcher._stop_at is not None)
        release.set()
        stopping.join(10)
    assert results == [True]
    assert outbox.accepted_ids == [1]
    assert list(outbox.rows) == [2]


def test_stop_says_when_its_time_ran_out() -> None:
    outbox, release = MemoryOutbox(), threading.Event()
    outbox.add(row(1))
    with running(outbox, {"mail": Hook(lambda _: Accepted() if release.wait(20) else None)}) as dispatcher:
        until(lambda: dispatcher.state().in_flight == 1)
        assert dispatcher.stop(0.05) is False
        release.set()
    assert list(outbox.rows) == [1]  # still owed: the next process sends it again, with the same key


def test_a_dispatcher_that_never_started_stops_at_once() -> None:
    made = Dispatcher(MemoryOutbox(), {}, Clock(), policy=RetryPolicy(), workers=1, random=lambda: 0.0)
    assert made.stop(1.0) is True
