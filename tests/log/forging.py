"""What a liar with the log's own key could make: an export whose every hash and signature holds, about other entries."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import orjson

from service.ledger.export_format import read_header, write_header, write_line
from service.ledger.keys import read_file
from service.merkle.canonical import canonical
from service.merkle.checkpoint import Checkpoint
from service.merkle.key import Signer
from service.merkle.note import sign_note
from service.merkle.proof_text import write_proof
from service.merkle.proofs import inclusion_proof
from service.merkle.tree import EMPTY_EDGE, append, leaf_hash, root
from tests.log.kept import Kept

Body = dict[str, Any]


def bodies(kept: Kept) -> list[Body]:
    """The entries as they are."""
    return [entry.body for entry in kept.bench.entries()]


def signed_again(kept: Kept, entries: Iterable[Body]) -> bytes:
    """An export of these entries, signed with the log's key."""
    return of_texts(kept, [canonical(entry) for entry in entries])


def of_texts(kept: Kept, texts: Sequence[bytes]) -> bytes:
    """The same of texts, canonical or not."""
    edge = append(EMPTY_EDGE, map(leaf_hash, texts)).edge
    signer = Signer(kept.key.name, read_file(kept.key_file))
    note = sign_note(Checkpoint(signer.name, len(texts), root(edge)).text, signer)
    header = write_header(kept.bench.facility, [kept.key.line], [], note)
    return header + b"".join(write_line(leaf_hash(text), text) for text in texts)


def forged(kept: Kept, change: Callable[[list[Body]], Any]) -> bytes:
    """An export signed again after the entries were changed in place."""
    entries = orjson.loads(orjson.dumps(bodies(kept)))
    change(entries)
    return signed_again(kept, entries)


def of_type(entries: Iterable[Body], type_: str) -> Body:
    """The first entry of a type."""
    return next(entry for entry in entries if entry["type"] == type_)


def proof_in(export: bytes, index: int) -> bytes:
    """The file that proves one entry of an export."""
    header = read_header(io.BytesIO(export))
    texts = [line.partition(b" ")[2] for line in export[header.length :].splitlines()]
    nodes = dict(append(EMPTY_EDGE, map(leaf_hash, texts)).nodes)
    hashes = inclusion_proof(index, len(texts), lambda positions: [nodes[position] for position in positions])
    return write_proof(texts[index], index, hashes, header.note)
