"""A database held against itself: whoever gets past the guards is found, and what they changed is named."""

from __future__ import annotations

import orjson
import pytest

from service.entries.refusals import Unknown
from service.ledger.last_checkpoints import LastCheckpoints
from service.ledger.verify import Report
from service.ledger.verify_database import verify_database
from service.merkle import tree
from service.merkle.canonical import canonical
from tests.log.kept import Kept, unwatched
from tests.log.losing import change, lose_last, unguarded

HERE = "facility = :facility AND seq = :seq"


def said(report: Report) -> str:
    return "\n".join(map(str, report.wrong))


def torque(kept: Kept) -> tuple[int, str]:
    """seq and text of the bonnet's torque."""
    entry = next(one for one in kept.bench.entries() if one.data.get("joint") == "bonnet")
    return entry.seq, canonical(dict(entry.body)).decode()


def alter(kept: Kept, statement: str, **values: object) -> None:
    change(kept.bench.store.url, statement, facility=kept.bench.facility, **values)


def test_one_that_nobody_touched_is_whole(kept: Kept) -> None:
    kept.checkpoint()
    report = kept.verify_database()
    assert report.wrong == []
    told = "\n".join(report.found)
    size = len(kept.bench.entries())
    assert f"{size} rows, their columns and {tree.node_count(size)} nodes of the tree" in told
    assert f"a continuation of the last checkpoint signed, of {size} entries" in told
    assert f"{len(kept.bench.judged())} judgements, given again from the entries" in told
    assert "views facilities, assets, procedures, instruments, rebuilds, uses, due, made again and compared" in told


def test_a_fact_edited_behind_the_guards_is_named_with_what_it_was(kept: Kept) -> None:
    seq, body = torque(kept)
    alter(kept, f"UPDATE entries SET body = :body WHERE {HERE}", seq=seq, body=body.replace('"60.0"', '"80.0"'))
    assert said(kept.verify_database()) == f'seq {seq}, /data/torque/value: "60.0" was logged, "80.0" stands here'


def test_a_column_that_says_something_else_than_its_entry(kept: Kept) -> None:
    seq, _ = torque(kept)
    alter(
        kept, f"UPDATE entries SET rebuild = :other WHERE {HERE}", seq=seq, other="0198bbbb-0000-7000-8000-00000000dead"
    )
    assert said(kept.verify_database()).startswith(
        f"seq {seq}: the column rebuild has '0198bbbb-0000-7000-8000-00000000dead'"
    )


def test_an_entry_taken_out(kept: Kept) -> None:
    alter(kept, f"DELETE FROM entries WHERE {HERE}", seq=12)
    assert "entries are missing after 0" in said(kept.verify_database())


def test_a_node_of_the_tree_that_was_changed(kept: Kept) -> None:
    alter(kept, "UPDATE nodes SET hash = :hash WHERE facility = :facility AND position = 2", hash=bytes(32))
    assert said(kept.verify_database()) == "the node 2 of the tree is not the hash of what is under it"


def test_a_node_of_the_tree_that_was_taken_out(quick_kept: Kept) -> None:
    alter(quick_kept, "DELETE FROM nodes WHERE facility = :facility AND position = 2")
    assert said(quick_kept.verify_database()) == "the node 2 of the tree is missing"


def test_a_fact_edited_together_with_its_leaf_does_not_lead_to_the_root(quick_kept: Kept) -> None:
    seq, body = torque(quick_kept)
    lie = body.replace('"60.0"', '"80.0"')
    with unguarded(quick_kept.bench.store.url) as tx:
        where = {"facility": quick_kept.bench.facility, "seq": seq, "body": lie}
        tx.exec_driver_sql("UPDATE entries SET body = :body WHERE facility = :facility AND seq = :seq", where)
        node = {
            "facility": where["facility"],
            "position": tree.position(0, seq - 1),
            "hash": tree.leaf_hash(lie.encode()),
        }
        tx.exec_driver_sql("UPDATE nodes SET hash = :hash WHERE facility = :facility AND position = :position", node)
    assert "lead to the root" in said(quick_kept.verify_database())


def test_a_head_that_was_moved(quick_kept: Kept) -> None:
    alter(quick_kept, "UPDATE heads SET root = :root WHERE facility = :facility", root=bytes(32))
    assert f"the checkpoint has {bytes(32).hex()}" in said(quick_kept.verify_database())


def test_entries_beyond_the_head(quick_kept: Kept) -> None:
    size = len(quick_kept.bench.entries())
    alter(quick_kept, "UPDATE heads SET size = size - 1 WHERE facility = :facility")
    assert f"1 entries and 1 nodes stand beyond the head, which says {size - 1}" in said(quick_kept.verify_database())


def test_a_verdict_changed_in_the_view(kept: Kept) -> None:
    alter(kept, "UPDATE rebuilds SET verdict = 'nonconforming' WHERE facility = :facility")
    told = said(kept.verify_database())
    assert told.startswith("view rebuilds: ")
    assert told.endswith(
        f"verdict has 'nonconforming', from the entries follows {kept.bench.judged()[-1]['verdict']!r}"
    )


def test_a_row_of_a_view_that_follows_from_no_entry_and_one_that_is_missing(kept: Kept) -> None:
    alter(kept, "UPDATE assets SET tag = 'AIR9-LB' WHERE facility = :facility AND tag = 'AIR1-LB'")
    told = said(kept.verify_database())
    assert "view assets: AIR9-LB follows from no entry" in told
    assert "view assets: AIR1-LB is missing" in told


def test_a_database_behind_what_was_signed(quick_kept: Kept) -> None:
    signed = quick_kept.checkpoint().checkpoint.size
    lose_last(quick_kept.bench.store.url, quick_kept.bench.facility, 1)
    assert f"the log has signed {signed} entries and the database holds {signed - 1}" in said(
        quick_kept.verify_database()
    )


def test_a_judgement_made_good_together_with_leaf_tree_and_head(quick_kept: Kept) -> None:
    """The whole tree above it was made anew: what was signed before still tells."""
    quick_kept.checkpoint()
    entries = quick_kept.bench.entries()
    judged = next(one for one in entries if one.type == "rebuild.judged")
    lie = orjson.loads(canonical(dict(judged.body)))
    lie["data"]["verdict"] = "nonconforming"
    texts = [canonical(lie if one is judged else dict(one.body)) for one in entries]
    grown = tree.append(tree.EMPTY_EDGE, map(tree.leaf_hash, texts))
    facility = quick_kept.bench.facility
    with unguarded(quick_kept.bench.store.url) as tx:
        body = {"facility": facility, "seq": judged.seq, "body": texts[judged.seq - 1].decode()}
        tx.exec_driver_sql("UPDATE entries SET body = :body WHERE facility = :facility AND seq = :seq", body)
        for position, node in grown.nodes:
            told = {"facility": facility, "position": position, "hash": node}
            tx.exec_driver_sql(
                "UPDATE nodes SET hash = :hash WHERE facility = :facility AND position = :position", told
            )
        root = {"facility": facility, "root": tree.root(grown.edge)}
        tx.exec_driver_sql("UPDATE heads SET root = :root WHERE facility = :facility", root)
    told = said(quick_kept.verify_database())
    assert f"the first {len(entries)} entries are not those that the log has signed" in told
    assert f"seq {judged.seq}, /data/verdict" in told


def test_the_database_is_only_read(quick_kept: Kept) -> None:
    before = quick_kept.export()
    quick_kept.verify_database()
    assert quick_kept.export() == before


def test_no_such_facility(quick_kept: Kept) -> None:
    with pytest.raises(Unknown):
        verify_database(quick_kept.bench.store, LastCheckpoints(quick_kept.key_file), "nowhere", unwatched)
