"""Whose answer is made next, and how many one person may have under way."""

from __future__ import annotations

import asyncio

import pytest

from optimizer.service.answers import lanes
from optimizer.service.answers.kinds import MEDIA_TYPES
from optimizer.service.answers.lanes import Lanes
from optimizer.service.answers.order import Order
from optimizer.service.answers.planning_processes import ProcessEnded
from optimizer.service.answers.turns import (
    DECK,
    SECONDS,
    STUDIES,
    Asker,
    Ticket,
    Turns,
    check_quotas,
    ticket_of,
)
from optimizer.service.exchange.problems import Problem

MILL, OFFICE = Asker("mill", True), Asker("office", False)


def order(kind: str = "plan", count: int = 4, key: str = "k") -> Order:
    return Order(key, kind, {"trials": {"count": count}}, 0, 0, {})


def ticket(key: str, name: str = "mill", records: bool = True, short: bool = True) -> Ticket:
    return Ticket(key, STUDIES, name, records, short, 60.0)


@pytest.mark.parametrize(
    ("kind", "count", "asker", "lane"),
    [
        ("plan", 10, MILL, DECK),
        ("plan to issue", 1, MILL, DECK),
        ("plan", 11, MILL, STUDIES),
        ("plan", 1, OFFICE, STUDIES),
        ("comparison", 1, MILL, STUDIES),
        ("report", 1, MILL, STUDIES),
    ],
)
def test_short_plans_of_people_at_the_deck_have_a_lane_of_their_own(kind, count, asker, lane):
    assert ticket_of(order(kind, count), asker).lane == lane


def test_every_kind_has_a_time_budget():
    assert set(SECONDS) == set(MEDIA_TYPES)
    plan, study = ticket_of(order(), MILL), ticket_of(order("diagnosis"), MILL)
    assert plan.seconds < ticket_of(order(), OFFICE).seconds < study.seconds


def taken(turns: Turns, lane: str = STUDIES) -> str:
    found = ""
    while (one := turns.next(lane)) is not None:
        found += one.key
    return found


def test_short_before_long_and_recorders_before_readers():
    turns = Turns()
    for one in (
        ticket("a", "x", records=False, short=False),
        ticket("b", "y", records=True, short=False),
        ticket("c", "z", records=False, short=True),
        ticket("d", "w", records=True, short=True),
    ):
        turns.add(one)
    # The third turn is that of a, which has waited longest.
    assert taken(turns) == "dcab"
    assert turns.next(DECK) is None


def test_persons_take_turns():
    turns = Turns()
    for key in "abcdef":
        turns.add(ticket(key, "greedy"))
    for key in "xy":
        turns.add(ticket(key, "modest"))
    # In turn: the first of all; modest, who had none; the oldest; modest again; the rest.
    assert taken(turns) == "axbycdef"


def test_nobody_waits_for_ever():
    turns = Turns()
    turns.add(ticket("s", "office", records=False, short=False))
    served = []
    for k in range(9):  # as long as short plans keep coming
        turns.add(ticket(f"p{k}"))
        served.append(turns.next(STUDIES).key)
    assert served.index("s") == 2


def test_an_answer_that_the_deck_asks_for_too_leaves_the_studies():
    turns = Turns()
    turns.add(ticket_of(order(), OFFICE))
    assert not turns.promote(ticket_of(order(), OFFICE))
    assert turns.promote(ticket_of(order(), MILL))
    assert turns.next(STUDIES) is None
    assert turns.next(DECK).key == "k"
    assert not turns.promote(ticket_of(order(), MILL))


# -- quotas ---------------------------------------------------------------------------------


def jobs(*each: tuple[int, Asker]) -> list[dict]:
    return [{"asked_by": a.name, "records": a.records} for n, a in each for _ in range(n)]


@pytest.mark.parametrize(
    ("asker", "under_way", "code"),
    [
        (OFFICE, jobs((3, OFFICE)), None),
        (OFFICE, jobs((4, OFFICE)), "too-many-of-yours"),
        (OFFICE, jobs((16, Asker("others", False))), "too-many-of-readers"),
        (MILL, jobs((4, OFFICE), (16, Asker("others", False))), None),
        (MILL, jobs((15, MILL)), None),
        (MILL, jobs((16, MILL)), "too-many-of-yours"),
        (MILL, jobs((16, OFFICE), (16, Asker("lab"))), "too-many-waiting"),
    ],
)
def test_quotas_of_a_person_and_a_role(asker, under_way, code):
    if code is None:
        check_quotas(asker, under_way, 32)
        return
    with pytest.raises(Problem) as refused:
        check_quotas(asker, under_way, 32)
    assert (refused.value.status, refused.value.code) == (429, code)
    assert refused.value.headers["Retry-After"]


# -- lanes ----------------------------------------------------------------------------------


class Planner:
    """A planner of a test; ``does`` is called with the key of each answer."""

    usable = True
    ended = 0

    def __init__(self, does) -> None:
        self.does = does

    def ask(self, work):
        return self.does(work[1].key)

    def end(self) -> None:
        Planner.ended += 1

    def dismiss(self) -> None:
        pass


@pytest.fixture
def lanes_of(monkeypatch):
    Planner.ended = 0

    def made(does) -> Lanes:
        monkeypatch.setattr(lanes, "PlannerThread", lambda: Planner(does))
        return Lanes(0)

    return made


def make(lanes: Lanes, key: str, asker: Asker = MILL, kind: str = "plan", **more):
    ordered = order(kind, key=key)
    one = ticket_of(ordered, asker)
    one = Ticket(**{**one.__dict__, **more})
    return asyncio.create_task(lanes.make(one, ("history", ordered, "job", {})))


def test_a_study_never_keeps_a_plan_of_the_deck_waiting(lanes_of):
    async def run() -> None:
        go_on = asyncio.Event()
        loop = asyncio.get_running_loop()

        def does(key):
            if key == "study":
                asyncio.run_coroutine_threadsafe(go_on.wait(), loop).result()
            return key.encode()

        lanes = lanes_of(does)
        study = make(lanes, "study", kind="comparison")
        waits = make(lanes, "reader", OFFICE)
        assert await make(lanes, "deck") == b"deck"
        assert not study.done()
        assert not waits.done()
        lanes.promote(ticket_of(order(key="reader"), MILL))
        assert await waits == b"reader"
        assert not study.done()
        go_on.set()
        assert await study == b"study"
        await lanes.close()

    asyncio.run(run())


def test_an_answer_that_takes_too_long_is_ended_and_the_next_one_made(lanes_of):
    async def run() -> None:
        go_on = asyncio.Event()
        loop = asyncio.get_running_loop()

        def does(key):
            if key == "endless":
                asyncio.run_coroutine_threadsafe(go_on.wait(), loop).result()
            return key.encode()

        lanes = lanes_of(does)
        endless, following = make(lanes, "endless", seconds=0.01), make(lanes, "next")
        with pytest.raises(Problem, match=r"within 0\.01 s") as refused:
            await endless
        assert (refused.value.status, refused.value.code) == (503, "took-too-long")
        assert Planner.ended == 1
        go_on.set()
        assert await following == b"next"
        await lanes.close()

    asyncio.run(run())


def test_who_is_cancelled_while_it_waits_takes_no_turn(lanes_of):
    async def run() -> None:
        go_on = asyncio.Event()
        loop = asyncio.get_running_loop()
        made = []

        def does(key):
            made.append(key)
            asyncio.run_coroutine_threadsafe(go_on.wait(), loop).result()
            return key.encode()

        lanes = lanes_of(does)
        first, second, third = (make(lanes, key) for key in "abc")
        await asyncio.sleep(0)
        second.cancel()
        await asyncio.sleep(0)
        go_on.set()
        assert (await first, await third) == (b"a", b"c")
        assert made == ["a", "c"]
        await lanes.close()

    asyncio.run(run())


def test_a_second_planner_tries_where_the_first_one_ends(lanes_of):
    tries = []

    def does(key):
        tries.append(key)
        if len(tries) < 2 or key == "b":
            raise ProcessEnded
        return key.encode()

    async def run() -> None:
        lanes = lanes_of(does)
        assert await make(lanes, "a") == b"a"
        with pytest.raises(ProcessEnded):
            await make(lanes, "b")
        assert tries == ["a", "a", "b", "b"]
        await lanes.close()

    asyncio.run(run())
