"""Photographs and papers beside the entries: the content by its digest, and the digest under the ledger's proof.

A SHA-256 of a FIPS 180-4 example ("abc") is the outside value; everything else is counted by hashlib.
"""

from __future__ import annotations

import hashlib
import http.client
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest
import rfc8785
import uvicorn
from sqlalchemy import func, select, update

from service.store.attachment_tables import attachments, pieces
from tests.api import scenario
from tests.api.desk import Desk, problem, running
from tests.api.scenario import HERE, REBUILD, entry
from tests.merkle.reference import mth

ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"  # FIPS 180-4, the example "abc" (from memory)
PHOTO = b"\xff\xd8\xff\xe0" + b"seat land, lightly scored " * 40_000  # a little over four pieces


def digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def put(desk: Desk, content: Any, sha256: str | None = None, media: str | None = "image/jpeg", **more: Any) -> Any:
    headers = {"Content-Type": media, **more.pop("headers", {})} if media else more.pop("headers", {})
    return desk.call(
        "PUT", f"/attachments/{sha256 or digest(content)}", content=content, headers=headers, **more
    )  # fmt: skip


def rows(desk: Desk) -> tuple[int, int]:
    """How much is stored: contents, and pieces of contents."""
    with desk.ledger.store.reading() as tx:
        return tuple(
            tx.execute(select(func.count()).select_from(table)).scalar_one() for table in (attachments, pieces)
        )  # type: ignore[return-value]


def photographed(content: bytes = PHOTO) -> dict[str, Any]:
    named = [{"sha256": digest(content), "media_type": "image/jpeg", "name": "seat.jpg"}]
    return entry("note.added", "09:10:00", **HERE, attachments=named, text="Seat land lightly scored")


# --- storing


def test_what_is_stored_comes_back_to_the_byte(either_desk: Desk) -> None:
    answer = put(either_desk, PHOTO)
    assert answer.status_code == 201
    assert {name: answer.json()[name] for name in ("sha256", "media_type", "bytes")} == {
        "sha256": digest(PHOTO),
        "media_type": "image/jpeg",
        "bytes": len(PHOTO),
    }
    assert rows(either_desk) == (1, 4)
    fetched = either_desk.get(f"/attachments/{digest(PHOTO)}")
    assert (fetched.status_code, fetched.content) == (200, PHOTO)
    assert fetched.headers["content-length"] == str(len(PHOTO))


@pytest.mark.parametrize("length", [0, 1, 262_143, 262_144, 262_145, 524_288])
def test_any_length_is_kept_whole(quiet_desk: Desk, length: int) -> None:
    content = bytes(length)
    assert put(quiet_desk, content).status_code == 201
    assert quiet_desk.get(f"/attachments/{digest(content)}").content == content


def test_the_digest_is_the_one_everybody_else_computes(quiet_desk: Desk) -> None:
    assert put(quiet_desk, b"abc", ABC).status_code == 201


def test_sent_again_it_is_as_it_was(either_desk: Desk) -> None:
    first = put(either_desk, PHOTO)
    either_desk.clock.pass_(days=3)
    again = put(either_desk, PHOTO, media="application/octet-stream")
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.json() == first.json()
    assert rows(either_desk) == (1, 4)


def test_two_at_once_store_it_once(database_url: str) -> None:
    """Each writer of a pair stands where the other has just looked; the database decides, not the order of looking."""
    with running(database_url) as one, ExitStack() as beside:
        one.open()
        # An SQLite file takes one service: there the two are two requests of one.
        two = one if database_url.startswith("sqlite") else beside.enter_context(running(database_url))
        two.facility, two.token = one.facility, one.token
        for desk in (one, two):  # each makes its routes at the first call, which two threads cannot do at once
            desk.get(f"/attachments/{digest(PHOTO)}")
        answers: list[int] = []
        threads = [threading.Thread(target=lambda desk=desk: answers.append(put(desk, PHOTO).status_code))
                   for desk in (one, two)]  # fmt: skip
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert sorted(answers) == [200, 201]
        assert rows(one) == (1, 4)


def test_another_content_than_its_digest_says_is_refused_and_not_stored(either_desk: Desk) -> None:
    assert problem(put(either_desk, PHOTO + b"!", digest(PHOTO)), 422, "wrong_digest") == [
        ("/path/sha256", "wrong_digest")
    ]
    assert digest(PHOTO + b"!") in put(either_desk, PHOTO + b"!", digest(PHOTO)).json()["detail"]
    assert rows(either_desk) == (0, 0)
    assert problem(either_desk.get(f"/attachments/{digest(PHOTO)}"), 404, "unknown_attachment") == []


@pytest.mark.parametrize("name", ["abc", ABC.upper(), ABC[:-1], ABC + "0", "..%2F" + ABC])
def test_what_is_no_digest_is_no_address_of_a_file(quiet_desk: Desk, name: str) -> None:
    assert quiet_desk.call("PUT", f"/attachments/{name}", content=b"abc").status_code in {404, 422}
    assert quiet_desk.get(f"/attachments/{name}").status_code in {404, 422}


class TestTooLarge:
    @pytest.fixture
    def small(self, sqlite_url: str) -> Iterator[Desk]:
        with running(sqlite_url, most_attachment_bytes=1_000) as desk:
            desk.open()
            yield desk

    def test_the_setting_is_the_largest_that_is_taken(self, small: Desk) -> None:
        assert put(small, bytes(1_000)).status_code == 201
        assert problem(put(small, bytes(1_001)), 413, "too_large") == []
        assert rows(small) == (1, 1)

    def test_a_body_that_does_not_say_how_long_it_is_is_counted(self, small: Desk) -> None:
        async def endless() -> Any:
            while True:
                yield bytes(400)

        assert problem(put(small, endless(), digest(b"")), 413, "too_large") == []
        assert rows(small) == (0, 0)


@pytest.mark.parametrize("media", ["image/svg+xml", "text/html", "application/xhtml+xml", "nonsense", "image/jpeg2"])
def test_what_a_browser_might_run_is_not_kept_as_such(quiet_desk: Desk, media: str) -> None:
    assert problem(put(quiet_desk, b"abc", media=media), 415, "wrong_media_type") == []


def test_a_packed_body_is_not_unpacked(quiet_desk: Desk) -> None:
    assert problem(put(quiet_desk, b"abc", headers={"Content-Encoding": "gzip"}), 415) == []


@pytest.mark.parametrize(
    ("media", "kept"),
    [
        (None, "application/octet-stream"),
        ("Image/PNG", "image/png"),
        ("text/plain; charset=utf-8", "text/plain"),
    ],
)
def test_the_media_type_is_one_of_a_list(quiet_desk: Desk, media: str | None, kept: str) -> None:
    assert put(quiet_desk, f"a paper as {media}".encode(), media=media).json()["media_type"] == kept


# --- who may


def test_it_wants_the_scope_that_records_and_is_read_with_that_which_reads(either_desk: Desk) -> None:
    reads, records = either_desk.token_for("read"), either_desk.token_for("record")
    path = f"/attachments/{ABC}"
    problem(put(either_desk, b"abc", token=reads), 403)
    problem(put(either_desk, b"abc", token=""), 401)
    assert put(either_desk, b"abc", token=records).status_code == 201
    problem(either_desk.get(path, token=records), 403)
    assert [either_desk.call("HEAD", path, token=token).status_code for token in ("", records, reads)] == [
        401,
        403,
        200,
    ]
    assert either_desk.get(path, token=reads).content == b"abc"


def test_what_one_facility_has_stored_another_neither_sees_nor_gets_for_nothing(either_desk: Desk) -> None:
    put(either_desk, b"abc")
    either_desk.open(code="another", origin="another.example/gas")
    assert problem(either_desk.get(f"/attachments/{ABC}"), 404, "unknown_attachment") == []
    assert put(either_desk, b"abc").status_code == 201
    assert rows(either_desk) == (2, 2)


# --- fetching


def test_it_is_served_to_be_kept_and_never_to_be_shown_or_run(quiet_desk: Desk) -> None:
    put(quiet_desk, b"<script>alert(1)</script>", media="text/plain")
    headers = quiet_desk.get(f"/attachments/{digest(b'<script>alert(1)</script>')}").headers
    assert headers["content-disposition"].startswith("attachment; filename=")
    assert headers["content-disposition"].endswith('.txt"')
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["content-security-policy"] == "default-src 'none'; sandbox"
    assert headers["content-type"].partition(";")[0] == "text/plain"


def test_what_is_asked_of_its_head_is_told_without_the_content(either_desk: Desk) -> None:
    put(either_desk, PHOTO)
    path = f"/attachments/{digest(PHOTO)}"
    head, whole = either_desk.call("HEAD", path), either_desk.get(path)
    assert (head.status_code, head.content) == (200, b"")
    for name in ("content-length", "content-type", "content-disposition", "etag", "content-security-policy"):
        assert head.headers[name] == whole.headers[name]
    assert either_desk.call("HEAD", f"/attachments/{ABC}").status_code == 404


def test_what_somebody_has_already_is_not_sent_again(quiet_desk: Desk) -> None:
    put(quiet_desk, b"the same twice")
    path = f"/attachments/{digest(b'the same twice')}"
    seen = {"If-None-Match": quiet_desk.get(path).headers["etag"]}
    for method in ("GET", "HEAD"):
        assert quiet_desk.call(method, path, headers=seen).status_code == 304


def test_content_that_was_damaged_where_it_lies_never_arrives_whole(either_desk: Desk) -> None:
    put(either_desk, PHOTO)
    with either_desk.ledger.store.writing() as tx:
        tx.execute(update(pieces).where(pieces.c.number == 1).values(content=bytes(262_144)))
    answer = either_desk.get(f"/attachments/{digest(PHOTO)}")
    assert len(answer.content) < int(answer.headers["content-length"])


# --- beside the entries


def attached(desk: Desk) -> Any:
    facts = desk.get(f"/rebuilds/{REBUILD}").json()["facts"]
    (fact,) = [one for one in facts if one["attachments"]]
    return fact["attachments"]


@pytest.mark.parametrize("first", ["entry", "content"])
def test_a_rebuild_says_whether_the_photograph_is_there_whichever_came_first(either_desk: Desk, first: str) -> None:
    steps: list[Callable[[], Any]] = [lambda: either_desk.record(photographed()), lambda: put(either_desk, PHOTO)]
    for step in steps if first == "entry" else reversed(steps):
        step()
        if step is steps[0] and first == "entry":
            seen = {"If-None-Match": either_desk.get(f"/rebuilds/{REBUILD}").headers["etag"]}
            assert [(one["stored"], one["bytes"]) for one in attached(either_desk)] == [(False, None)]
    told = {"sha256": digest(PHOTO), "media_type": "image/jpeg", "name": "seat.jpg"}
    assert attached(either_desk) == [{**told, "stored": True, "bytes": len(PHOTO)}]
    if first == "entry":
        assert either_desk.get(f"/rebuilds/{REBUILD}", headers=seen).status_code == 200, "the answer has changed"


def test_the_photograph_is_under_the_proof(either_desk: Desk) -> None:
    """From the bytes fetched to the root: SHA-256, the entry's canonical form (RFC 8785), leaf and tree (RFC 9162)."""
    put(either_desk, PHOTO)
    receipt = either_desk.record(photographed())
    fetched = either_desk.get(f"/attachments/{digest(PHOTO)}").content
    items = either_desk.walk("/entries?limit=200")
    leaves = [rfc8785.dumps({name: value for name, value in one.items() if name not in {"leaf_hash", "corrected_by"}})
              for one in items]  # fmt: skip
    (place,) = [place for place, one in enumerate(items) if "attachments" in one]
    assert hashlib.sha256(fetched).hexdigest().encode() in leaves[place]
    assert items[place]["leaf_hash"] == hashlib.sha256(b"\0" + leaves[place]).hexdigest()
    assert mth(leaves).hex() == receipt["root"]
    leaves[place] = leaves[place].replace(digest(fetched).encode(), digest(fetched + b"!").encode())
    assert mth(leaves).hex() != receipt["root"], "another photograph is another root"


# --- broken off


@pytest.fixture
def served(sqlite_url: str) -> Iterator[tuple[str, Desk]]:
    """The service on a loopback port, and its desk."""
    with running(sqlite_url) as desk:
        desk.open()
        desk.record(*scenario.registered())
        config = uvicorn.Config(desk.app, port=0, lifespan="off", log_level="critical")
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run)
        thread.start()
        while not server.started:
            time.sleep(0.01)
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}", desk
        server.should_exit = True
        thread.join()


def test_a_transfer_that_breaks_off_leaves_nothing_and_can_be_made_again(served: tuple[str, Desk]) -> None:
    url, desk = served
    path = f"/v1/facilities/{desk.facility}/attachments/{digest(PHOTO)}"
    broken = http.client.HTTPConnection(urlsplit(url).netloc, timeout=10)
    broken.putrequest("PUT", path)
    broken.putheader("Authorization", f"Bearer {desk.token}")
    broken.putheader("Content-Type", "image/jpeg")
    broken.putheader("Content-Length", str(len(PHOTO)))
    broken.endheaders(PHOTO[: len(PHOTO) // 2])
    broken.close()
    with httpx.Client(trust_env=False, headers={"Authorization": f"Bearer {desk.token}"}) as client:
        assert client.get(url + path).status_code == 404
        assert rows(desk) == (0, 0)
        assert client.put(url + path, content=PHOTO, headers={"Content-Type": "image/jpeg"}).status_code == 201
        assert client.get(url + path).content == PHOTO
        assert client.head(url + path).headers["content-length"] == str(len(PHOTO))
