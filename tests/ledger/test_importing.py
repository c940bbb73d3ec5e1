"""An import: entries each for itself, a chunk in each transaction, in turn with everybody's posts."""

from __future__ import annotations

import asyncio

import pytest
from sqlalchemy.exc import OperationalError

from service.entries.envelope import read_envelope
from service.entries.refusals import Busy, Contradiction, NotAFact, NotAllowed, Unknown
from service.ledger import appender as room
from service.ledger.admit import ids_of
from service.ledger.append import append, append_each
from service.ledger.appender import Appender
from service.ledger.entry import rfc3339
from service.ledger.importing import LONGEST_WAIT, Import
from service.ledger.receipt import Accepted, Chunk
from tests.ledger.bench import ALL_SCOPES, Bench, submission
from tests.ledger.scenario import FACILITY, REBUILD, REGULATOR, corrected, entry, rebuild, setting_up

HERE = {"asset": "AIR1-LB", "rebuild": REBUILD}
NOTE = {**entry("note.added", "09:00", {"text": "Seat land clean"}), **HERE}


def drafts(*values):
    return [read_envelope(value) for value in values]


def chunk(*values, scopes=ALL_SCOPES, facility="ferrow"):
    ids = ids_of(facility, drafts(*values))
    return Chunk(drafts(*({**value, "id": id_} for value, id_ in zip(values, ids, strict=True))), "tablet", scopes)


def each(bench, *values, **more):
    outcomes = append_each(bench.store, bench.memory, chunk(*values, facility=bench.facility, **more), bench.clock)
    return [one if isinstance(one, Accepted) else type(one) for one in outcomes]


class TestEachForItself:
    def test_an_entry_that_is_refused_leaves_its_neighbours_alone(self, bench: Bench) -> None:
        astray = {**NOTE, "asset": "X"}
        taken, lost, none, late = each(bench, NOTE, astray, entry("asset.retired", "09:00", {}, asset="AIR1"), {
            **NOTE, "occurred_at": "2026-07-14T09:10:00-03:00"}, scopes=frozenset({"record"}))  # fmt: skip
        assert (taken.seq, lost, none, late.seq) == (9, NotAFact, NotAllowed, 10)
        assert bench.replayed() == bench.contents()

    def test_a_chunk_gives_what_its_entries_give_one_by_one(self, bench: Bench) -> None:
        one_by_one, at_once = (Bench(bench.store, {**FACILITY, "code": code}) for code in ("skerry", "holm"))
        hours = entry("meter.read", "12:00", {"meter": "hours", "reading": "4"}, asset="AIR1")
        whole = [*setting_up(), *rebuild(), hours]
        for value in whole:
            one_by_one.post(value)
        assert all(isinstance(one, Accepted) for one in each(at_once, *whole))
        assert at_once.rebuild().verdict == one_by_one.rebuild().verdict == "conforming"
        assert [one.type for one in at_once.entries()[:9]] == [one.type for one in one_by_one.entries()[:9]]
        assert at_once.due("2026-08-01") == one_by_one.due("2026-08-01")
        assert at_once.replayed() == at_once.contents()

    def test_a_refusal_holds_nothing_of_the_chunk_in_memory(self, quick_bench: Bench) -> None:
        """A traceback leads to everything that was known while it was decided, and back to the refusal itself."""
        refused = chunk({**NOTE, "asset": "X"})
        (outcome,) = append_each(quick_bench.store, quick_bench.memory, refused, quick_bench.clock)
        assert isinstance(outcome, NotAFact)
        assert outcome.__traceback__ is None

    def test_a_process_whose_clock_is_behind_takes_the_ledgers_time_as_the_present(self, bench: Bench) -> None:
        """What another process took as the past is no future to this one, and its judgement is not dated before it."""
        now = rfc3339(bench.clock.now)
        bench.tick(hours=-1)
        *work, closing = rebuild()
        outcomes = each(bench, *work, {**closing, "occurred_at": now})
        assert all(isinstance(one, Accepted) for one in outcomes)
        judged = bench.entries()[-1]
        assert (judged.type, rfc3339(judged.occurred_at), judged.recorded_at) == ("rebuild.judged", now, now)

    def test_an_entry_twice_in_a_chunk_is_recorded_once(self, bench: Bench) -> None:
        mine = {**NOTE, "id": "01981000-0000-7000-8000-0000000000ff"}
        first, again, other = each(bench, mine, mine, {**mine, "by": "ines"})
        assert (first.seq, again.seq, again.replayed, other) == (9, 9, True, Contradiction)
        assert each(bench, mine)[0].replayed

    def test_what_the_register_says_holds_for_the_next_line(self, quick_bench: Bench) -> None:
        """A register imported in one file: parents before children, amendments, a circle, a correction of an amendment."""
        first = entry("asset.registered", "09:00", {"kind": "manifold", "gas": "oxygen"}, asset="N1")
        below = entry("asset.registered", "09:01", {**REGULATOR, "parent": "N1"}, asset="N1-LB")
        moved = entry("asset.amended", "09:02", {"patch": {"parent": "AIR1"}}, asset="N1-LB", day="2026-03-03")
        moved["id"] = "01981000-0000-7000-8000-0000000000f1"
        above = entry("asset.amended", "09:03", {"patch": {"parent": "N1-LB"}}, asset="N1")
        circle = entry("asset.amended", "09:04", {"patch": {"parent": "N1-LB"}}, asset="AIR1")
        undone = corrected("01981000-0000-7000-8000-0000000000f1", withdrawn=True)
        lines = [below, first, below, {**below, "by": "otto"}, above, moved, circle, undone, circle]
        kinds = [one if isinstance(one, type) else "taken" for one in each(quick_bench, *lines)]
        assert kinds == [NotAFact, "taken", "taken", Contradiction, NotAFact, "taken", NotAFact, "taken", "taken"]
        assert quick_bench.replayed() == quick_bench.contents()

    def test_an_unknown_facility_is_told(self, quick_bench: Bench) -> None:
        async def talk(appender):
            with pytest.raises(Unknown):
                await appender.submit_chunk("nowhere", chunk(NOTE))

        run(quick_bench, talk)


def run(bench, talk, *, before=lambda _: None):
    async def conversation():
        appender = Appender(bench.store, bench.clock)
        waiting = before(appender)
        await asyncio.sleep(0.02)
        appender.start()
        try:
            return await asyncio.wait_for(talk(appender, *([waiting] if waiting else [])), 20)
        finally:
            appender.stop()

    return asyncio.run(conversation())


def imported(bench, *chunks):
    async def talk(appender):
        with Import(appender, "ferrow") as taking:
            return [await taking.record(drafts(*one), "tablet", ALL_SCOPES) for one in chunks]

    return [one for outcomes in run(bench, talk) for one in outcomes]


class TestIdsAreThoseOfTheWholeStream:
    def test_identical_lines_are_told_apart_wherever_chunks_end(self, bench: Bench) -> None:
        """Where chunks end is chance: were they counted chunk by chunk, the file sent again would say more, or less."""
        first = imported(bench, [NOTE], [NOTE, NOTE], [NOTE])
        assert len({one.id for one in first}) == 4
        again = imported(bench, [NOTE, NOTE, NOTE], [NOTE])
        assert [one.id for one in again] == [one.id for one in first]
        assert all(one.replayed for one in again)

    def test_they_are_those_of_the_same_entries_posted_as_one_list(self, bench: Bench) -> None:
        other = {**NOTE, "by": "otto"}
        taken = bench.post([NOTE, other, NOTE]).accepted
        again = imported(bench, [NOTE], [other], [NOTE])
        assert [(one.seq, one.id) for one in again] == [(one.seq, one.id) for one in taken]

    def test_a_refused_line_counts_so_that_sending_again_later_gives_it_the_same_id(self, bench: Bench) -> None:
        new = entry("meter.read", "09:00", {"meter": "hours", "reading": "1"}, asset="N1")
        register = entry("asset.registered", "08:00", {"kind": "manifold", "gas": "oxygen"}, asset="N1")
        refused, _, taken = imported(bench, [new, register], [new])
        assert isinstance(refused, NotAFact)
        again = imported(bench, [new, register], [new])
        assert [one.replayed for one in again] == [False, True, True]
        assert again[2].id == taken.id


class TestTurns:
    def test_neither_chunks_nor_posts_hold_up_the_other_for_longer_than_a_transaction(
        self, bench: Bench, monkeypatch
    ) -> None:
        order = []

        def noted(*arguments):
            order.append("posts")
            return append(*arguments)

        def noted_each(*arguments):
            order.append("chunk")
            return append_each(*arguments)

        def queue(appender):
            posts = [submission({**NOTE, "data": {"text": str(number)}}) for number in range(4)]
            return [
                asyncio.ensure_future(one)
                for one in (
                    appender.submit_chunk("ferrow", chunk({**NOTE, "by": "a"})),
                    appender.submit_chunk("ferrow", chunk({**NOTE, "by": "b"})),
                    *(appender.submit("ferrow", post) for post in posts),
                    appender.submit_chunk("ferrow", chunk({**NOTE, "by": "c"})),
                )
            ]

        async def talk(_, waiting):
            return await asyncio.gather(*waiting)

        monkeypatch.setattr(room, "append", noted)
        monkeypatch.setattr(room, "append_each", noted_each)
        monkeypatch.setattr("service.ledger.line.MOST_IN_GROUP", 2)
        run(bench, talk, before=queue)
        assert order == ["posts", "chunk", "posts", "chunk", "chunk"]

    def test_a_stop_finishes_chunks_that_were_taken(self, quick_bench: Bench) -> None:
        async def conversation():
            appender = Appender(quick_bench.store, quick_bench.clock)
            waiting = [
                asyncio.ensure_future(appender.submit_chunk("ferrow", chunk({**NOTE, "by": who}))) for who in "abc"
            ]
            await asyncio.sleep(0)
            appender.start()
            appender.stop()
            return await asyncio.gather(*waiting)

        assert [one.seq for (one,) in asyncio.run(conversation())] == [9, 10, 11]


class TestWaiting:
    def test_a_full_queue_and_a_ledger_that_cannot_be_written_are_waited_out(self, bench: Bench, monkeypatch) -> None:
        troubles = [OperationalError("INSERT", {}, OSError("disk full")), Busy("too many submissions are waiting")]
        pauses = []

        def troubled(*arguments):
            if troubles:
                raise troubles.pop()
            return append_each(*arguments)

        async def pause(seconds):
            pauses.append(seconds)

        async def talk(appender):
            with Import(appender, "ferrow", pause) as taking:
                return await taking.record(drafts(NOTE, NOTE), "tablet", ALL_SCOPES)

        monkeypatch.setattr(room, "append_each", troubled)
        assert [one.seq for one in run(bench, talk)] == [9, 10]
        assert pauses == [0.05, 0.1]

    def test_but_not_for_ever(self, quick_bench: Bench, monkeypatch) -> None:
        pauses = []

        def broken(*_):
            raise Busy("too many submissions are waiting")

        async def pause(seconds):
            pauses.append(seconds)

        async def talk(appender):
            with Import(appender, "ferrow", pause) as taking, pytest.raises(Busy) as busy:
                await taking.record(drafts(NOTE), "tablet", ALL_SCOPES)
            return busy.value

        monkeypatch.setattr(room, "append_each", broken)
        assert run(quick_bench, talk).retry_after >= 1
        assert LONGEST_WAIT <= sum(pauses) <= LONGEST_WAIT + 2
        assert len(quick_bench.entries()) == 8
