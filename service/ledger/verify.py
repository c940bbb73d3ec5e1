"""A file verified by whoever has it: an export or a proof, with no server and no database.

What makes a file true is a signature by a key that the reader knows from elsewhere. An export carries the log's keys;
verified with those alone it is shown to be of one piece, and not whose it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import orjson

from service.checks.catalogue import EDITION
from service.ledger.export_format import HEADING, Header, NotAnExportError, read_header
from service.ledger.hands import processes
from service.ledger.verify_judged import Rejudged, rejudge
from service.ledger.verify_line import Wrong
from service.ledger.verify_log import Checked, Progress, verify_log
from service.merkle.checkpoint import Checkpoint, CheckpointError, open_checkpoint
from service.merkle.key import KeyKind, NoteError, VerifierKey
from service.merkle.note import open_note
from service.merkle.proof_text import HEADING as PROOF_HEADING
from service.merkle.proof_text import MAX_SIZE as MAX_PROOF_SIZE
from service.merkle.proof_text import ProofTextError, verify_proof

_SMALL = 4 << 20
"""Bytes of a file that one process is done with before others have begun."""


@dataclass
class Report:
    """What was looked at, what was found in order, what to bear in mind, and what differs."""

    what: str
    found: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    wrong: list[Wrong] = field(default_factory=list)

    @property
    def holds(self) -> bool:
        """Nothing differs."""
        return not self.wrong


def _nothing(_what: str, _done: int, _whole: int) -> None:
    """Nobody watches."""


def verify_file(
    path: Path,
    keys: Sequence[VerifierKey] = (),
    *,
    hands: int | None = None,
    progress: Progress = _nothing,
    judgements: bool = True,
    entries: bool = True,
) -> Report:
    """Verify an export or a proof.

    Args:
        path: of the file.
        keys: verifier keys that the reader knows from elsewhere.
        hands: how many processes share the work; as many as there are cores if left out.
        progress: told what is being done and how much of it is done.
        judgements: give every judgement again.
        entries: look into the entries; if not, their bytes alone are held against the log.
    """
    with path.open("rb") as file:
        first = file.read(max(len(HEADING), len(PROOF_HEADING)) + 1)
    if first.startswith(HEADING.partition(b"/")[0]):
        some = hands or (processes() if path.stat().st_size > _SMALL else 1)
        return verify_export(path, keys, some, progress, judgements=judgements and entries, entries=entries)
    if first.startswith(PROOF_HEADING.encode()):
        return verify_proof_file(path, keys)
    return Report("file", wrong=[Wrong("neither an export nor a proof, by its first line", 1)])


def verify_proof_file(path: Path, keys: Sequence[VerifierKey]) -> Report:
    """Verify a file that proves one entry."""
    report = Report("proof")
    if not keys:
        report.wrong.append(Wrong("a proof is worth what the key is worth that it is verified with: name it (--key)"))
        return report
    with path.open("rb") as file:
        data = file.read(MAX_PROOF_SIZE + 1)
    try:
        proven = verify_proof(data, keys)
    except ProofTextError as refusal:
        report.wrong.append(Wrong(f"{refusal.step}: {refusal}"))
        return report
    checkpoint = proven.signed.checkpoint
    report.found.append(f"entry {proven.index + 1} of the log {checkpoint.origin}, which had {checkpoint.size} entries")
    report.found += [f"cosigned by {one.key.name}" for one in proven.signed.cosigned]
    report.wrong += _says_its_seq(proven.entry, proven.index + 1)
    return report


def _says_its_seq(entry: bytes, seq: int) -> list[Wrong]:
    try:
        said = orjson.loads(entry).get("seq")
    except (ValueError, AttributeError):
        return [Wrong("the entry is no JSON object", None, seq)]
    return [] if said == seq else [Wrong(f"{said}, where its place in the log is {seq}", None, seq, "/seq")]


def verify_export(
    path: Path, keys: Sequence[VerifierKey], hands: int, progress: Progress, *, judgements: bool, entries: bool
) -> Report:
    """Verify an export: signatures, every leaf and the root, the entries' order, and every judgement."""
    report = Report("export")
    try:
        with path.open("rb") as file:
            header = read_header(file)
    except NotAnExportError as refusal:
        report.wrong.append(Wrong(str(refusal), refusal.line))
        return report
    checkpoint = _signed(header, keys, report)
    if checkpoint is None:
        return report
    checked = verify_log(path, header, checkpoint, hands, progress, entries=entries)
    report.wrong += checked.wrong
    _tell_log(report, checkpoint, checked, entries=entries)
    if checked.in_order and entries:
        report.wrong += _opening(path, header, checkpoint)
    if judgements:
        _judge_again(path, header, checked, hands, progress, report)
    return report


def _judge_again(path: Path, header: Header, checked: Checked, hands: int, progress: Progress, report: Report) -> None:
    """Give the judgements again. Where entries were changed, only to see whether it was a judgement, and in what."""
    again = partial(rejudge, path, header.length, header.facility, checked.index, withheld=checked.withheld > 0)
    if checked.in_order:
        told = again(hands, progress)
        report.wrong += told.wrong
        _tell_judgements(report, told)
        return
    report.remarks.append("the judgements were left alone: first the entries have to be those that were logged")
    if not checked.indexed or all(one.member or one.seq is None for one in report.wrong):
        return
    try:
        told = again(hands, _nothing)
    except (ValueError, KeyError, TypeError, AttributeError):  # what was changed is no entry any more
        return
    members = {one.seq: one for one in told.wrong}
    report.wrong = [members.get(one.seq, one) if one.member is None else one for one in report.wrong]


def _signed(header: Header, keys: Sequence[VerifierKey], report: Report) -> Checkpoint | None:
    """The checkpoint, if the log signed it; every signature under it must be by a key that is listed."""
    listed = [*header.keys, *header.witnesses]
    known = list(dict.fromkeys(keys)) or listed
    line = header.lines - header.note.count(b"\n")
    try:
        checkpoint = open_checkpoint(header.note, known).checkpoint
        opened = open_note(header.note, dict.fromkeys([*listed, *known]))
    except (NoteError, CheckpointError, ValueError) as refusal:
        report.wrong.append(Wrong(f"checkpoint: {refusal}", line))
        if set(keys) & set(header.keys):
            report.remarks.append("the key you gave is one the log had before: ask the facility for the present one")
        return None
    report.found.append(f"checkpoint of {checkpoint.origin}: {checkpoint.size} entries, root {checkpoint.root.hex()}")
    signers = {one.key for one in opened.verified}
    report.found += [f"signed by {key.line}" for key in signers if key.kind is KeyKind.ED25519]
    report.found += [f"cosigned by {key.name}" for key in signers if key.kind is KeyKind.COSIGNATURE_V1]
    report.wrong += [
        Wrong(f"checkpoint: {one.name} signed with a key that is not listed", line) for one in opened.unknown
    ]
    for key in header.keys:
        if key.kind is not KeyKind.ED25519 or key.name != checkpoint.origin:
            report.wrong.append(Wrong(f"{key.line} is no key of the log {checkpoint.origin}"))
    report.wrong += [
        Wrong(f"{key.name} is listed, and did not cosign") for key in header.witnesses if key not in signers
    ]
    if not signers & set(header.keys):
        report.wrong.append(Wrong("the key that signed the checkpoint is not among the keys that are listed"))
    if not keys:
        report.remarks.append(
            "the key is taken from the file itself: compare it with the one the facility gave you (--key)"
        )
    return checkpoint


def _tell_log(report: Report, checkpoint: Checkpoint, checked: Checked, *, entries: bool) -> None:
    if not checked.in_order:
        return
    report.found.append(f"{checkpoint.size} leaf hashes, and the root over them")
    if entries:
        report.found.append("seq without a gap, recorded_at never backwards, every id once")
    if checked.withheld:
        report.remarks.append(f"the contents of {checked.withheld} entries are withheld; their leaf hashes hold")


def _opening(path: Path, header: Header, checkpoint: Checkpoint) -> list[Wrong]:
    """The first entry opens the ledger that the file says it is, under the name that the log signs with."""
    with path.open("rb") as file:
        file.seek(header.length)
        _, _, content = file.readline().rstrip(b"\n").partition(b" ")
    if not content:
        return []
    entry = orjson.loads(content)
    if entry["type"] != "facility.opened":
        return [Wrong("the first entry does not open a facility", header.lines + 1, 1, "/type")]
    said = {"/data/code": (entry["data"].get("code"), header.facility)}
    said["/data/origin"] = (entry["data"].get("origin"), checkpoint.origin)
    return [
        Wrong(f"{found!r}, where this is the log of {wanted!r}", header.lines + 1, 1, member)
        for member, (found, wanted) in said.items()
        if found != wanted
    ]


def _tell_judgements(report: Report, told: Rejudged) -> None:
    if not told.wrong:
        report.found.append(
            f"{told.judged} judgements, given again from the entries by edition {EDITION} of the checks"
        )
    for edition, count in sorted(told.other_editions.items()):
        says = f"{count} judgements are by edition {edition} of the checks, and this reader has {EDITION}"
        report.remarks.append(f"{says}: left as they are")
    if told.unsettled:
        says = (
            f"{told.unsettled} judgements come out otherwise without the contents that are withheld: not settled here"
        )
        report.remarks.append(says)
