"""A stranger's tool reads whole logs: notes and trees verified by the packages of Go's own module log, not by ours.

The program is in `go_verifier/`. It is built here, and logs are served to it as files.
"""

import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from service.merkle.key import Signer
from service.merkle.note import sign_note
from service.merkle.tile import MAX_ENTRY_SIZE, bundles, tiles
from tests.merkle import go_program
from tests.merkle.static_log import LOG, WITNESS, StaticLog, recorded

TOKEN = "read-token"
PREFIX = "/v1/facilities/skerrow/log/"
NOW = 1_790_000_000


@pytest.fixture(scope="session")
def program(tmp_path_factory):
    return go_program.built(tmp_path_factory)


@contextmanager
def served(files: dict[str, bytes]) -> Iterator[str]:
    """Serve files to who brings the token; gives the address of the log."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        disable_nagle_algorithm = True  # else each answer waits for an acknowledgement of its head

        def do_GET(self):
            body = files.get(self.path.removeprefix(PREFIX))
            allowed = self.headers.get("Authorization") == f"Bearer {TOKEN}"
            self.send_response(401 if not allowed else 404 if body is None else 200)
            body = (body or b"") if allowed else b""
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_):
            """Nothing is printed."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.server_port}{PREFIX}"
        finally:
            server.shutdown()
            thread.join()


@pytest.fixture
def verify(program):
    """Serve files and have them verified: the lines printed, or AssertionError with what differs."""

    def run(files, *more, key=LOG.key.line, token=TOKEN):
        with served(files) as url:
            command = [program, "-url", url, "-token", token, "-key", key, *map(str, more)]
            done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
        assert done.returncode in (0, 1), done.stderr
        if done.returncode == 1:
            raise DiffersError(done.stderr)
        return done.stdout.splitlines()

    return run


class DiffersError(Exception):
    """The program found a difference, and says which."""


def differs(*words):
    return pytest.raises(DiffersError, check=lambda error: all(word in str(error) for word in words))


@pytest.fixture(scope="module")
def long_log():
    return StaticLog(recorded(70_000))


@pytest.mark.parametrize("size", [0, 1, 2, 255, 256, 257, 511, 512, 513])
def test_a_log_of_any_size_verifies_to_the_last_tile_and_entry(verify, size):
    log = StaticLog(recorded(size))
    printed = verify(log.files())
    assert printed[0].startswith(f"checkpoint {LOG.name}: {size} entries, root ")
    expected = [f"tile/{tile.path}: {tile.width} hashes" for tile in tiles(size)]
    expected += [f"tile/{bundle.path}: {bundle.width} entries" for bundle in bundles(size)]
    assert sorted(printed[1:]) == sorted(expected)


def test_a_log_of_seventy_thousand_verifies_with_its_growth_and_proofs(verify, long_log, tmp_path):
    older = tmp_path / "older"
    older.write_bytes(StaticLog(recorded(300)).checkpoint)
    seqs = [1, 256, 257, 65_536, 65_537, 70_000]
    files = long_log.files() | {f"proof?seq={seq}": long_log.proof(seq - 1) for seq in seqs}
    printed = verify(files, "-older", older, *(word for seq in seqs for word in ("-proof", seq)))
    assert len([line for line in printed if line.endswith(" hashes")]) == 277
    assert len([line for line in printed if line.endswith(" entries") and line.startswith("tile/")]) == 274
    assert "growth: 300 entries to 70000" in printed
    assert "proof of entry 65537: 13 bytes, in the log at 70000" in printed


def test_the_longest_and_the_shortest_entry_verify(verify):
    log = StaticLog([bytes(MAX_ENTRY_SIZE), b"", "Þór – ½".encode()])
    assert "tile/entries/000.p/3: 3 entries" in verify(log.files())


@pytest.mark.parametrize("before", [0, 1, 128, 255, 256, 257, 400])
def test_a_log_is_the_continuation_of_what_it_was(verify, before, tmp_path):
    older = tmp_path / "older"
    older.write_bytes(StaticLog(recorded(before)).checkpoint)
    assert f"growth: {before} entries to 400" in verify(StaticLog(recorded(400)).files(), "-older", older)


def test_a_checkpoint_kept_from_one_run_is_the_older_one_of_the_next(verify, tmp_path):
    kept = tmp_path / "kept"
    verify(StaticLog(recorded(5)).files(), "-save", kept)
    assert kept.read_bytes() == StaticLog(recorded(5)).checkpoint
    assert "growth: 5 entries to 9" in verify(StaticLog(recorded(9)).files(), "-older", kept, "-save", kept)
    assert kept.read_bytes() == StaticLog(recorded(9)).checkpoint


def test_a_cosigned_checkpoint_names_the_witness_and_its_time(verify):
    log = StaticLog(recorded(3))
    files = log.files() | {"checkpoint": log.cosigned(WITNESS, NOW)}
    assert f"cosigned by {WITNESS.name} at {NOW}" in verify(files, "-witness", WITNESS.key.line)
    assert not [line for line in verify(files) if line.startswith("cosigned")]


def test_a_log_that_changed_its_key_verifies_with_either_line(verify, tmp_path):
    newer = Signer.from_seed(LOG.name, bytes(32))
    older = tmp_path / "older"
    older.write_bytes(StaticLog(recorded(5)).checkpoint)
    files = StaticLog(recorded(9), newer).files()
    assert verify(files, "-key", newer.key.line, "-older", older)
    with differs("older checkpoint", "no verifiable signatures"):
        verify(files, "-older", older, key=newer.key.line)


class TestLies:
    def changed(self, log, path, place=40):
        """The files of a log, one bit of one of them turned."""
        files = log.files()
        data = bytearray(files[path])
        data[place] ^= 1
        return files | {path: bytes(data)}

    @pytest.mark.parametrize("path", ["0/000", "0/100", "1/000"])
    def test_a_changed_tile_is_named(self, verify, long_log, path):
        with differs(f"tile/{path}: ", "inconsistent"):
            verify(self.changed(long_log, f"tile/{path}"))

    @pytest.mark.parametrize("path", ["0/273.p/112", "1/001.p/17", "2/000.p/1"])
    def test_a_changed_tile_at_the_right_edge_spoils_the_root(self, verify, long_log, path):
        with differs("right edge", f"tile/{path}", "signed root"):
            verify(self.changed(long_log, f"tile/{path}", place=20))

    def test_a_tile_cut_short_is_named(self, verify):
        files = StaticLog(recorded(300)).files()
        with differs("tile/0/001.p/44", "1376 bytes, not 1408"):
            verify(files | {"tile/0/001.p/44": files["tile/0/001.p/44"][:-32]})

    def test_a_missing_tile_is_named(self, verify):
        files = StaticLog(recorded(300)).files()
        del files["tile/0/000"]
        with differs("tile/0/000", "404"):
            verify(files)

    def test_a_changed_entry_is_named(self, verify):
        log = StaticLog(recorded(300))
        with differs("tile/entries/000: entry 3 of 256 is not the one that was logged"):
            verify(self.changed(log, "tile/entries/000", place=3 * 11 + 9))

    def test_an_entry_left_out_or_slipped_in_is_noticed(self, verify):
        files = StaticLog(recorded(3)).files()
        bundle = files["tile/entries/000.p/3"]
        with differs("ends before entry 2 of 3"):
            verify(files | {"tile/entries/000.p/3": bundle[: 2 * 11]})
        with differs("bytes after the last entry"):
            verify(files | {"tile/entries/000.p/3": bundle + b"\x00\x01a"})

    @pytest.mark.parametrize("size", [300, 400, 70_000])
    def test_a_forked_history_is_no_continuation_however_well_it_is_signed(self, verify, size, tmp_path, long_log):
        seen = recorded(300)
        seen[4] = b"what the first reader saw"
        older = tmp_path / "older"
        older.write_bytes(StaticLog(seen).checkpoint)
        files = (long_log if size == 70_000 else StaticLog(recorded(size))).files()
        with differs("growth: the first 300 entries are not those that were there before"):
            verify(files, "-older", older)

    def test_a_log_that_lost_entries_is_no_continuation(self, verify, tmp_path):
        older = tmp_path / "older"
        older.write_bytes(StaticLog(recorded(9)).checkpoint)
        with differs("had 9 entries and now has 5"):
            verify(StaticLog(recorded(5)).files(), "-older", older)

    def test_a_checkpoint_with_another_size_or_root_than_its_tree(self, verify):
        files = StaticLog(recorded(5)).files()
        other = StaticLog([*recorded(4), b"another"])
        with differs("right edge"):
            verify(files | {"checkpoint": other.checkpoint})
        with differs("checkpoint: invalid signature"):
            verify(files | {"checkpoint": files["checkpoint"].replace(b"\n5\n", b"\n4\n")})

    def test_a_key_that_is_not_the_logs(self, verify):
        stranger = Signer.from_seed(LOG.name, bytes(32)).key.line
        with differs("no verifiable signatures"):
            verify(StaticLog(recorded(5)).files(), key=stranger)

    def test_a_key_line_whose_id_does_not_match(self, verify):
        name, key_id, public = LOG.key.line.split("+", 2)
        with differs("invalid verifier hash"):
            verify({}, key=f"{name}+{int(key_id, 16) ^ 1:08x}+{public}")

    def test_another_facilitys_checkpoint_under_a_key_one_also_knows(self, verify):
        log = StaticLog(recorded(5))
        other = Signer.from_seed("other.example/log", bytes(32))
        with differs(f"not signed by the log {LOG.name}"):
            verify(log.files() | {"checkpoint": sign_note(log.text, other)}, "-key", other.key.line)

    def test_a_cosignature_whose_time_was_moved_or_that_is_missing(self, verify):
        log = StaticLog(recorded(3))
        cosignature = WITNESS.cosign(log.text, NOW)
        moved = cosignature._replace(body=(NOW + 1).to_bytes(8, "big") + cosignature.body[8:])
        forged = log.checkpoint + f"{moved.line}\n".encode()
        with differs("invalid signature", WITNESS.name):
            verify(log.files() | {"checkpoint": forged}, "-witness", WITNESS.key.line)
        with differs("cosigned by 0 witnesses of 1"):
            verify(log.files(), "-witness", WITNESS.key.line)

    def test_a_proof_of_another_entry(self, verify):
        log = StaticLog(recorded(9))
        forged = log.proof(3).replace(b"index 3", b"index 4")
        with differs("proof of entry 5"):
            verify(log.files() | {"proof?seq=5": forged}, "-proof", 5)

    def test_a_caller_without_the_token_sees_nothing(self, verify):
        with differs("401"):
            verify(StaticLog(recorded(3)).files(), token="another")
