"""Two serving processes on one PostgreSQL: one ledger, without gaps or forks, whoever is asked."""

from __future__ import annotations

import itertools
import signal
import threading
from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest
from sqlalchemy import text

from service.store import views
from service.store.engine import Store
from tests.ledger.scenario import entry, rebuild, setting_up
from tests.many.processes import Process, nothing_is_marked, opened, ready, serving, sound, start

REBUILDS = [f"01981000-0000-7000-8000-0000000001{number:02x}" for number in range(4)]
HIGH = {"instrument": "TW-5", "on": "2026-07-10", "as_left_error_percent": "16"}


class Pair:
    """Two processes, and clients that go to one and the other in turn."""

    def __init__(self, processes: list[Process], store: Store, token: str) -> None:
        self.processes, self.store, self.token = processes, store, token
        self.clients = [one.client(token) for one in processes]
        self.acknowledged: dict[str, int] = {}

    def post(self, body, at=0):
        answer = self.clients[at].post("/entries", json=body)
        if answer.is_success:
            self.acknowledged |= {one["id"]: one["seq"] for one in answer.json()["accepted"]}
        return answer

    def at_once(self, *bodies):
        """The first to one process, the second to the other, and so on, all at the same time."""
        together = threading.Barrier(len(bodies))

        def send(place, body):
            together.wait(10)
            return self.post(body, place % 2)

        with ThreadPoolExecutor(len(bodies)) as pool:
            return list(pool.map(send, range(len(bodies)), bodies))


@pytest.fixture(scope="module")
def pair(postgresql_server, postgresql_template):
    url = postgresql_server.format(database="wm_pair")
    admin = Store(postgresql_server.format(database="postgres"))
    with admin.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(text(f'CREATE DATABASE "wm_pair" TEMPLATE "{postgresql_template}"'))
    admin.close()
    store = Store(url)
    token = opened(store)
    with serving(url, url) as processes:
        pair = Pair(processes, store, token)
        assert pair.post(setting_up()).status_code == 201
        yield pair
        for client in pair.clients:
            client.close()
    store.close()


def test_sixteen_clients_write_one_entry_at_a_time_into_the_same_rebuilds_through_both(pair):
    bodies = [one for number, id_ in enumerate(REBUILDS) for one in rebuild(id_, day=f"2026-07-0{number + 1}")]
    turn = itertools.count()
    with ThreadPoolExecutor(16) as pool:
        answers = list(pool.map(lambda one: pair.post(one, next(turn) % 2), bodies))
    assert {one.status_code for one in answers} == {201}
    roots = {(one.json()["size"], one.json()["root"]) for one in answers}
    assert len(roots) == len({size for size, _ in roots}), "one root for each size that was told: no fork"
    assert pair.post({"defaults": {}, "entries": bodies}, at=1).status_code == 200
    nothing_is_marked(pair.store)
    shown = [[client.get(f"/rebuilds/{id_}").json() for id_ in REBUILDS] for client in pair.clients]
    assert shown[0] == shown[1]
    assert {one["verdict"] for one in shown[0]} == {"conforming"}
    sound(pair.store, acknowledged=pair.acknowledged)


def test_one_id_that_is_sent_to_both_at_once_is_recorded_once_and_both_are_told_the_same(pair):
    for number in range(8):
        id_ = f"01981000-0000-7000-8000-0000000002{number:02x}"
        body = {"id": id_, **entry("meter.read", "09:00", {"meter": "hours", "reading": str(number)}, asset="AIR1")}
        one, other = pair.at_once(body, body)
        assert sorted((one.status_code, other.status_code)) == [200, 201]
        mine, theirs = one.json()["accepted"][0], other.json()["accepted"][0]
        assert (mine["seq"], mine["id"], mine["leaf_hash"]) == (theirs["seq"], id_, theirs["leaf_hash"])
        assert mine["replayed"] is not theirs["replayed"]
    sound(pair.store, acknowledged=pair.acknowledged)


def test_one_id_with_other_content_is_refused_to_exactly_one_of_two(pair):
    for number in range(8):
        id_ = f"01981000-0000-7000-8000-0000000003{number:02x}"
        bodies = [
            {"id": id_, **entry("meter.read", "09:00", {"meter": "hours", "reading": reading}, asset="AIR1")}
            for reading in ("50", "51")
        ]
        answers = pair.at_once(*bodies)
        assert sorted(one.status_code for one in answers) == [201, 409]
        refused = next(one for one in answers if one.status_code == 409)
        assert refused.json()["errors"][0]["pointer"].endswith("/id")
    sound(pair.store, acknowledged=pair.acknowledged)


def test_what_one_process_has_just_learnt_the_other_judges_by(pair):
    """The certificate comes through one, the next entry of a rebuild that used the wrench through the other."""
    id_ = "01981000-0000-7000-8000-0000000004aa"
    whole = rebuild(id_, day="2026-07-15")
    assert pair.post(whole[:-3], at=0).status_code == 201
    assert pair.post(whole[-3], at=1).status_code == 201
    assert pair.post(entry("instrument.calibrated", "07:00", HIGH), at=0).status_code == 201
    told = pair.post(whole[-2:], at=1).json()["rebuilds"]
    assert [(one["state"], one["verdict"]) for one in told if one["id"] == id_] == [("closed", "nonconforming")]
    nothing_is_marked(pair.store)
    sound(pair.store, acknowledged=pair.acknowledged)


def test_what_a_killed_process_has_left_marked_another_judges_though_nothing_new_arrives(pair):
    """The mark stands as one that was killed between its commit and its judging would have left it."""
    id_ = "01981000-0000-7000-8000-0000000005aa"
    assert pair.post(rebuild(id_, day="2026-07-16")).status_code == 201
    with pair.store.writing() as tx:
        views.mark(tx, "ferrow", [id_])
    nothing_is_marked(pair.store)
    sound(pair.store, acknowledged=pair.acknowledged)


class TestAnEnd:
    def test_told_to_end_while_clients_post_it_answers_or_refuses_and_keeps_every_word(self, postgresql_url, pg_store):
        token = opened(pg_store)
        with serving(postgresql_url) as (process,):
            acknowledged, others, begun = {}, set(), threading.Semaphore(0)

            def post(number):
                with process.client(token) as client:
                    for place in range(1000):
                        body = entry("facility.amended", "09:00", {"name": f"{number}.{place}"}) | {"by": "ines"}
                        try:
                            answer = client.post("/entries", json=body)
                        except httpx.TransportError:
                            return
                        if answer.status_code == 201:
                            acknowledged[answer.json()["accepted"][0]["id"]] = answer.json()["accepted"][0]["seq"]
                            begun.release()
                        else:
                            others.add(answer.status_code)

            with ThreadPoolExecutor(8) as pool:
                for number in range(8):
                    pool.submit(post, number)
                for _ in range(20):
                    assert begun.acquire(timeout=20)
                assert process.end(signal.SIGTERM) == 0
            assert others <= {503}
            assert sound(pg_store, acknowledged=acknowledged) >= 1 + len(acknowledged)

    def test_several_processes_share_a_port_and_end_together(self, postgresql_url, pg_store):
        token = opened(pg_store)
        process = start(postgresql_url, "--processes", "2")
        try:
            ready(process)
            bodies = [{**one, "by": "ines"} for one in setting_up()]

            def post(body):
                with process.client(token) as client:  # a connection each: the system hands them out
                    return client.post("/entries", json=body).status_code

            assert post(bodies) == 201
            with ThreadPoolExecutor(8) as pool:
                told = list(pool.map(post, (one for one in rebuild())))
            assert set(told) == {201}
            assert process.end() == 0
        finally:
            process.process.kill()
            process.process.communicate()
        nothing_is_marked(pg_store)
        sound(pg_store)
